"""Questions as sums of the model's unknowns: which of them, and how often."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from service.domain.history import PartFacts
from service.stats.history.asked import build_contrast, entangled_with, gain_contrast, split_contrast
from service.stats.history.assembly import assemble, by_platform
from service.stats.history.baylevels import START, BayLevels, Stretch, bay_levels
from service.stats.history.contrast import only
from service.stats.history.fit import starting_fit
from service.stats.history.layout import NO_BORDER, bay_key, pair_key, part_key, stretch_key
from tests.stats.history.made import Setup, catalogue, history

VIEW = SimpleNamespace(
    gain=lambda part: only(part_key(part)), interaction=lambda a, b: only(pair_key(f"slot-{a}", f"slot-{b}"))
)
"""Every part one unknown, every two of them another."""


def pair(a: int, b: int):
    return pair_key(f"slot-{a}", f"slot-{b}")


def test_what_is_beside_acts_on_the_part_and_no_longer_on_the_one_it_replaces() -> None:
    asked = gain_contrast(VIEW, 1, 2, {3: 0.5, 1: 1.0, 2: 1.0})
    assert asked.terms == {part_key(1): 1.0, part_key(2): -1.0, pair(1, 3): 0.5, pair(2, 3): -0.5}


def test_the_shares_of_a_joint_change_add_up_to_the_whole() -> None:
    whole, shares = (
        build_contrast(VIEW, [1, 2, 3]),
        [split_contrast(VIEW, part, [1, 2, 3]) for part in (1, 2, 3)],
    )
    assert shares[0].terms == {part_key(1): 1.0, pair(1, 2): 0.5, pair(1, 3): 0.5}
    assert {key: sum(one.terms.get(key, 0.0) for one in shares) for key in whole.terms} == whole.terms


@pytest.mark.parametrize(("correlation", "entangled"), [(-0.85, (2,)), (-0.75, ()), (0.95, ())])
def test_parts_are_not_to_be_told_apart_where_what_one_gains_the_other_loses(correlation, entangled) -> None:
    covariance = np.array([[4.0, 6.0 * correlation], [6.0 * correlation, 9.0]])
    view = SimpleNamespace(gain=VIEW.gain, moments=lambda _: (None, covariance))
    assert entangled_with(view, 1, [2]) == entangled


def test_the_mean_of_all_bays_counts_a_much_adjusted_bay_once() -> None:
    stretches = (
        Stretch(1, START, frozenset()),
        Stretch(1, 20.0, frozenset()),
        Stretch(2, START, frozenset()),
    )
    found = BayLevels(stretches, NO_BORDER, catalogue()).mean().terms
    assert found == {bay_key(1): 0.5, bay_key(2): 0.5, stretch_key(1, 20.0): 0.25}


def test_a_car_measured_at_the_moment_of_an_event_belongs_to_the_stretch_after_it() -> None:
    setups, facts = history(Setup(1, at=19.0), Setup(2, at=20.0), Setup(3, at=21.0)), catalogue(bay1=(20.0,))
    solved = assemble(by_platform(setups), facts, starting_fit(setups, facts))
    found = bay_levels(solved.designs, solved.border, facts).stretches
    assert [(one.since, sorted(one.cars)) for one in found] == [(-math.inf, [1]), (20.0, [2, 3])]


def test_a_calibration_among_other_slots_is_a_calibration() -> None:
    assert PartFacts("kit", "Kit", "calibration+injectors", None).is_tune
    assert not PartFacts("kit", "Kit", "fuel-pump+injectors", None).is_tune
