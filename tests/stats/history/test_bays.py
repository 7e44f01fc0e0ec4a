"""Steps and drift of a bay against a model fitted anew with them; what is said of bays' noise."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.sparse import csr_array

from service.stats.history import bays


class Shop:
    """A dense little shop: cars measured in three bays over years; P and Py by brute force."""

    def __init__(
        self, seed: int, cars: int = 60, bays: int = 3, visits: int = 3, noise: float = 0.006
    ) -> None:
        random = np.random.default_rng(seed)
        n = cars * visits
        self.vehicle = np.repeat(np.arange(cars), visits)
        self.at = np.sort(random.uniform(0, 1500, n))[random.permutation(n)]
        self.bay = random.integers(0, bays, n)
        self.v = noise**2 * np.eye(n) + 0.03**2 * (self.vehicle[:, None] == self.vehicle)
        self.x = (self.bay[:, None] == np.arange(bays)).astype(float)
        self.y = np.linalg.cholesky(self.v) @ random.standard_normal(n) + 0.02 * self.bay
        self.in_bay = self.bay == 1

    @property
    def p(self) -> np.ndarray:
        """V^-1 less what the columns of X have taken."""
        inverse = np.linalg.inv(self.v)
        vx = inverse @ self.x
        return inverse - vx @ np.linalg.solve(self.x.T @ vx, vx.T)

    def steps(self) -> tuple[bays.Step, ...]:
        return bays.find_steps(self.at, self.bay, self.vehicle, self.against)

    def against(self, columns: csr_array, starts: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
        p, groups = self.p, pairwise(starts.tolist())
        return columns.T @ (p @ self.y), [(columns.T @ p @ columns)[a:b, a:b] for a, b in groups]

    def after(self, bay: int, date: float) -> np.ndarray:
        return ((self.bay == bay) & (self.at > date)).astype(float)

    def anew(self, *columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients and errors of further columns, the model fitted anew with them."""
        x = np.column_stack([self.x, *columns])
        vx = np.linalg.solve(self.v, x)
        covariance = np.linalg.inv(x.T @ vx)
        k = len(columns)
        return (covariance @ vx.T @ self.y)[-k:], np.sqrt(covariance.diagonal()[-k:])


def test_a_step_is_found_in_its_bay_with_its_date_and_the_size_that_a_new_fit_gives_it() -> None:
    shop = Shop(seed=1)
    shop.y += 0.04 * shop.after(1, 700)
    (step,) = shop.steps()
    assert (step.bay_id, step.at) == (1, pytest.approx(700, abs=45))
    size, error = shop.anew(shop.after(1, step.at))
    assert (step.size, step.error) == (pytest.approx(size[0], rel=1e-9), pytest.approx(error[0], rel=1e-9))
    assert step.size == pytest.approx(0.04, abs=3 * step.error)
    assert step.z == pytest.approx(step.size / step.error)


def test_steps_of_one_bay_and_of_two_are_found_and_sized_together() -> None:
    shop = Shop(seed=2, cars=90)
    shop.y += 0.04 * shop.after(1, 500) - 0.05 * shop.after(1, 1000) + 0.03 * shop.after(2, 800)
    found = shop.steps()
    assert [one.bay_id for one in found] == [1, 1, 2]
    assert [one.at for one in found] == [pytest.approx(date, abs=45) for date in (500, 1000, 800)]
    sizes, errors = shop.anew(*(shop.after(one.bay_id, one.at) for one in found))
    assert [one.size for one in found] == pytest.approx(list(sizes), rel=1e-9)
    assert [one.error for one in found] == pytest.approx(list(errors), rel=1e-9)


def test_a_bay_that_steps_does_not_make_the_others_look_as_if_they_had() -> None:
    found = []
    for seed in range(20):
        shop = Shop(seed=seed)
        shop.y += 0.06 * shop.after(1, 700)
        found += [one.bay_id for one in shop.steps()]
    assert found.count(1) == 20
    assert len(found) <= 22


def test_steps_of_4_percent_are_found_and_false_alarms_are_few() -> None:
    found, size_errors, false = 0, [], 0
    for seed in range(40):
        shop = Shop(seed=100 + seed, cars=40)
        false += len({one.bay_id for one in shop.steps()})
        shop.y += 0.04 * shop.after(1, 800)
        steps = shop.steps()
        found += any(one.bay_id == 1 and abs(one.at - 800) < 90 for one in steps)
        size_errors += [one.size - 0.04 for one in steps if one.bay_id == 1]
    assert found >= 36  # nine in ten
    assert false <= 6  # one in twenty of 120 bays
    assert np.mean(size_errors) == pytest.approx(
        0.0, abs=0.004
    )  # a scan of residuals: a fifth too small, 0.008


def test_summed_by_stretch_the_steps_of_several_bays_are_as_their_own_columns_say() -> None:
    shop = Shop(seed=3)
    tried = [
        (bay, bays.step_dates(shop.at[own], shop.vehicle[own])) for bay in (2, 0) for own in [shop.bay == bay]
    ]
    columns = np.column_stack([shop.after(bay, date) for bay, dates in tried for date in dates])
    score, information = columns.T @ shop.p @ shop.y, columns.T @ shop.p @ columns
    ((score_found, information_found),) = bays.steps_against(
        shop.at, shop.bay, tried, shop.against, together=True
    )
    assert score_found == pytest.approx(score, rel=1e-9, abs=1e-9 * np.abs(score).max())
    assert information_found == pytest.approx(information, abs=1e-9 * information.max())
    first = len(tried[0][1])
    (_, second) = bays.steps_against(shop.at, shop.bay, tried, shop.against)
    assert second[0] == pytest.approx(score[first:], abs=1e-9 * np.abs(score).max())
    assert second[1] == pytest.approx(information[first:, first:], abs=1e-9 * information.max())


def test_dates_need_three_cars_on_either_side() -> None:
    at = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])
    assert bays.step_dates(at, np.arange(7)).tolist() == [3.5, 4.5]
    assert bays.step_dates(np.arange(1.0, 10.0), np.array([1, 1, 1, 2, 3, 4, 5, 6, 7])).tolist() == [5.5, 6.5]
    assert bays.step_dates(np.array([1.0]), np.array([1])).size == 0
    assert bays.step_dates(np.empty(0), np.empty(0, dtype=np.int64)).size == 0


def test_of_very_many_strap_downs_sixty_dates_are_tried() -> None:
    at = np.arange(2000.0)
    dates = bays.step_dates(at, np.arange(2000))
    assert len(dates) == bays.MOST_DATES
    assert (dates[0], dates[-1]) == (2.5, 1996.5)


def test_without_dates_or_information_there_is_no_step() -> None:
    none = np.empty(0, dtype=np.int64)
    assert bays.steps(none, np.empty(0), np.empty(0), np.empty((0, 0))) == ()
    assert bays.steps(np.array([1, 1]), np.array([1.0, 2.0]), np.zeros(2), np.zeros((2, 2))) == ()
    assert bays.find_steps(np.empty(0), none, none, lambda d, starts: (d.sum(axis=0), [])) == ()


def test_a_bay_that_drifts_is_said_to_by_as_much_as_a_new_fit_says() -> None:
    shop = Shop(seed=5)
    shop.y += 0.01 / 365.25 * shop.at * shop.in_bay
    columns = bays.drift_columns(shop.at, shop.bay, [2, 1])
    score, (_, information) = shop.against(columns, np.arange(3))
    found = bays.estimate(float(score[1]), float(information[0, 0]))
    assert found is not None
    size, error = shop.anew(columns[:, [1]].toarray()[:, 0])
    assert (found.mean, found.error) == (pytest.approx(size[0], rel=1e-9), pytest.approx(error[0], rel=1e-9))
    assert found.mean == pytest.approx(0.01, abs=3 * found.error)


def test_the_drift_of_a_bay_without_setups_is_not_known() -> None:
    assert bays.drift_columns(np.array([1.0, 2.0]), np.array([4, 4]), [3]).toarray().tolist() == [
        [0.0],
        [0.0],
    ]
    assert bays.drift_columns(np.array([1.0, 2.0]), np.array([4, 4]), []).shape == (2, 0)
    assert bays.estimate(0.0, 0.0) is None
