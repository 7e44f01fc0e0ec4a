"""What every rival answers: what a part gains on a platform by the shop's before/after pairs alone, and along the revs."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Columns = Mapping[str, NDArray[Any]]
"""Columns of equal length by name; what is not known is NaN in figures, None in texts."""
Interval = tuple[float, float] | None

SIDE = (
    "setup_id", "bay", "pulls", "best_of", "level", "factor", "temperature_c", "pressure_kpa", "vapour_kpa", "power_kw",
    "spread_ss", "spread_df",
)  # fmt: skip
"""What an answer needs of each side of a pair, as the files call it."""
PAIRS_PER_CAR = 5
"""How many of a car's pairs are read, its best, as the service has it: the pull spread is taken from all of them."""


@dataclass(frozen=True, slots=True)
class Scalars:
    """Typical gain [%], where it lies and where one more car's does at 90 %, the cars it rests on."""

    typical_percent: float
    interval_percent: Interval
    next_car_percent: Interval
    cars: int


@dataclass(frozen=True, slots=True)
class Curve:
    """The gain along the revs [%], its interval and one more car's, at each drawn speed [rpm]; NaN where unknown."""

    rpm: Floats
    typical_percent: Floats
    low_percent: Floats
    high_percent: Floats
    next_low_percent: Floats
    next_high_percent: Floats
    cars: Ints


class Rival(Protocol):
    """One way of asking a file. The part is held against the same car without it; the measure is peak power."""

    @property
    def name(self) -> str:
        """What it is called in a table."""

    @property
    def disk_bytes(self) -> int:
        """What its file takes."""

    def scalars(self, platform: str, part: str) -> Scalars | None:
        """The gain; None where no car was compared."""

    def curve(self, platform: str, part: str) -> Curve | None:
        """The gain along the revs; None where no car with curves was compared."""

    def close(self) -> None:
        """Let go of the file."""


@dataclass(frozen=True, slots=True)
class BestPairs:
    """The best pairs of each car, best first; `sides`: SIDE by name, [with, without, repeat] x pairs, NaN or None where
    there was no repeat (A-B-A)."""

    car: Ints
    usable: Bools
    same_session: Bools
    share: Floats
    again_is_with: Bools
    sides: Columns


@dataclass(frozen=True, slots=True)
class Stretches:
    """Mean curves [N.m] one after the other: each one's setup, its first knot, where it begins among the figures."""

    setup_id: Ints
    first: Ints
    start: Ints
    torque_nm: NDArray[np.float32]
