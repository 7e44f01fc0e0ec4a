"""Cars, gains and setups that lie apart from the history, and pulls within a setup."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

from service.stats.history import outliers
from service.stats.history.cells import CarEffects, CarGains, SetupResiduals


def cars(own: np.ndarray, platform: np.ndarray | None = None, nominal: float = 0.025**2) -> CarEffects:
    """Cars with these levels against their platform's, each known to 1 %."""
    n = len(own)
    return CarEffects(
        vehicle_id=np.arange(n) + 100,
        platform_id=np.ones(n, dtype=np.int64) if platform is None else platform,
        own=own,
        own_variance=np.where(np.isfinite(own), 0.01**2, np.inf),
        nominal_variance=nominal,
    )


def ordinary(n: int, seed: int | None = None) -> np.ndarray:
    """Levels of ordinary cars, readings included: normal scores, or random ones."""
    z = ndtri((np.arange(n) + 0.5) / n) if seed is None else np.random.default_rng(seed).standard_normal(n)
    return z * np.hypot(0.025, 0.01)


def setups(residual: list[float], vehicle: list[int]) -> SetupResiduals:
    """Setups with these residuals, each expected within 0.6 %."""
    n = len(residual)
    ids = np.arange(n)
    return SetupResiduals(
        setup_id=ids + 1000,
        vehicle_id=np.array(vehicle),
        platform_id=np.ones(n, dtype=np.int64),
        bay_id=np.full(n, 7),
        at=ids.astype(np.float64),
        residual=np.array(residual),
        variance=np.full(n, 0.006**2),
        weight=np.ones(n),
        heat_soaked=np.zeros(n, dtype=np.bool_),
    )


def test_a_tired_car_is_found_among_ordinary_ones_with_its_score() -> None:
    own = ordinary(60)
    own[17] = -0.12
    found = outliers.odd_cars(cars(own))
    assert [(one.vehicle_id, one.kind) for one in found] == [(117, "car")]
    assert found[0].deviation_percent == pytest.approx(100 * np.expm1(-0.12))
    # -0.12 over sqrt(0.025^2 + 0.01^2) = -4.46, before the scores' own spread
    assert found[0].score == pytest.approx(-4.46, abs=0.7)


def test_many_outliers_do_not_hide_each_other() -> None:
    own = ordinary(60)
    own[:6] = -0.15
    assert {one.vehicle_id for one in outliers.odd_cars(cars(own))} == set(range(100, 106))


def test_among_ordinary_cars_hardly_ever_one_is_called_odd() -> None:
    shops = [outliers.odd_cars(cars(ordinary(80, seed))) for seed in range(200)]
    assert sum(bool(found) for found in shops) <= 20  # 5 % of 200 is 10; three standard deviations more


def test_a_spread_that_was_estimated_too_small_does_not_cry_wolf() -> None:
    calls = [outliers.odd_cars(cars(ordinary(200, seed), nominal=0.01**2)) for seed in range(40)]
    assert sum(map(len, calls)) <= 8  # unscaled scores would call one car in ten


def test_beside_fewer_than_eight_cars_there_is_no_verdict() -> None:
    own, platform = ordinary(60), np.ones(60, dtype=np.int64)
    platform[:7], own[3] = 2, -0.3
    assert outliers.odd_cars(cars(own, platform)) == []
    platform[7] = 2
    assert [one.vehicle_id for one in outliers.odd_cars(cars(own, platform))] == [103]


def test_a_car_whose_level_cannot_be_had_is_not_judged() -> None:
    own = ordinary(30)
    own[4] = np.nan
    assert all(one.vehicle_id != 104 for one in outliers.odd_cars(cars(own)))
    assert outliers.odd_cars(cars(np.full(12, np.nan))) == []
    assert outliers.odd_cars(cars(np.empty(0))) == []


def test_a_car_whose_level_cannot_be_had_is_no_peer_of_the_others() -> None:
    """Eight on its platform, seven of them known."""
    own, platform = ordinary(60), np.ones(60, dtype=np.int64)
    platform[:8], own[3], own[5] = 2, -0.3, np.nan
    assert outliers.odd_cars(cars(own, platform)) == []


def test_the_few_cars_of_a_platform_are_scored_by_the_spread_of_the_shop() -> None:
    """Cars of the shop lie twice as far apart as was expected: a car of a platform of eight that is four expected
    spreads off is two of the shop's off, but for the weight of what was expected."""
    own, platform = 2.0 * ordinary(408), np.ones(408, dtype=np.int64)
    nearly_equal = 0.01 * np.hypot(0.025, 0.01) * np.arange(8)
    own[:8], platform[:8] = nearly_equal, 2
    own[3] = 4.0 * np.hypot(0.025, 0.01)
    found = outliers.car_scores(cars(own, platform))
    # eight scores of hardly any spread beside twenty of the shop's: sqrt(20 / 28) of it
    assert found.score[3] == pytest.approx(4.0 / (2.0 * np.sqrt(20 / 28)), rel=0.1)


@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.floats(0.005, 0.1), st.sampled_from([0.05, 0.5]))
@settings(max_examples=60, deadline=None)
def test_what_a_platform_alone_says_cannot_be_odd_is_not_odd_among_all(
    seed: int, kinds: int, apart: float, rate: float
) -> None:
    rng = np.random.default_rng(seed)
    platform = rng.integers(1, kinds + 1, size=20 * kinds)
    every = cars(rng.standard_t(3, len(platform)) * apart, platform)
    odd = {one.vehicle_id for one in outliers.odd_cars(every, rate)}
    for kind in range(1, kinds + 1):
        own = np.flatnonzero(platform == kind)
        alone = replace(
            every,
            vehicle_id=every.vehicle_id[own],
            platform_id=platform[own],
            own=every.own[own],
            own_variance=every.own_variance[own],
        )
        assert odd & set(alone.vehicle_id.tolist()) <= set(
            alone.vehicle_id[outliers.may_be_odd(alone, rate)].tolist()
        )


def test_of_a_large_platform_few_cars_have_to_be_looked_for_among_all() -> None:
    assert (
        outliers.may_be_odd(cars(ordinary(200))).mean() < 0.08
    )  # 5 % lie beyond 1.96; drawn towards nought, 1.87


def test_a_car_that_gained_far_less_from_a_part_is_found() -> None:
    n = 40
    own = np.random.default_rng(4).standard_normal(n) * 0.01
    own[9] = -0.07
    parts = np.repeat([1, 2], n // 2)
    gains = CarGains(np.arange(n), parts, own, np.full(n, 0.006**2), np.full(n, 0.008**2))
    found = outliers.odd_gains(gains)
    assert [(one.vehicle_id, one.part_id, one.kind) for one in found] == [(9, 1, "gain")]


def test_of_two_setups_that_contradict_each_other_only_the_further_one_is_named() -> None:
    residual = [0.005 * (-1) ** i for i in range(40)]
    residual[10], residual[11] = 0.07, -0.06
    found = outliers.odd_setups(setups(residual, vehicle=[i // 2 for i in range(40)]))
    assert [(one.setup_id, one.bay_id, one.kind) for one in found] == [(1010, 7, "pull")]


def test_a_cars_only_setup_is_the_car_and_not_judged_apart_from_it() -> None:
    residual = [0.001 * (-1) ** i for i in range(21)]
    residual[20] = 0.2
    assert outliers.odd_setups(setups(residual, vehicle=[i // 2 for i in range(21)])) == []


def test_the_most_surprising_comes_first() -> None:
    own = ordinary(60)
    own[:3] = [-0.14, 0.2, -0.17]
    assert [one.vehicle_id for one in outliers.odd_cars(cars(own))] == [101, 102, 100]


def test_a_pull_far_from_its_fellows_is_found_and_two_are() -> None:
    logs = np.log([150.1, 149.9, 150.2, 149.8, 150.0, 141.0])
    assert outliers.pulls_apart(logs, 0.005) == (5,)
    two = np.log([150.1, 149.9, 150.2, 149.8, 150.0, 150.1, 141.0, 141.5])
    assert set(outliers.pulls_apart(two, 0.005)) == {6, 7}


def test_pulls_that_are_nearly_equal_hold_no_odd_one_however_alike_the_others_are() -> None:
    assert outliers.pulls_apart(np.log([150.0, 150.0, 150.0, 150.0, 150.0, 150.4]), 0.005) == ()


def test_of_four_pulls_none_is_told_apart() -> None:
    assert outliers.pulls_apart(np.log([150.0, 150.1, 150.0, 120.0]), 0.005) == ()


def test_setups_of_many_pulls_are_passed_over_only_where_none_lies_apart() -> None:
    random = np.random.default_rng(3)
    setups = np.log(150.0) + random.normal(scale=0.005, size=(500, 6))
    setups[::10, 2] += 0.06
    found = [bool(outliers.pulls_apart(values, 0.005)) for values in setups]
    may = outliers.may_have_pulls_apart(setups)
    assert sum(found) >= 45  # nearly all of the fifty
    assert all(may[i] for i in np.flatnonzero(found))
    assert may.sum() < 100
    assert outliers.may_have_pulls_apart(setups[:, :4]).tolist() == [False] * 500
