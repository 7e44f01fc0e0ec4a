"""A gain over the rev range: bands, where it gains and loses, how the peak moves."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats as reference

from service.stats.history import curves, gains
from tests.stats.history.gain_cases import FIT, gain, gain_over_knots

KNOTS = np.linspace(2000.0, 6800.0, 25)
ALIKE, APART = np.ones((25, 25)), np.eye(25)
NEAR = np.exp(-np.abs(np.subtract.outer(KNOTS, KNOTS)) / 1500.0)
SURE_DF = 1e6


def test_at_every_knot_a_curve_says_what_the_gain_alone_would_say() -> None:
    one = gain(3.0)
    found = curves.curve(KNOTS, gain_over_knots([3.0] * 25, cell=one), NEAR, FIT)
    alone = gains.answer(one, FIT, may_lose=True)
    assert found.low[7] == pytest.approx(alone.typical.low)
    assert found.high[7] == pytest.approx(alone.typical.high)
    assert (found.next_low[7], found.next_high[7]) == pytest.approx(alone.next_car)


def test_a_band_for_the_whole_curve_is_wider_and_of_one_knot_alike_with_all_others_it_is_not() -> None:
    pointwise = float(reference.norm.ppf(0.95))
    assert curves.simultaneous_factor(ALIKE, SURE_DF, 0.9) == pytest.approx(pointwise, abs=0.06)
    wide = curves.simultaneous_factor(NEAR, SURE_DF, 0.9)
    # 25 knots without correlation: Sidak's bound, 1 - (1 - p)^25
    sidak = float(reference.norm.ppf(0.5 + 0.9 ** (1 / 25) / 2))
    assert pointwise + 0.2 < wide < sidak
    assert curves.simultaneous_factor(APART, SURE_DF, 0.9) == pytest.approx(sidak, abs=0.05)


def test_the_band_of_two_knots_is_dunnetts_and_hawkins() -> None:
    # largest |t| of two with correlation 0 and 20 degrees of freedom, 95 %: 2.41 (studentized maximum modulus, from memory)
    found = curves.simultaneous_factor(np.eye(2), 20.0, 0.95)
    assert found == pytest.approx(2.41, abs=0.06)


def test_the_whole_curve_lies_in_its_band_as_often_as_it_says() -> None:
    random = np.random.default_rng(5)
    factor = curves.simultaneous_factor(NEAR, SURE_DF, 0.9)
    errors = random.standard_normal((4000, 25)) @ np.linalg.cholesky(NEAR).T
    assert (np.abs(errors).max(axis=1) <= factor).mean() == pytest.approx(0.9, abs=0.02)


def test_the_same_curve_always_gets_the_same_band() -> None:
    first, again = (curves.curve(KNOTS, gain_over_knots([2.0] * 25), NEAR, FIT) for _ in range(2))
    assert (first.band_low == again.band_low).all()
    assert (first.band_low < first.low).all()
    assert (first.band_high > first.high).all()


def test_of_knots_that_err_alike_the_whole_curve_lies_where_each_of_them_does() -> None:
    """Errors that go together everywhere are one error: its t of 8 / rho = 8 degrees of freedom, not the normal's quantile."""
    unsure = gain_over_knots([0.0] * 25, cell=gain(0.0, sd=0.5, prior_sd=0.5))
    found = curves.curve(KNOTS, unsure, ALIKE, FIT)
    assert found.band_high[3] == pytest.approx(0.005 * float(reference.t.ppf(0.95, 8)), rel=0.02)
    assert found.band_high[3] == pytest.approx(found.high[3], rel=0.02)


def test_between_knots_a_curve_is_straight_and_beyond_them_there_is_nothing() -> None:
    found = curves.curve(KNOTS, gain_over_knots([float(i) for i in range(25)]), NEAR, FIT)
    fine = found.at(np.array([1900.0, 2100.0, 6800.0, 6850.0]))
    assert fine.typical[1] == pytest.approx(0.005)
    assert np.isnan(fine.typical[[0, 3]]).all()
    assert fine.band_high[2] == found.band_high[24]


def test_stretches_with_a_gain_and_with_a_loss_are_found_longest_first() -> None:
    rpm = np.array([2000.0, 3000.0, 4000.0, 5000.0, 6000.0])
    low = np.array([-3.0, -2.0, -1.0, 1.0, 2.0])
    high = np.array([-1.0, 1.0, 2.0, 3.0, 4.0])
    gaining, losing = curves.clear_stretches(rpm, low, high)
    # the lower bound crosses nought half way from 4000 to 5000, the upper one half way from 2000 to 3000
    assert (gaining.from_rpm, gaining.to_rpm, gaining.gains) == (4500.0, 6000.0, True)
    assert (losing.from_rpm, losing.to_rpm, losing.gains) == (2000.0, 2500.0, False)


def test_a_stretch_ends_where_the_straight_line_of_its_bound_crosses_nought() -> None:
    """From -1 at 3000 to 3 at 4000 rpm the line is nought a quarter of the way up; from 3 to -1 at 5000 three quarters."""
    rpm, low = np.array([3000.0, 4000.0, 5000.0]), np.array([-1.0, 3.0, -1.0])
    (found,) = curves.clear_stretches(rpm, low, low + 9.0)
    assert (found.from_rpm, found.to_rpm) == (3250.0, 4750.0)


def test_where_nothing_is_known_no_stretch_is_clear() -> None:
    rpm, nan = np.array([2000.0, 3000.0, 4000.0]), np.full(3, np.nan)
    assert curves.clear_stretches(rpm, nan, nan) == ()
    low = np.array([np.nan, 1.0, 1.0])
    assert [(one.from_rpm, one.to_rpm) for one in curves.clear_stretches(rpm, low, low + 1)] == [
        (3000.0, 4000.0)
    ]


FINE = np.arange(2000.0, 6801.0, 50.0)
BASE = -(((FINE - 5200.0) / 3000.0) ** 2)
"""ln power with its peak at 5200 rpm."""


def test_the_same_gain_everywhere_leaves_the_peak_where_it_is() -> None:
    flat = gain_over_knots([4.0] * 25, sd=0.001, cell=gain(sd=0.001))
    found = curves.peak_shift(FINE, BASE, KNOTS, flat, ALIKE)
    assert found.typical == pytest.approx(0.0, abs=1e-6)
    assert found.low == pytest.approx(0.0, abs=1.0)


def test_a_gain_that_grows_with_speed_moves_the_peak_up_as_far_as_calculus_says() -> None:
    # ln power has slope -2 (n - 5200) / 3000^2; a gain of 1 % per 1000 rpm moves its zero by 3000^2 x 1e-5 / 2 = 45 rpm
    rising = gain_over_knots((0.001 * (KNOTS - 2000.0)).tolist(), sd=0.3)
    found = curves.peak_shift(FINE, BASE, KNOTS, rising, NEAR)
    assert found.typical == pytest.approx(45.0, abs=0.5)
    assert found.low < 45.0 < found.high


def test_a_gain_known_better_moves_the_peak_less_uncertainly() -> None:
    widths = []
    for sd in (0.1, 0.4):
        found = curves.peak_shift(FINE, BASE, KNOTS, gain_over_knots([2.0] * 25, sd=sd), NEAR)
        widths.append(found.high - found.low)
    assert 0.0 < widths[0] < widths[1]


def test_how_far_the_peak_moves_is_as_sure_as_the_slope_of_the_gain() -> None:
    """ln power has slope -2 (n - 5200) / 3000^2; a gain of z s (n - 2000), z standard normal, moves its zero by
    z s 3000^2 / 2: with s = 1e-6 an rpm by 4.5 z rpm, nine times in ten by no more than 1.645 of them."""
    sd = 1e-6 * (KNOTS - 2000.0) + 1e-9
    sloping = replace(gain_over_knots([0.0] * 25), variance=sd**2, cell=gain(0.0, sd=0.1, prior_sd=1000.0))
    found = curves.peak_shift(FINE, BASE, KNOTS, sloping, ALIKE)
    assert found.high == pytest.approx(1.645 * 4.5, rel=0.05)
    assert found.low == pytest.approx(-1.645 * 4.5, rel=0.05)


def test_a_noisier_knot_has_a_wider_band() -> None:
    columns = gain_over_knots([2.0] * 25)
    noisier = replace(columns, variance=columns.variance * np.where(np.arange(25) == 3, 4.0, 1.0))
    found = curves.curve(KNOTS, noisier, NEAR, FIT)
    width = found.high - found.low
    assert width[3] > 1.8 * width[4]


def test_where_a_noisier_measure_gains_nothing_cars_differ_by_its_floor_whatever_they_gain() -> None:
    """Four times the variance: twice the floor, and nothing that would grow with the gain."""
    floor = FIT.spreads.car_floor**2
    noisy = replace(
        gain_over_knots([0.0, 0.0]), scale=np.full(2, 4.0), car_spread_variance=np.full(2, 4.0 * floor)
    )
    assert gains.car_variance(noisy, FIT, np.zeros(2)) == pytest.approx(4.0 * floor)
    assert gains.car_variance(noisy, FIT, np.full(2, 0.05)) == pytest.approx(4.0 * floor)


def test_the_mean_over_one_knot_is_that_knots_own_interval() -> None:
    many = gain_over_knots([1.0, -2.0, 5.0])
    low, high = gains.typical_bounds(many, 0.9)
    found = curves.mean_over(many, np.eye(3), np.array([False, True, False]), 0.9)
    assert (found.low, found.typical, found.high) == pytest.approx((low[1], -0.02, high[1]))


def test_the_mean_over_knots_that_err_alike_is_no_surer_than_one_and_over_others_surer() -> None:
    """Four equal knots: all erring together, the half-width stays; independently, it is half (1 over root 4)."""
    many = gain_over_knots([2.0] * 4)
    low, high = gains.typical_bounds(many, 0.9)
    every = np.ones(4, dtype=bool)
    together = curves.mean_over(many, np.ones((4, 4)), every, 0.9)
    apart = curves.mean_over(many, np.eye(4), every, 0.9)
    assert (together.low, together.high) == pytest.approx((low[0], high[0]))
    # not to the last digit: the shape leans less where the error is smaller (service/stats/history/shape.py)
    assert apart.high - apart.low == pytest.approx((high[0] - low[0]) / 2, rel=0.02)
    assert together.typical == apart.typical == pytest.approx(0.02)
