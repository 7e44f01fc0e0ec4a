"""Which cars speak for a gain: by examples, and on random histories against a least-squares solve of each car alone."""

import numpy as np
import pytest

from service.stats.history.assembly import assemble, by_platform
from service.stats.history.counting import (
    cars_showing,
    cars_that_tell,
    cars_with,
    cars_with_all,
    companions,
)
from service.stats.history.design import PlatformDesign
from service.stats.history.fit import starting_fit
from tests.stats.history.made import (
    EXHAUST,
    INTAKE,
    OTHER_INTAKE,
    TUNE,
    Setup,
    catalogue,
    history,
)

UNSEEN = 999
PARTS = (INTAKE, OTHER_INTAKE, EXHAUST, TUNE)


def design_of(*rows: Setup) -> PlatformDesign:
    setups = history(*rows)
    return assemble(by_platform(setups), catalogue(), starting_fit(setups, catalogue())).designs[0]


def told(*rows: Setup) -> int:
    return cars_that_tell(design_of(*rows), {INTAKE: 1.0})


def test_a_car_measured_with_and_without_tells() -> None:
    assert told(Setup(1), Setup(1, (INTAKE,))) == 1


def test_a_car_that_always_had_the_part_does_not_tell() -> None:
    assert told(Setup(1, (INTAKE,)), Setup(1, (INTAKE, EXHAUST)), Setup(2)) == 0


def test_a_part_that_only_came_with_another_does_not_tell_until_the_other_is_told_apart() -> None:
    both = (Setup(1), Setup(1, (INTAKE, EXHAUST)))
    assert told(*both) == 0
    assert told(*both, Setup(1, (EXHAUST,))) == 1


def test_a_car_counts_as_having_all_parts_only_where_one_setup_had_them_at_once() -> None:
    design = design_of(
        Setup(1, (TUNE,)), Setup(1, (EXHAUST,)), Setup(2, (TUNE, EXHAUST)), Setup(2, (TUNE, EXHAUST, INTAKE))
    )
    assert cars_with_all(design, [TUNE, EXHAUST]) == 1
    assert cars_with_all(design, [TUNE]) == cars_with(design, TUNE) == 2
    assert cars_with_all(design, [TUNE, UNSEEN]) == 0


def test_a_chain_of_changes_tells_each_of_them() -> None:
    rows = (Setup(1), Setup(1, (TUNE,)), Setup(1, (TUNE, EXHAUST)), Setup(1, (TUNE, EXHAUST, INTAKE)))
    design = design_of(*rows)
    assert [cars_that_tell(design, {part: 1.0}) for part in (TUNE, EXHAUST, INTAKE)] == [1, 1, 1]
    assert cars_that_tell(design, {TUNE: 1.0, INTAKE: 1.0}) == 1


def test_one_part_against_another_needs_no_stock() -> None:
    design = design_of(Setup(1, (INTAKE,)), Setup(1, (OTHER_INTAKE,)))
    assert cars_that_tell(design, {INTAKE: 1.0, OTHER_INTAKE: -1.0}) == 1
    assert cars_that_tell(design, {INTAKE: 1.0}) == 0


@pytest.mark.parametrize("flaw", [{"complete": False}, {"levelled": False}])
def test_setups_of_unknown_parts_or_level_tell_inside_one_strap_down_only(flaw: dict[str, bool]) -> None:
    assert told(Setup(1, session=7, **flaw), Setup(1, (INTAKE,), session=7, **flaw)) == 1
    assert told(Setup(1, session=7, **flaw), Setup(1, (INTAKE,), session=8, at=20001.0, **flaw)) == 0


def test_a_part_that_no_car_of_the_platform_has_is_told_by_none() -> None:
    design = design_of(Setup(1), Setup(1, (INTAKE,)))
    assert cars_that_tell(design, {UNSEEN: 1.0}) == cars_that_tell(design, {INTAKE: 1.0, UNSEEN: -1.0}) == 0
    assert cars_with(design, UNSEEN) == 0
    assert companions(design, UNSEEN) == {}


def test_companions_are_counted_by_cars_that_had_both_in_one_setup() -> None:
    rows = (
        Setup(1, (INTAKE, TUNE)),
        Setup(1, (INTAKE, TUNE, EXHAUST)),
        Setup(2, (INTAKE, TUNE)),
        Setup(3, (INTAKE,)),
        Setup(3, (EXHAUST,)),
    )
    design = design_of(*rows)
    assert companions(design, INTAKE) == {TUNE: 2, EXHAUST: 1}
    assert [cars_with(design, part) for part in (INTAKE, TUNE, EXHAUST)] == [3, 2, 2]


def test_an_interaction_is_shown_by_cars_seen_in_three_of_its_four_states() -> None:
    shown = (Setup(1), Setup(1, (TUNE,)), Setup(1, (TUNE, EXHAUST)))
    mixed = (Setup(2), Setup(2, (TUNE, EXHAUST)))
    assert cars_showing(design_of(*shown, *mixed), "calibration", "rear-exhaust") == 1


@pytest.mark.parametrize("seed", range(6))
def test_the_count_is_that_of_a_least_squares_solve_of_every_car(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = [
        Setup(
            car,
            tuple(part for part in PARTS if rng.random() < 0.4),
            session=10 * car + visit,
            at=20000.0 + visit,
            levelled=bool(rng.random() < 0.7),
        )
        for car in range(1, 40)
        for visit in range(int(rng.integers(1, 4)))
        for _ in range(int(rng.integers(1, 4)))
    ]
    design = design_of(*rows)
    for wanted in ({INTAKE: 1.0}, {TUNE: 1.0, EXHAUST: 1.0}, {INTAKE: 1.0, OTHER_INTAKE: -1.0}):
        solved = sum(solvable([row for row in rows if row.car == car], wanted) for car in range(1, 40))
        assert cars_that_tell(design, wanted) == solved > 0


def solvable(rows: list[Setup], wanted: dict[int, float]) -> bool:
    """Whether the sum of gains is determined by the rows' values: levels and parts as columns, one level for all rows
    whose level is known and one for each other strap-down."""
    footing = [0 if row.levelled else row.session for row in rows]
    levels = [[float(own == one) for one in sorted(set(footing))] for own in footing]
    columns = np.array(
        [
            [*level, *(float(part in row.parts) for part in PARTS)]
            for level, row in zip(levels, rows, strict=True)
        ]
    )
    target = np.zeros(columns.shape[1])
    target[-len(PARTS) :] = [wanted.get(part, 0.0) for part in PARTS]
    weights = np.linalg.lstsq(columns.T, target, rcond=None)[0]
    return bool(np.abs(columns.T @ weights - target).max() < 1e-9)
