"""Which cars were measured in which two bays: only they tell bays apart, in one step or over bays between."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from service.domain.history import Ints


@dataclass(frozen=True, slots=True)
class SharedCars:
    """Two bays and the cars measured in both; linked: a chain of shared cars leads from one to the other."""

    bays: tuple[int, int]
    vehicles: tuple[int, ...]
    linked: bool


def shared_cars(bay_id: Ints, vehicle_id: Ints) -> tuple[SharedCars, ...]:
    """Every two of the bays. Parameters: bay and car of each setup."""
    cars = {bay: frozenset(vehicle_id[bay_id == bay].tolist()) for bay in np.unique(bay_id).tolist()}
    pairs = list(combinations(cars, 2))
    group = {bay: i for i, one in enumerate(_groups(list(cars), cars)) for bay in one}
    return tuple(SharedCars((a, b), tuple(sorted(cars[a] & cars[b])), group[a] == group[b]) for a, b in pairs)


def _groups(bays: list[int], cars: dict[int, frozenset[int]]) -> Iterator[set[int]]:
    """Bays that shared cars hold together."""
    left = set(bays)
    while left:
        group, edge = set(), {min(left)}
        while edge:
            group |= edge
            left -= edge
            edge = {bay for bay in left if any(cars[bay] & cars[one] for one in edge)}
        yield group
