"""What a spreadsheet makes of a history: cars with and without a part, best after minus best before."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from service.domain.history import History
from tests.calibration.readings import Simulated

CLASSES = ("0", "1", "2", "3", "4-6", "7-13", "14+")
"""Cells by the number of cars measured with and without the part, all else equal, as the records say."""


@dataclass(frozen=True)
class Pair:
    """Two rows of one car that differ by one part, as the records say."""

    part: int
    platform: int
    vehicle: int
    without: int
    with_: int
    same_session: bool


def class_of(cars: int) -> str:
    """The class of a cell."""
    if cars <= 3:
        return CLASSES[cars]
    return "4-6" if cars <= 6 else "7-13" if cars <= 13 else "14+"


def rows_by_car(history: History) -> Iterator[range]:
    """The rows of every car."""
    bounds = [0, *(np.flatnonzero(np.diff(history.vehicle_id)) + 1).tolist(), len(history)]
    for begin, end in pairwise(bounds):
        yield range(begin, end)


def pairs_of(history: History) -> list[Pair]:
    """Every pair of a history; levels of another footing only inside their strap-down."""
    found = []
    for rows in rows_by_car(history):
        states = {row: frozenset(history.parts_of(row)) for row in rows}
        for one, other in combinations(rows, 2):
            differ = states[one] ^ states[other]
            same = bool(history.session_id[one] == history.session_id[other])
            sound = history.complete[one] and history.complete[other]
            if len(differ) == 1 and sound and (same or (history.levelled[one] and history.levelled[other])):
                with_, without = (one, other) if states[one] > states[other] else (other, one)
                place = int(history.platform_id[one]), int(history.vehicle_id[one])
                found.append(Pair(next(iter(differ)), *place, without, with_, same))
    return found


def direct_cars(pairs: list[Pair]) -> dict[tuple[int, int], int]:
    """Cars measured with and without, by (part, platform)."""
    cars = defaultdict(set)
    for pair in pairs:
        cars[pair.part, pair.platform].add(pair.vehicle)
    return {cell: len(vehicles) for cell, vehicles in cars.items()}


def best_after_minus_best_before(simulated: Simulated, pairs: list[Pair]) -> dict[tuple[int, int], float]:
    """Mean over cars of the best pull with the part against the best pull without it [ln], by (part, platform)."""
    sides: dict[tuple[int, int, int], tuple[set[int], set[int]]] = defaultdict(lambda: (set(), set()))
    for pair in pairs:
        before, after = sides[pair.part, pair.platform, pair.vehicle]
        before.add(pair.without)
        after.add(pair.with_)
    gains = defaultdict(list)
    for (part, platform, _), (before, after) in sides.items():
        best = simulated.best
        gains[part, platform].append(max(best[row] for row in after) - max(best[row] for row in before))
    return {cell: float(np.mean(each)) for cell, each in gains.items()}
