"""A setup's value: heat taken out, a best brought down to the mean, and the spread of one pull."""

import numpy as np
import pytest
from scipy.stats import chi2, norm

from service.domain.history import BEST_OF_UNKNOWN
from service.stats.history.values import PullNoise, pull_noise, setup_values
from tests.stats.history.made import LEVEL, NATURAL, Setup, catalogue, history

NOISE = PullNoise(spread=0.005, heat={"turbo": -0.002, "natural": 0.0})


def test_a_mean_of_three_stands_at_the_first_pull() -> None:
    values = setup_values(history(Setup(1, slope=-0.002)), catalogue(), NOISE)
    assert values.value[0] == pytest.approx(LEVEL + 0.002 * 1.0)  # the mean of pulls 0, 1, 2 lies one pull in
    assert values.noise[0] == pytest.approx(0.005**2 / 3)
    assert not values.heat_soaked[0]


def test_the_best_of_four_is_brought_down_by_order_statistics() -> None:
    values = setup_values(history(Setup(1, best_of=4, platform=NATURAL)), catalogue(), NOISE)
    # Teichroew (1956): the largest of four normal values averages 1.0294, with variance 0.4917
    assert values.value[0] == pytest.approx(LEVEL - 1.0294 * 0.005, abs=1e-6)
    assert values.noise[0] == pytest.approx(0.4917 * 0.005**2, rel=1e-4)


def test_a_best_of_nobody_knows_how_many_is_taken_as_of_three_and_trusted_less() -> None:
    values = setup_values(history(Setup(1, best_of=BEST_OF_UNKNOWN, platform=NATURAL)), catalogue(), NOISE)
    assert values.value[0] == pytest.approx(LEVEL - 0.8463 * 0.005, abs=1e-6)
    assert values.noise[0] == pytest.approx((0.5595 + 0.12) * 0.005**2, rel=1e-3)


def test_a_heat_soaked_setup_is_taken_at_its_own_first_pull() -> None:
    # the slope of three pulls has a standard error of 0.005 / sqrt(2); -0.015 lies 3.7 of them below -0.002
    values = setup_values(history(Setup(1, slope=-0.015)), catalogue(), NOISE)
    assert values.heat_soaked[0]
    assert values.value[0] == pytest.approx(LEVEL + 0.015)
    assert values.noise[0] == pytest.approx(
        0.005**2 * (1 / 3 + 1 / 2)
    )  # a line's variance one pull off its middle


def test_a_slope_within_three_standard_errors_is_no_heat_soak() -> None:
    assert not setup_values(history(Setup(1, slope=-0.0125)), catalogue(), NOISE).heat_soaked[0]


def test_the_heat_trend_is_the_median_slope_drawn_to_nothing_where_few() -> None:
    slopes = (-0.001, -0.002, -0.003, -0.002, -0.09)
    noise = pull_noise(history(*(Setup(i, slope=s) for i, s in enumerate(slopes, 1))), catalogue())
    assert noise.heat == {"turbo": pytest.approx(-0.002 * 5 / (5 + 5))}


@pytest.mark.parametrize("faulty", [0.0, 0.05])
def test_the_spread_of_a_pull_is_found_whether_or_not_some_setups_are_wild(faulty: float) -> None:
    rng = np.random.default_rng(3)
    sds = [0.006 * np.sqrt(chi2.rvs(1, random_state=rng)) for _ in range(3000)]
    rows = [Setup(i, spread=0.03 if rng.random() < faulty else sd) for i, sd in enumerate(sds, 1)]
    found = pull_noise(history(*rows), catalogue()).spread
    assert found == pytest.approx(0.006, rel=0.15 if faulty else 0.03)


def test_trimming_a_normal_shop_takes_nothing_from_its_spread() -> None:
    rng = np.random.default_rng(5)
    pulls = norm.rvs(scale=0.006, size=(4000, 2), random_state=rng)
    rows = [Setup(i, pulls=2, spread=float(np.std(two, ddof=1))) for i, two in enumerate(pulls, 1)]
    assert pull_noise(history(*rows), catalogue()).spread == pytest.approx(0.006, rel=0.03)


def test_without_repeated_pulls_the_spread_is_that_of_a_good_bay() -> None:
    rows = history(Setup(1, pulls=1), Setup(2, best_of=3))
    assert pull_noise(rows, catalogue()).spread == pytest.approx(0.005)
