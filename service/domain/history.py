"""The whole history as the history model reads it: every setup that counts one row, in columns; and what the ids mean.

Unknown stays unknown: NaN where a figure was not recorded, and flags where a row's parts or its level are not known.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
DAY_S: Final = 86_400.0


def day_number(at: datetime) -> float:
    """A moment as the history counts it [days since 1970-01-01 UTC]."""
    return at.timestamp() / DAY_S


def moment_of(days: float) -> datetime:
    """The moment of a number of days since 1970-01-01 UTC."""
    return EPOCH + timedelta(days=days)


BEST_OF_UNKNOWN = -1
"""In `History.best_of`: the best of a number of pulls that nobody wrote down."""


@dataclass(frozen=True, slots=True)
class History:
    """Setups in columns of length n, sorted by vehicle, then strap-down (`at`, session_id), then place in it.

    at: start of the strap-down [days since 1970-01-01 UTC]. Row i has the parts `part_id[part_start[i]:part_start[i+1]]`,
    ascending. complete: nothing else is fitted; otherwise something unknown may be. levelled: `value` stands at the
    asked standard; otherwise only ratios inside its own strap-down mean something. stock: known to be as built
    (verified or declared, nothing fitted). pulls: how many stand behind the value; best_of: 0 where it is their mean,
    n where it is the best of n, BEST_OF_UNKNOWN. spread_ss, spread_df: squared deviations of ln power of the pulls from
    their mean, and their degrees of freedom. slope: of ln power over the order of pulls [1 / pull], NaN where fewer than
    three. inlet_c [degC], ethanol [0..1]: NaN where not recorded. value: ln of the measure in SI, NaN where not had.
    """

    setup_id: Ints
    vehicle_id: Ints
    platform_id: Ints
    session_id: Ints
    bay_id: Ints
    at: Floats
    part_start: Ints
    part_id: Ints
    complete: Bools
    levelled: Bools
    stock: Bools
    pulls: Ints
    best_of: Ints
    spread_ss: Floats
    spread_df: Ints
    slope: Floats
    inlet_c: Floats
    ethanol: Floats
    value: Floats

    def __len__(self) -> int:
        return len(self.setup_id)

    def parts_of(self, row: int) -> tuple[int, ...]:
        """The parts of one row."""
        return tuple(self.part_id[self.part_start[row] : self.part_start[row + 1]].tolist())

    def take(self, rows: Ints) -> "History":
        """These rows, in this order (it must keep the sorting)."""
        counts = np.diff(self.part_start)[rows]
        starts = np.concatenate(([0], np.cumsum(counts)))
        picked = np.repeat(self.part_start[rows] - starts[:-1], counts) + np.arange(starts[-1])
        plain = {
            name: getattr(self, name)[rows]
            for name in self.__slots__
            if name not in ("part_start", "part_id")
        }
        return replace(self, part_start=starts, part_id=self.part_id[picked], **plain)


@dataclass(frozen=True, slots=True)
class PlatformFacts:
    """A platform as the model needs it."""

    slug: str
    name: str
    aspiration: str


@dataclass(frozen=True, slots=True)
class PartFacts:
    """A part as the model needs it; slot: all its slots in one key, sorted and joined by '+'."""

    slug: str
    name: str
    slot: str
    variant_of: int | None

    @property
    def is_tune(self) -> bool:
        """Whether it is a calibration."""
        return "calibration" in self.slot.split("+")


@dataclass(frozen=True, slots=True)
class BayFacts:
    """A bay as the model needs it; events: when its level may have stepped [days since 1970-01-01], ascending."""

    slug: str
    name: str
    kind: str
    events: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class CarFacts:
    """A car as the model needs it."""

    tag: str
    check_car: bool


@dataclass(frozen=True, slots=True)
class Catalogue:
    """What the ids of a history mean."""

    platforms: Mapping[int, PlatformFacts]
    parts: Mapping[int, PartFacts]
    bays: Mapping[int, BayFacts]
    cars: Mapping[int, CarFacts]
