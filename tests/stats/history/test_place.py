"""Where a stock car lies among its kind."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as reference

from service.stats.history import place
from service.stats.spread import wilson

levels = st.floats(-0.15, 0.15)
errors = st.floats(1e-4, 0.05)


def test_a_car_known_exactly_stands_at_its_normal_percentile() -> None:
    found = place.place(0.025, 0.0, 0.025)
    assert found.percentile == pytest.approx(100 * reference.norm.cdf(1.0))
    assert found.interval == pytest.approx((found.percentile, found.percentile))
    assert found.group == "clearly above"


def test_a_reading_far_out_is_partly_noise() -> None:
    # error as large as the spread: half of 5 %, and half the variance left
    found = place.place(0.05, 0.025**2, 0.025)
    assert found.level == pytest.approx(0.025)
    assert found.percentile == pytest.approx(
        100 * reference.norm.cdf(0.025 / math.hypot(0.025, 0.025 / 2**0.5))
    )
    low, high = (0.025 + z * 0.025 / 2**0.5 for z in (-2.0150, 2.0150))  # t, 5 degrees of freedom
    expected = 100 * reference.norm.cdf(np.array([low, high]) / 0.025)
    assert found.interval == pytest.approx(expected, abs=0.01)


def test_one_session_cannot_place_a_car_within_forty_points() -> None:
    # a good bay: strap-down .35 %, setup .45 %, three pulls of .5 %, platform's level .3 %; cars 2 %
    error = 0.0035**2 + 0.0045**2 + 0.005**2 / 3 + 0.003**2
    low, high = place.place(0.0, error, 0.02).interval
    assert high - low > 40


@given(own=levels, error=errors, level=st.sampled_from([0.5, 0.9, 0.99]))
def test_a_percentile_lies_in_its_interval_and_a_higher_level_is_wider(
    own: float, error: float, level: float
) -> None:
    found, narrow = place.place(own, error**2, 0.025, level), place.place(own, error**2, 0.025, level / 2)
    assert 0.0 <= found.interval[0] <= narrow.interval[0] <= narrow.interval[1] <= found.interval[1] <= 100.0
    assert found.interval[0] - 1e-9 <= found.percentile <= found.interval[1] + 1e-9 or level < 0.9


@given(own=levels, error=errors)
def test_a_car_as_far_below_stands_as_far_from_the_other_end(own: float, error: float) -> None:
    above, below = place.place(own, error**2, 0.025), place.place(-own, error**2, 0.025)
    assert above.percentile == pytest.approx(100 - below.percentile)
    assert above.chance_above == pytest.approx(1 - below.chance_above)


def test_percentiles_hold_their_intervals_as_often_as_they_say_and_beat_the_raw_ones() -> None:
    random = np.random.default_rng(6)
    # readings with the tails of t at 5 degrees of freedom, sd 1.2 %
    true, error = 0.025 * random.standard_normal(4000), 0.012
    own = true + error * 0.6**0.5 * random.standard_t(5, 4000)
    placed = [place.place(float(one), error**2, 0.025) for one in own]
    truth = 100 * reference.norm.cdf(true / 0.025)
    inside = np.mean([one.interval[0] <= t <= one.interval[1] for one, t in zip(placed, truth, strict=True)])
    assert 0.9 <= inside <= 0.96
    raw = 100 * reference.norm.cdf(own / own.std())
    ours = np.array([one.percentile for one in placed])
    assert np.mean((ours - truth) ** 2) < 0.97 * np.mean((raw - truth) ** 2)


def test_a_car_that_cannot_be_placed_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="own, variance, spread: nan"):
        place.place(math.nan, 0.01, 0.02)


def test_a_platforms_spread_without_cars_is_the_shops() -> None:
    assert place.platform_spread([], [], 0.03) == pytest.approx(0.03)
    assert place.platform_spread([np.nan], [np.inf], 0.03) == pytest.approx(0.03)


def test_a_platforms_spread_with_many_cars_is_its_own_with_few_it_is_near_the_shops() -> None:
    random = np.random.default_rng(8)
    own = 0.05 * random.standard_normal(2000) + 0.01 * random.standard_normal(2000)
    many = place.platform_spread(own, np.full(2000, 0.01**2), 0.02)
    assert many == pytest.approx(0.05, rel=0.05)
    few = place.platform_spread(own[:2], np.full(2, 0.01**2), 0.02)
    assert 0.015 < few < 0.04


def test_exactly_known_cars_are_averaged_with_eight_pseudo_cars() -> None:
    # (8 x 4 + 1^2 + 1^2) / 10 = 3.4, squares in percent; both counted by their chance of being good, about 0.99
    assert 100 * place.platform_spread([0.01, -0.01], [0.0, 0.0], 0.02) == pytest.approx(
        math.sqrt(3.4), abs=0.01
    )


def test_cars_with_something_wrong_do_not_widen_the_spread_of_the_good() -> None:
    random = np.random.default_rng(9)
    own = 0.025 * random.standard_normal(400)
    own[:24] += np.where(np.arange(24) % 2, 0.12, -0.12)  # 6 % of the cars
    assert own.std() > 0.036
    assert place.platform_spread(own, np.full(400, 1e-6), 0.03) == pytest.approx(0.025, rel=0.1)
    assert place.shop_spread(own, np.full(400, 1e-6), 0.05) == pytest.approx(0.025, rel=0.1)


def test_cars_that_read_all_alike_do_not_make_the_spread_nought() -> None:
    assert place.platform_spread(np.zeros(500), np.full(500, 0.01**2), 0.02) > 0.001


def test_cars_divide_about_the_average_by_what_each_is_likelier() -> None:
    placed = [place.place(own, 0.01**2, 0.025) for own in (0.08, 0.06, 0.002, -0.003, -0.07)]
    found = place.sides(placed)
    assert found is not None
    assert (found.above.share, found.below.share) == (pytest.approx(3 / 5), pytest.approx(2 / 5))
    assert (found.above.low, found.above.high) == wilson(3, 5)
    assert found.groups == (2, 1, 2)
    assert place.sides([]) is None


def test_a_car_just_on_the_average_counts_half_on_either_side() -> None:
    found = place.sides([place.place(0.0, 0.01**2, 0.025)])
    assert found is not None
    assert (found.above.share, found.below.share) == (0.5, 0.5)
