"""From a cell to what is said of it: intervals, chances, grades."""

import math
from dataclasses import astuple, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate
from scipy import stats as reference

from service.stats.history import gains, shape
from service.stats.history.cells import Cell, side_by_side
from tests.stats.history.gain_cases import FIT, gain

SURE = 1e-4
"""Prior share at which the t quantile is the normal one to four digits."""
percents = st.floats(-8.0, 12.0)
sds = st.floats(0.05, 6.0)


def known(percent: float, sd: float) -> Cell:
    """A gain whose spreads are as good as known."""
    return gain(percent, sd=sd, prior_sd=sd / math.sqrt(SURE))


# The shape


@given(mean=percents, sd=sds)
def test_the_shape_has_the_mean_and_the_standard_deviation_it_was_given(mean: float, sd: float) -> None:
    z = np.linspace(-9, 9, 4001)
    weights = np.exp(-z * z / 2) / np.exp(-z * z / 2).sum()
    x = shape.quantile(mean, sd, z)
    assert weights @ x == pytest.approx(mean, abs=1e-6 * sd)
    assert weights @ (x - mean) ** 2 == pytest.approx(sd**2, rel=1e-3)


@given(mean=percents, sd=sds, z=st.floats(-4.0, 4.0))
def test_chances_and_quantiles_are_each_others_inverse(mean: float, sd: float, z: float) -> None:
    value = shape.quantile(mean, sd, z)
    assert shape.chance_below(mean, sd, value) == pytest.approx(reference.norm.cdf(z), abs=1e-6)


def test_a_gain_many_errors_large_is_log_normal_and_one_of_nought_is_normal() -> None:
    # relative spread 0.1: sigma^2 = ln(1.01); c itself is 0.1 / 1.01
    sigma = math.sqrt(math.log1p(0.01))
    expected = reference.lognorm.ppf([0.05, 0.5, 0.95], sigma, scale=5.0 / math.sqrt(1.01))
    assert shape.quantile(5.0, 0.5, np.array([-1.6449, 0.0, 1.6449])) == pytest.approx(expected, rel=5e-4)
    assert shape.quantile(0.0, 2.0, 1.5) == pytest.approx(3.0, rel=1e-6)


@given(mean=percents, sd=sds, z=st.floats(-4.0, 4.0))
def test_a_loss_is_believed_like_a_gain_in_a_mirror(mean: float, sd: float, z: float) -> None:
    assert shape.quantile(-mean, sd, -z) == pytest.approx(-shape.quantile(mean, sd, z), abs=1e-9)


@given(mean=st.floats(0.0, 5.0), step=st.floats(1e-7, 1e-6))
def test_answers_never_jump(mean: float, step: float) -> None:
    there, beside = (shape.quantile(m, 1.0, np.array([-1.645, 1.645])) for m in (mean, mean + step))
    assert np.abs(beside - there).max() < 10 * step + 1e-9


def test_what_is_known_exactly_is_certain() -> None:
    assert shape.chance_below(1.0, 0.0, [0.5, 1.0, 1.5]).tolist() == [0.0, 0.5, 1.0]
    assert shape.quantile(1.0, 0.0, 2.0) == 1.0


# Intervals


def test_an_interval_is_as_wide_as_students_t_with_8_over_rho_degrees_of_freedom() -> None:
    found = gains.typical_interval(gain(0.0, sd=1.0, prior_sd=2.0))
    # rho = 1/4: 32 degrees of freedom, t = 1.694
    assert found.high == pytest.approx(0.01 * reference.t.ppf(0.95, 32), rel=1e-9)
    assert found.low == pytest.approx(-found.high, rel=1e-9)


def test_where_the_history_said_nothing_eight_degrees_of_freedom_are_left() -> None:
    found = gains.typical_interval(gain(0.0, sd=2.0, prior_sd=2.0))
    assert found.high == pytest.approx(0.02 * reference.t.ppf(0.95, 8), rel=1e-9)


def test_a_variance_of_nought_and_no_prior_variance_give_a_point() -> None:
    sure = replace(gain(2.0), variance=0.0, prior_variance=0.0, elsewhere_variance=0.0)
    found = gains.typical_interval(sure)
    assert (found.low, found.typical, found.high) == (0.02, 0.02, 0.02)
    assert gains.borrowed_share(sure) == 1.0


@given(percent=percents, sd=sds, prior=st.floats(0.05, 10.0), level=st.sampled_from([0.8, 0.9, 0.99]))
def test_intervals_hold_each_other(percent: float, sd: float, prior: float, level: float) -> None:
    found = gains.answer(gain(percent, sd=sd, prior_sd=prior), FIT, level)
    typical, slack = found.typical, 1e-9
    assert typical.low <= typical.typical <= typical.high
    assert found.next_car[0] <= typical.low + slack
    assert found.next_car[1] >= typical.high - slack
    assert found.as_measured[0] <= found.next_car[0] + slack
    assert found.as_measured[1] >= found.next_car[1] - slack
    assert 0.0 <= found.chance_of_gain <= 1.0


@given(percent=percents, sd=sds)
def test_a_higher_level_is_a_wider_interval(percent: float, sd: float) -> None:
    narrow, wide = (gains.answer(gain(percent, sd=sd), FIT, level) for level in (0.8, 0.95))
    assert wide.typical.low <= narrow.typical.low
    assert wide.typical.high >= narrow.typical.high
    assert wide.next_car[0] <= narrow.next_car[0]
    assert wide.next_car[1] >= narrow.next_car[1]


def test_a_car_differs_by_a_share_of_the_gain_above_a_floor() -> None:
    # typical gain as good as known: 4 % +- sqrt(0.8^2 + 0.4^2) %
    low, high = gains.next_car_intervals(known(4.0, 0.001), FIT)
    half = 1.6449 * math.hypot(0.8, 0.4)
    assert (100 * low, 100 * high) == (
        pytest.approx(4.0 - half, abs=1e-3),
        pytest.approx(4.0 + half, abs=1e-3),
    )


def test_a_measured_gain_differs_by_the_noise_of_both_setups_too() -> None:
    found = gains.answer(known(0.0, 0.001), FIT, before=3, after=2, may_lose=True)
    # 2 x 0.45^2 + 0.5^2 (1/3 + 1/2) on top of 0.4^2
    half = 1.6449 * math.sqrt(0.16 + 0.405 + 0.25 * 5 / 6)
    assert 100 * found.as_measured[1] == pytest.approx(half, abs=1e-3)
    assert gains.measured_variance(FIT, 3, 2, same_session=False) == pytest.approx(
        gains.measured_variance(FIT, 3, 2) + 2 * 0.0035**2
    )


def test_the_smallest_change_one_test_can_see_is_2_8_times_the_noise_of_a_setup() -> None:
    # 1.96 sqrt(2) sqrt(0.45^2 + 0.5^2 / 3)
    assert 100 * gains.answer(gain(), FIT).smallest == pytest.approx(
        2.772 * math.sqrt(0.2025 + 0.25 / 3), abs=1e-3
    )


@given(
    found=st.lists(st.tuples(percents, sds), max_size=6), level=st.floats(0.5, 0.99), may_lose=st.booleans()
)
@settings(deadline=None)
def test_of_gains_side_by_side_the_same_is_said_as_of_each_by_itself(
    found: list[tuple[float, float]], level: float, may_lose: bool
) -> None:
    cells = [gain(percent, sd=sd) for percent, sd in found]
    together = side_by_side(cells)
    ranges = gains.ranges_of(together, FIT, level)
    chances = gains.chances_of_gain(together, FIT, may_lose)
    for one, (typical, next_car), chance in zip(cells, ranges, chances, strict=True):
        alone = gains.answer(one, FIT, level, may_lose=may_lose)
        assert astuple(typical) == pytest.approx(astuple(alone.typical), rel=1e-12)
        assert next_car == pytest.approx(alone.next_car, abs=1e-8)
        assert chance == pytest.approx(alone.chance_of_gain, abs=1e-12)


# Chances


@pytest.mark.parametrize(("percent", "sd"), [(3.0, 0.3), (1.0, 1.0), (0.5, 2.0), (-1.0, 0.5), (6.0, 5.0)])
@pytest.mark.parametrize("least", [0.0, 2.0])
@pytest.mark.parametrize("may_lose", [False, True])
def test_chances_are_the_integral_over_what_is_believed_of_the_typical_gain(
    percent: float, sd: float, least: float, may_lose: bool
) -> None:
    one = gain(percent, sd=sd)
    weight = 1.0 if may_lose else shape.LOSS_WEIGHT
    wide = float(gains.widened_sd(one, 0.9))

    def at(z: float) -> float:
        typical = float(shape.quantile(one.mean, wide, z, weight))
        between = math.sqrt(float(gains.car_variance(one, FIT, np.asarray(typical))))
        return float(reference.norm.pdf(z) * reference.norm.sf((least / 100 - typical) / between))

    expected = integrate.quad(at, -8, 8, limit=400)[0]
    found = gains.chance_of_at_least(one, FIT, least / 100, may_lose=may_lose)
    assert found == pytest.approx(
        expected, abs=1e-6 if may_lose else 5e-4
    )  # the weight breaks the curve at nought


def test_the_spread_between_cars_is_the_cells_own_over_what_is_believed() -> None:
    one = gain(2.0, sd=1.0)
    z = np.linspace(-9, 9, 4001)
    weights = np.exp(-z * z / 2) / np.exp(-z * z / 2).sum()
    at = shape.quantile(one.mean, math.sqrt(one.variance), z)
    assert weights @ gains.car_variance(one, FIT, at) == pytest.approx(one.car_spread_variance, rel=1e-3)


@given(percent=percents, sd=sds, least=st.floats(-5.0, 10.0), more=st.floats(0.0, 3.0))
def test_more_is_never_likelier(percent: float, sd: float, least: float, more: float) -> None:
    one = gain(percent, sd=sd)
    there = gains.chance_of_at_least(one, FIT, least / 100)
    assert gains.chance_of_at_least(one, FIT, (least + more) / 100) <= there + 1e-12


@given(percent=percents, sd=sds)
def test_one_in_twenty_lies_on_either_side_of_the_next_cars_interval(percent: float, sd: float) -> None:
    one = gain(percent, sd=sd)
    low, high = gains.next_car_intervals(one, FIT)
    # a hair more between them where the interval is held to the typical gain's
    assert 0.95 - 1e-6 <= gains.chance_of_at_least(one, FIT, float(low), may_lose=True) <= 0.952
    assert 0.044 <= gains.chance_of_at_least(one, FIT, float(high), may_lose=True) <= 0.05 + 1e-6


def test_a_gain_known_to_half_itself_hardly_ever_is_a_loss_and_one_known_to_itself_may_be() -> None:
    half, whole = (gains.answer(known(4.0, sd), FIT) for sd in (2.0, 4.0))
    assert half.chance_typical_gain > 0.995  # symmetric: 0.977
    assert 0.95 < whole.chance_typical_gain < 0.99  # symmetric: 0.841


def test_a_loss_counts_a_quarter_of_what_it_would_if_nothing_were_known_of_signs() -> None:
    one = known(1.0, 1.0)
    blind, knowing = (gains.answer(one, FIT, may_lose=each).chance_typical_gain for each in (True, False))
    assert (1 - knowing) / knowing == pytest.approx((1 - blind) / blind / 4)


@given(mean=percents, sd=sds, z=st.floats(-4.0, 4.0))
def test_with_the_weight_chances_and_quantiles_stay_each_others_inverse(
    mean: float, sd: float, z: float
) -> None:
    value = shape.quantile(mean, sd, z, 0.25)
    assert shape.chance_below(mean, sd, value, 0.25) == pytest.approx(reference.norm.cdf(z), abs=1e-6)


@given(mean=st.floats(-5.0, 5.0), step=st.floats(1e-7, 1e-6))
def test_with_the_weight_answers_do_not_jump_either(mean: float, step: float) -> None:
    there, beside = (shape.quantile(m, 1.0, np.array([-1.645, 1.645]), 0.25) for m in (mean, mean + step))
    assert np.abs(beside - there).max() < 20 * step + 1e-9


def test_a_gain_that_is_clear_is_not_changed_by_what_is_known_of_signs() -> None:
    one = gain(6.0, sd=0.5)
    blind, knowing = (gains.answer(one, FIT, may_lose=each) for each in (True, False))
    assert knowing.chance_of_gain == pytest.approx(blind.chance_of_gain, abs=1e-7)


def test_no_interval_knows_that_parts_are_made_to_gain() -> None:
    """What establishes a gain is what was measured: an interval that includes nought is not lifted off it."""
    one = gain(1.0, sd=1.0)
    blind, knowing = (gains.answer(one, FIT, may_lose=each) for each in (True, False))
    assert knowing.typical == blind.typical
    assert knowing.next_car == blind.next_car
    assert not knowing.typical.established
    assert knowing.chance_typical_gain > blind.chance_typical_gain


def test_a_part_that_clearly_loses_is_still_said_to() -> None:
    found = gains.answer(known(-3.0, 0.5), FIT)
    assert found.typical.established
    assert found.typical.high < 0.0
    assert found.chance_typical_gain < 0.01


# Grades and comparisons


@pytest.mark.parametrize(
    ("cars", "like", "pairs", "grade"),
    [
        (1, 1, 1, "thin"), (3, 0, 3, "thin"), (4, 4, 4, "fair"), (7, 4, 8, "fair"), (8, 8, 9, "strong"),
        (4, 1, 4, "thin"), (8, 3, 8, "fair"), (30, 0, 0, "strong"),
    ],
)  # fmt: skip
def test_a_grade_goes_by_cars_and_falls_where_most_pairs_are_not_like_for_like(
    cars: int, like: int, pairs: int, grade: str
) -> None:
    assert gains.grade_of(gain(cars=cars), like, pairs) == grade


@pytest.mark.parametrize(
    ("cars_with", "cars_elsewhere", "sd", "grade"),
    [
        (0, 0, 2.0, "none"),  # never measured
        (0, 4, 2.0, "borrowed"),
        (3, 4, 1.9, "borrowed"),  # 3 cars here had it with other changes, and said next to nothing
        (3, 4, 1.0, "thin"),  # they took three quarters of the variance away
        (2, 0, 1.9, "borrowed"),
    ],
)
def test_without_a_car_measured_with_and_without_a_grade_says_where_the_answer_is_from(
    cars_with: int, cars_elsewhere: int, sd: float, grade: str
) -> None:
    one = gain(sd=sd, elsewhere_sd=2.0, cars=0, cars_with=cars_with, cars_elsewhere=cars_elsewhere)
    assert gains.grade_of(one, 0, 0) == grade


def test_the_borrowed_share_is_what_was_known_elsewhere_of_what_is_known_now() -> None:
    # precisions 1/4 elsewhere, 1/1 now
    assert gains.borrowed_share(gain(sd=1.0, elsewhere_sd=2.0)) == 0.25
    assert gains.borrowed_share(gain(sd=2.0, elsewhere_sd=2.0)) == 1.0


def test_two_answers_disagree_beyond_1_96_errors_of_their_difference() -> None:
    # errors 0.3 and 0.4 %: 0.5 % of the difference, 0.98 % allowed
    assert not gains.disagrees(0.03, 0.003**2, 0.0397, 0.004**2)
    assert gains.disagrees(0.03, 0.003**2, 0.0399, 0.004**2)


def test_parts_together_are_only_said_to_differ_from_their_sum_by_five_cars() -> None:
    assert gains.interaction_shown(-0.01, 0.004**2, cars=4) is None
    shown = gains.interaction_shown(-0.01, 0.004**2, cars=5)
    assert shown is not None
    assert shown.established
    assert shown.high == pytest.approx(-0.01 + 1.6449 * 0.004, abs=1e-6)
