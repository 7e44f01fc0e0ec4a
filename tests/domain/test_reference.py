"""What a platform's stock cars read so far, against numpy's own medians."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.curve import GRID_RPM
from service.domain.reference import FEWEST_CARS, StockSetup, median_curve, robust_spread, stock_reference


def car(vehicle_id: int, power_kw: float = 150.0, **fields) -> StockSetup:
    """A stock car's setup."""
    good = {"power_rpm": 6000.0, "gear": 4, "speed_ratio": 3.5, "ethanol": None, "torque_nm": None}
    return StockSetup(vehicle_id=vehicle_id, power_kw=power_kw, **{**good, **fields})


@given(st.integers(1, 9), st.integers(0, 2**32 - 1))
def test_the_median_curve_is_numpys_nanmedian_where_three_curves_reach(curves, seed):
    draw = np.random.default_rng(seed)
    stack = draw.normal(size=(curves, GRID_RPM.size))
    stack[draw.random(stack.shape) < 0.3] = np.nan
    reached = np.isfinite(stack).sum(axis=0) >= FEWEST_CARS
    expected = np.full(GRID_RPM.size, np.nan)
    if reached.any():
        expected[reached] = np.nanmedian(stack[:, reached], axis=0)
    np.testing.assert_allclose(median_curve(list(stack)), expected)


def test_each_car_counts_once_by_its_first_setup():
    reference = stock_reference([car(1, 150.0), car(1, 999.0), car(2, 160.0), car(3, 170.0)])
    assert (reference.cars, reference.power_kw) == (3, 160.0)


def test_two_cars_are_no_reference():
    assert stock_reference([car(1), car(2)]) is None


def test_the_spread_is_robust_against_one_odd_car():
    draws = 150.0 * np.exp(np.random.default_rng(3).normal(0.0, 0.025, 4000))
    # For normal draws the scaled median absolute deviation estimates the standard deviation (Iglewicz & Hoaglin 1993).
    assert robust_spread(list(draws)) == pytest.approx(0.025, rel=0.05)
    assert robust_spread([*draws[:20], 1.0]) == pytest.approx(robust_spread(list(draws[:20])), rel=0.35)


def test_ratios_are_told_apart_by_gear():
    cars = [car(1), car(2, speed_ratio=3.6), car(3, gear=5, speed_ratio=2.8), car(4, gear=None)]
    assert stock_reference(cars).speed_ratio == {4: pytest.approx(3.55), 5: 2.8}
