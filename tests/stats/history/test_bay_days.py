"""Is it the car or the bay today: the median of a day's cars, and the limit that so many allow."""

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from service.stats.history.bay_days import (
    DAY_ERRORS,
    VAGUE,
    bay_day,
    car_columns,
    days_of,
    estimated,
    median_error,
    median_variance,
)


def day(deviations: list[float], sds: list[float], seen: list[bool] | None = None):
    n = len(deviations)
    return bay_day(
        20000,
        np.arange(1, n + 1),
        np.array(deviations),
        np.diag(np.square(sds)),
        np.array(seen or [False] * n),
    )


@pytest.mark.parametrize(
    ("cars", "sd", "percent"),
    [(3, 2.7, 4.7), (8, 2.7, 2.9)],
)
def test_the_limits_are_those_of_the_trade_table(cars, sd, percent):
    """2.6 errors of the median: 4.7 % for 3 cars, 2.9 % for 8 at 2.7 % between cars (hand: 2.6 x 0.6698 x 2.7)."""
    found = day([0.0] * cars, [sd / 100] * cars)
    assert 100 * found.limit == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize("n", [3, 5, 11, 19])
def test_the_variance_of_a_median_of_an_odd_number_is_its_integral(n):
    half = n // 2
    scale = math.exp(special.gammaln(n + 1) - 2 * special.gammaln(half + 1))

    def at(x: float) -> float:
        return x * x * scale * (special.ndtr(x) * special.ndtr(-x)) ** half * stats.norm.pdf(x)

    assert median_variance(n) == pytest.approx(integrate.quad(at, -12, 12)[0], rel=1e-6)


@pytest.mark.parametrize("n", [2, 4, 8, 14, 20, 30])
def test_the_variance_of_a_median_is_that_of_drawn_ones(n):
    drawn = np.median(np.random.default_rng(n).normal(size=(200_000, n)), axis=1)
    assert median_variance(n) == pytest.approx(drawn.var(), rel=0.04 if n > 20 else 0.015)


def test_of_two_values_it_is_their_means_and_of_many_half_pi_over_n():
    assert median_variance(2) == 0.5
    assert median_variance(10_000) == pytest.approx(math.pi / 2 / 10_000, rel=1e-3)
    with pytest.raises(ValueError, match="give 1 or more"):
        median_variance(0)


def test_cars_known_well_set_the_limit_beside_one_hardly_known():
    """Errors 1, 1 and 4: harmonic mean 3 / 2.25 = 4 / 3; drawn medians agree within a fifth."""
    sds = np.array([1.0, 1.0, 4.0])
    error = median_error(np.diag(sds**2))
    assert error == pytest.approx(4 / 3 * math.sqrt(0.4486711), rel=1e-6)
    drawn = np.median(np.random.default_rng(1).normal(size=(200_000, 3)) * sds, axis=1).std()
    assert error == pytest.approx(drawn, rel=0.2)


def test_what_the_cars_share_does_not_average_out():
    """Shared variance 4, own 1: the error is at least 2 however many cars there are."""
    for n in (3, 100):
        covariance = np.eye(n) + 4.0
        assert median_error(covariance) == pytest.approx(math.sqrt(4.0 + median_variance(n)))


def test_a_day_on_which_all_cars_read_low_is_off():
    found = day([-0.05, -0.06, -0.04], [0.015, 0.015, 0.015], [True, True, False])
    assert (found.median, found.state) == (-0.05, "outside")
    assert [car.seen_before for car in found.cars] == [True, True, False]


def test_a_day_on_which_all_cars_read_high_is_off_as_well():
    assert day([0.05, 0.06, 0.04], [0.015, 0.015, 0.015]).state == "outside"


def test_one_low_car_among_ordinary_ones_does_not_move_its_day():
    found = day([-0.12, 0.003, -0.002], [0.027] * 3)
    assert (found.median, found.state) == (-0.002, "inside")


def test_two_cars_cannot_tell_the_bay_from_a_car():
    assert day([-0.2, -0.2], [0.02, 0.02]).state == "too-few"


def test_a_car_of_which_nothing_is_known_is_left_out():
    found = day([-0.05, 0.0, 0.01, 0.02], [VAGUE * 1.01, 0.02, 0.02, 0.02])
    assert [car.vehicle_id for car in found.cars] == [2, 3, 4]
    nobody = day([0.0], [VAGUE * 2])
    assert (nobody.median, nobody.limit, nobody.cars, nobody.state) == (None, None, (), "too-few")


def test_an_ordinary_day_is_called_off_one_time_in_a_hundred():
    drawn = np.random.default_rng(2).normal(size=(4000, 5)) * 0.02
    off = [day(row.tolist(), [0.02] * 5).state == "outside" for row in drawn]
    assert np.mean(off) == pytest.approx(0.0093, abs=0.005)  # 2 (1 - Phi(2.6))
    assert 2 * stats.norm.sf(DAY_ERRORS) == pytest.approx(0.0093, abs=1e-4)


def test_columns_take_each_car_of_the_day_once_and_the_estimate_is_least_squares():
    """Rows of cars 7, 7 and 9 that day, known with precision 100: their own means, less what the weak prior takes."""
    (cars,), columns = car_columns(np.array([7, 7, 7, 9]), [np.array([0, 1, 3])])
    assert cars.tolist() == [7, 9]
    columns = columns.toarray()
    assert columns.tolist() == [[1, 0], [1, 0], [0, 0], [0, 1]]
    y, precision = np.array([0.02, 0.04, 0.5, -0.01]), 1e4
    deviation, covariance = estimated(precision * columns.T @ y, precision * columns.T @ columns)
    assert deviation == pytest.approx([0.03, -0.01], rel=1e-3)
    assert covariance == pytest.approx(np.diag([1 / 2e4, 1 / 1e4]), rel=1e-3)


def test_what_cannot_be_known_comes_out_vague():
    """Two cars of which only the difference is known."""
    deviation, covariance = estimated(np.array([3.0, -3.0]), 1e4 * np.array([[1.0, -1.0], [-1.0, 1.0]]))
    assert np.sqrt(covariance.diagonal()) == pytest.approx([0.707, 0.707], rel=1e-3)
    assert bay_day(1, np.array([1, 2]), deviation, covariance, np.array([False, False])).cars == ()


def test_days_are_counted_in_utc():
    assert days_of(np.array([19999.999, 20000.0, 20000.7])).tolist() == [19999, 20000, 20000]
