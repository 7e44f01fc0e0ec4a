"""The levels of bays against the mean of all bays, stretch by stretch between recorded events.

The mean is over bays, each at the plain mean of its measured stretches, so that no busy bay and no much-adjusted bay
decides what is zero.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.history import Catalogue
from service.stats.history.cells import BayLevel
from service.stats.history.contrast import Contrast, only
from service.stats.history.design import PlatformDesign, bay_events
from service.stats.history.layout import Border, bay_key, stretch_key
from service.stats.mixed.solve import Solution

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNMODELLED: Final = 0.0011
"""Standard deviation of a bay's level beside the model's [ln]: tilt over the rev range, drift between events, days. It
decides in large shops, where the model's own error shrinks (our choice: simulated shops of 600 cars need it)."""
START: Final = -np.inf
"""Since when the first stretch of a bay lasts."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A bay between two recorded events, with the cars measured in it."""

    bay: int
    since: float
    cars: frozenset[int]


@dataclass(frozen=True, slots=True, eq=False)
class BayLevels:
    """All stretches of all bays that have setups."""

    stretches: tuple[Stretch, ...]
    border: Border
    catalogue: Catalogue

    def contrast(self, stretch: Stretch) -> Contrast:
        """A stretch's level as the model has it."""
        level = only(bay_key(stretch.bay))
        if stretch.since == START:
            return level
        return level.plus(only(stretch_key(stretch.bay, stretch.since)))

    def mean(self) -> Contrast:
        """The mean of all bays."""
        counts = _counts(self.stretches)
        mean = Contrast({})
        for stretch in self.stretches:
            mean = mean.plus(self.contrast(stretch), 1.0 / (len(counts) * counts[stretch.bay]))
        return mean

    def levels(self, solution: Solution, widened: float) -> list[BayLevel]:
        """Every stretch against the mean of all bays."""
        if not self.stretches:
            return []
        mean = self.mean()
        vectors = np.vstack([self._vector(self.contrast(s).plus(mean, -1.0)) for s in self.stretches])
        means = vectors @ solution.border[:, 0]
        variances = np.diagonal(solution.border_covariance(vectors)) * widened + UNMODELLED**2
        shared = _cars_of_several(self.stretches)
        return [
            BayLevel(
                bay_id=stretch.bay,
                since=stretch.since,
                mean=float(m),
                variance=float(v),
                cars=len(stretch.cars),
                cars_shared=len(stretch.cars & shared[stretch.bay]),
                identifiable=bool(shared[stretch.bay]),
            )
            for stretch, m, v in zip(self.stretches, means, variances, strict=True)
        ]

    def _vector(self, contrast: Contrast) -> Floats:
        vector = np.zeros(len(self.border))
        for key, value in contrast.terms.items():
            vector[self.border.place[key]] = value
        return vector


def bay_levels(designs: Sequence[PlatformDesign], border: Border, catalogue: Catalogue) -> BayLevels:
    """The stretches that the platforms' setups fall into."""
    cars: dict[tuple[int, float], set[int]] = {}
    for design in designs:
        history = design.history
        for bay in np.unique(history.bay_id).tolist():
            rows = np.flatnonzero(history.bay_id == bay)
            sinces = (START, *bay_events(bay, catalogue))
            stretch = np.searchsorted(sinces[1:], history.at[rows], side="right")
            for i in np.unique(stretch).tolist():
                found = cars.setdefault((bay, sinces[i]), set())
                found.update(history.vehicle_id[rows[stretch == i]].tolist())
    stretches = tuple(Stretch(bay, since, frozenset(cars[bay, since])) for bay, since in sorted(cars))
    return BayLevels(stretches, border, catalogue)


def _counts(stretches: Sequence[Stretch]) -> Mapping[int, int]:
    counts: dict[int, int] = {}
    for stretch in stretches:
        counts[stretch.bay] = counts.get(stretch.bay, 0) + 1
    return counts


def _cars_of_several(stretches: Sequence[Stretch]) -> Mapping[int, frozenset[int]]:
    """For each bay, its cars that were also measured in another."""
    by_bay: dict[int, frozenset[int]] = {}
    for stretch in stretches:
        by_bay[stretch.bay] = by_bay.get(stretch.bay, frozenset()) | stretch.cars
    seen = Counter(chain.from_iterable(by_bay.values()))
    several = {car for car, bays in seen.items() if bays > 1}
    return {bay: cars & several for bay, cars in by_bay.items()}
