"""How many more tests make an answer firm: by hand, in limits, and against the history model with the tests put in."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.stats.history.cells import Cell, side_by_side
from service.stats.history.fit import starting_fit
from service.stats.history.fitted import Fit
from service.stats.history.gains import measured_variance, typical_interval
from service.stats.history.planning import (
    MOST_TESTS,
    after_tests,
    further_until_established,
    further_until_half,
)
from service.stats.history.system import build
from tests.stats.history.gain_cases import FIT, gain
from tests.stats.history.made import INTAKE, TURBO, before_and_after, catalogue, history

LEVEL = 0.9


def after(one: Cell, fit: Fit, tests: int) -> Cell:
    """One gain as it would be known after so many tests."""
    return replace(one, variance=float(after_tests(side_by_side([one]), fit, tests).variance[0]))


def until_established(one: Cell, level: float = LEVEL) -> int | None:
    """Tests of one gain by itself."""
    return further_until_established(side_by_side([one]), FIT, level)[0]


def until_half(one: Cell, level: float = LEVEL) -> int | None:
    """Tests of one gain by itself."""
    return further_until_half(side_by_side([one]), FIT, level)[0]


def test_precisions_add() -> None:
    # FIT: a setup errs by 0.45 %, a pull by 0.5 %; two setups of three pulls each
    one = gain(3.0, sd=1.0)
    test = 2 * 0.0045**2 + 0.005**2 * (1 / 3 + 1 / 3)
    assert measured_variance(FIT, 3, 3) == pytest.approx(test, rel=1e-12)
    reading = one.car_spread_variance + test
    assert after(one, FIT, 4).variance == pytest.approx(1 / (1 / 0.01**2 + 4 / reading), rel=1e-12)


def test_no_tests_leave_a_gain_as_it_is_and_very_many_leave_no_doubt() -> None:
    assert after(gain(), FIT, 0).variance == pytest.approx(gain().variance, rel=1e-12)
    assert math.sqrt(after(gain(), FIT, 10**9).variance) < 1e-6


def test_what_is_established_needs_no_further_test() -> None:
    assert until_established(gain(3.0, sd=0.5)) == 0
    assert until_established(gain(-3.0, sd=0.5)) == 0


def test_what_is_as_good_as_nothing_is_not_told_from_nothing_by_any_number_one_plans() -> None:
    assert until_established(gain(0.01, sd=0.5)) is None
    assert until_established(gain(0.0, sd=0.5)) is None


def test_the_last_number_that_is_planned_is_still_told() -> None:
    numbers = [until_established(gain(n / 1000, sd=1.0)) for n in range(100, 200)]
    known = [one for one in numbers if one is not None]
    assert max(known) == MOST_TESTS
    assert sorted(known, reverse=True) == known, "the larger the gain, the fewer tests"


def test_to_be_surer_takes_more_tests() -> None:
    one = gain(1.0, sd=1.0)
    loose, usual, strict = (until_established(one, level) for level in (0.5, 0.9, 0.99))
    assert loose is not None
    assert usual is not None
    assert strict is not None
    assert loose < usual < strict


@settings(max_examples=80, deadline=None)
@given(percent=st.floats(-3.0, 6.0), sd=st.floats(0.05, 4.0))
def test_the_number_is_the_first_that_does_it(percent: float, sd: float) -> None:
    one = gain(percent, sd=sd)
    needed = until_established(one)
    if needed is None:
        assert not typical_interval(after(one, FIT, MOST_TESTS), LEVEL).established
        return
    assert typical_interval(after(one, FIT, needed), LEVEL).established
    if needed:
        assert not typical_interval(after(one, FIT, needed - 1), LEVEL).established


def test_half_as_wide_takes_three_times_the_precision_there_is() -> None:
    # V' = V / 4  <=>  m = 3 s2 / V; the interval's own t widening moves it by little
    one = gain(5.0, sd=0.5, prior_sd=50.0)
    by_hand = 3 * (one.car_spread_variance + measured_variance(FIT, 3, 3)) / one.variance
    found = until_half(one)
    assert found is not None
    assert abs(found - math.ceil(by_hand)) <= 1


def test_the_history_model_with_so_many_cars_more_is_as_sure_as_planned() -> None:
    # The cars gain exactly what is believed, as the plan assumes; the fit is held.
    def known(cars: int):  # type: ignore[no-untyped-def]
        rows = [row for car in range(1, cars + 1) for row in before_and_after(car, INTAKE, 0.03)]
        return build(held, history(*rows), catalogue()).gain(INTAKE, TURBO)

    rows = [row for car in range(1, 4) for row in before_and_after(car, INTAKE, 0.03)]
    held = starting_fit(history(*rows), catalogue())
    planned = after(known(3), held, 9).variance
    assert known(12).variance == pytest.approx(planned, rel=0.15)
    assert known(12).variance < 0.5 * known(3).variance


@settings(max_examples=40, deadline=None)
@given(found=st.lists(st.tuples(st.floats(-3.0, 6.0), st.floats(0.05, 4.0)), max_size=6))
def test_gains_side_by_side_are_planned_like_each_by_itself(found: list[tuple[float, float]]) -> None:
    cells = [gain(percent, sd=sd) for percent, sd in found]
    together = side_by_side(cells)
    assert further_until_established(together, FIT, LEVEL) == [until_established(one) for one in cells]
    assert further_until_half(together, FIT, LEVEL) == [until_half(one) for one in cells]
