"""What was read of a measure for one state of the model, carried on to the next."""

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from service.domain.history import Floats, Ints


@dataclass(frozen=True, slots=True)
class Carried:
    """Setups, their cars, their values [n, r]; `unread`: cars that changed since, whose setups are not in it."""

    setup_ids: Ints
    vehicle_ids: Ints
    values: Floats
    unread: frozenset[int] = frozenset()

    def without(self, vehicles: Collection[int]) -> "Carried":
        """The same, with these cars to be read anew."""
        kept = ~np.isin(self.vehicle_ids, list(vehicles))
        return Carried(
            self.setup_ids[kept], self.vehicle_ids[kept], self.values[kept], self.unread | frozenset(vehicles)
        )

    def with_rows(self, setup_ids: Ints, vehicle_ids: Ints, values: Floats) -> "Carried":
        """The same with the rows of the cars that were unread; none is any more."""
        return replace(
            self,
            setup_ids=np.concatenate((self.setup_ids, setup_ids)),
            vehicle_ids=np.concatenate((self.vehicle_ids, vehicle_ids)),
            values=np.concatenate((self.values, values)),
            unread=frozenset(),
        )


def nothing_read(width: int) -> Carried:
    """What was read before anything was."""
    none = np.empty(0, dtype=np.int64)
    return Carried(none, none, np.empty((0, width)))
