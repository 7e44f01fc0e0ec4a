"""How well bays repeat and agree, from a fit and from a planned study."""

import math

import numpy as np
import pytest

from service.domain.history import History
from service.stats import iso5725
from service.stats.history import noise_study
from service.stats.history.cells import BayLevel
from service.stats.noise import pooled_spread
from tests.stats.history.gain_cases import FIT
from tests.stats.test_iso5725 import gauge_study, sulfur


def level(bay_id: int, error: float) -> BayLevel:
    """A bay's level known to so much."""
    return BayLevel(bay_id, -math.inf, 0.0, error**2, 20, 10, True)


def test_reproducibility_adds_setup_strap_down_and_bay_and_falls_when_bays_are_levelled() -> None:
    found = noise_study.shop_noise(FIT, [level(1, 0.002), level(2, 0.004)])
    within = 0.005**2 + 0.0045**2 + 0.0035**2
    assert found.repeatability == 0.005
    assert found.intermediate == pytest.approx(math.sqrt(within))
    assert found.reproducibility == pytest.approx(math.sqrt(within + 0.02**2))
    assert found.levelled == pytest.approx(math.sqrt(within + (0.002**2 + 0.004**2) / 2))
    assert found.reproducibility_limit == pytest.approx(2.8 * found.reproducibility)
    assert found.levelled_limit < found.reproducibility_limit


def test_bays_whose_levels_are_not_known_are_not_worse_for_being_levelled() -> None:
    found = noise_study.shop_noise(FIT, [level(1, 5.0)])
    assert found.levelled == found.reproducibility
    assert noise_study.shop_noise(FIT, []).levelled == found.intermediate


def history(bay_id: list[int], ss: list[float], df: list[int]) -> History:
    """Setups with this scatter of their pulls."""
    n = len(bay_id)
    zeros, none = np.zeros(n), np.full(n, np.nan)
    ids, no = np.arange(n), np.zeros(n, dtype=np.bool_)
    return History(
        setup_id=ids, vehicle_id=ids, platform_id=ids, session_id=ids, bay_id=np.array(bay_id), at=zeros,
        part_start=np.zeros(n + 1, dtype=np.int64), part_id=np.empty(0, dtype=np.int64), complete=no, levelled=no,
        stock=no, pulls=np.ones(n, dtype=np.int64), best_of=np.zeros(n, dtype=np.int64), spread_ss=np.array(ss),
        spread_df=np.array(df), slope=none, inlet_c=none, ethanol=none, value=zeros,
    )  # fmt: skip


def test_each_bay_repeats_as_its_own_pulls_do_drawn_a_little_to_the_shops() -> None:
    found = noise_study.repeatability_by_bay(
        history([1, 1, 2], [4e-4, 4e-4, np.nan], [20, 20, 0]), shop=0.005
    )
    assert found[1] == pytest.approx(pooled_spread(8e-4, 40, prior_sd=0.005))
    assert found[2] == pytest.approx(0.005)
    assert noise_study.repeatability_by_bay(history([], [], []), shop=0.005) == {}


def test_one_car_in_every_bay_is_the_study_of_iso_5725_2() -> None:
    laboratories = sulfur("1")
    bay = np.repeat(np.arange(8), [len(one) for one in laboratories])
    found = noise_study.round_robin(bay, np.zeros(len(bay), dtype=np.int64), np.concatenate(laboratories))
    assert isinstance(found, iso5725.Precision)
    assert (round(found.repeatability, 3), round(found.reproducibility, 3)) == (0.015, 0.026)


def test_several_cars_equally_often_in_every_bay_are_the_crossed_study_in_whatever_order() -> None:
    bay, car, repeat = (index.ravel() for index in np.indices((3, 10, 3)))
    order = np.random.default_rng(1).permutation(90)
    found = noise_study.round_robin(bay[order], car[order], gauge_study()[bay, car, repeat][order])
    assert isinstance(found, iso5725.Crossed)
    assert (round(found.repeatability, 6), round(found.bays, 6)) == (0.199933, 0.226838)


@pytest.mark.parametrize(
    ("bay", "car"),
    [
        ([1, 1, 1], [1, 1, 1]),  # one bay
        ([1, 2], [1, 1]),  # nothing repeated
        ([1, 1, 2, 2, 2], [1, 1, 1, 1, 2]),  # another car in one of the bays
        ([1, 1, 2, 2], [1, 2, 1, 2]),  # no repeats
    ],
)
def test_readings_that_are_no_planned_study_give_no_table(bay: list[int], car: list[int]) -> None:
    assert noise_study.round_robin(np.array(bay), np.array(car), np.zeros(len(bay))) is None
