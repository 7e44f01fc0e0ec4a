"""What the model knows of parts that can be chosen among, worked out once for each of its states.

No level changes it: a question at another level, or with another budget, only draws other intervals about it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from service.answers.cache import Kept
from service.answers.measured import Solved
from service.answers.model import ModelState
from service.answers.model_gain import may_lose
from service.domain.history import Floats
from service.domain.measures import Measure
from service.stats.history.cells import Cell, Cells, side_by_side
from service.stats.history.choice import Chances, best_chances
from service.stats.history.gains import chances_of_gain, grade_of, prior_shares
from service.stats.history.system import System
from service.store.model_questions import PricedPart

COMPARED: Final = 8
"""Sets of costs of which the chances are kept beside what is known of the parts (our choice; a few kB each)."""
REMEMBERED: Final = 256
"""Builds, and parts beside others, that are kept beside it (our choice; a kB each, tables of what each two do 80 kB)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A part that is a choice, and the fitted one whose place it takes."""

    part: PricedPart
    replaced: PricedPart | None


@dataclass(frozen=True, slots=True)
class Weighed:
    """Parts' gains beside what is fitted: each its cell, its grade, the chance that one more car gains by it [0..1].

    compared: the parts' chances against each other, by the bytes of their costs; remembered: builds of some of them.
    """

    cells: tuple[Cell, ...]
    beside_each_other: Cells
    grades: tuple[str, ...]
    chance_of_gain: tuple[float, ...]
    compared: Kept = field(default_factory=lambda: Kept(COMPARED))
    remembered: Kept = field(default_factory=lambda: Kept(REMEMBERED))

    def chances(self, costs: Floats, solved: Solved, platform: int, ids: Sequence[int]) -> Chances:
        """The parts against each other at these costs, NaN for what has no place among them; ids: theirs."""

        def made() -> Chances:
            cells = self.beside_each_other
            covariance = joint_covariance(cells, solved, platform, ids)
            return best_chances(cells.mean, covariance, costs, prior_shares(cells))

        return self.compared.get_or_make(costs.tobytes(), made)


def weighed_once(
    state: ModelState,
    solved: Solved,
    platform: int,
    wanted: Sequence[Wanted],
    fitted: Sequence[PricedPart],
    measure: Measure,
    standard: str,
) -> Weighed:
    """What the state knows of these parts on a platform beside the fitted ones."""
    pairs = tuple((one.part.part_id, one.replaced.part_id if one.replaced else 0) for one in wanted)
    there = tuple(part.part_id for part in fitted)
    key = ("choice", measure, standard, platform, pairs, there)
    return state.known.get_or_make(key, lambda: weighed(solved, platform, pairs, there, measure))


def weighed(
    solved: Solved, platform: int, pairs: Sequence[tuple[int, int]], there: Sequence[int], measure: Measure
) -> Weighed:
    """What is known of parts, each against stock (0) or the one it replaces, beside what is there."""
    beside = dict.fromkeys(there, 1.0)
    cells = [solved.gain(part, platform, against, beside) for part, against in pairs]
    table, fit = side_by_side(cells), solved.system.fit
    may = np.array([may_lose(measure, against) for _, against in pairs], dtype=bool)
    chances = np.where(may, chances_of_gain(table, fit, may_lose=True), chances_of_gain(table, fit))
    return Weighed(
        cells=tuple(cells),
        beside_each_other=table,
        grades=tuple(grade_of(cell, cell.cars, cell.cars) for cell in cells),
        chance_of_gain=tuple(chances.tolist()),
    )


def joint_covariance(cells: Cells, solved: Solved, platform: int, ids: Sequence[int]) -> Floats:
    """Covariance of the errors of these gains: correlated as the parts' own gains are, each with its own variance."""
    _, own = solved.joint(platform, ids)
    scale = np.sqrt(cells.variance / np.maximum(own.diagonal(), 1e-300))
    return np.asarray(own * np.outer(scale, scale))


class Remembering:
    """A solved model that remembers what it said of parts together on one platform."""

    def __init__(self, solved: Solved, remembered: Kept) -> None:
        self._solved, self._remembered = solved, remembered

    @property
    def system(self) -> System:
        """As Solved.system."""
        return self._solved.system

    def gain(
        self, part: int, platform: int, against: int = 0, beside: Mapping[int, float] | None = None
    ) -> Cell:
        """As Solved.gain."""
        key = ("gain", part, platform, against, tuple((beside or {}).items()))
        return self._remembered.get_or_make(key, lambda: self._solved.gain(part, platform, against, beside))

    def build_of(self, platform: int, parts: Sequence[int], beside: Sequence[int] = ()) -> Cell:
        """As Solved.build_of."""
        key = ("build", platform, tuple(parts), tuple(beside))
        return self._remembered.get_or_make(key, lambda: self._solved.build_of(platform, parts, beside))

    def beyond_their_sum(self, platform: int, parts: Sequence[int]) -> Floats:
        """As Solved.beyond_their_sum."""
        key = ("beyond", platform, tuple(parts))
        return self._remembered.get_or_make(key, lambda: self._solved.beyond_their_sum(platform, parts))
