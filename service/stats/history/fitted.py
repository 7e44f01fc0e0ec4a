"""What a fit knows once it is made: spreads, the noise of pulls, where the gains were linearised, and the weights.

Plain values only, all in ln units (0.01 is 1 %), so that a fit can be packed, kept and compared. Everything a fit
holds is looked up by id: a part, car or setup that it never saw gets the starting value of its kind.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SMALLEST_GAIN: Final = 0.015
"""Gains are pooled in relative units down to this size [ln], below it in absolute ones: a part that gives nothing still
differs from platform to platform and from car to car. Our choice, by simulation: of parts that give or take 0.8 % about
nought the typical gain's nine-in-ten interval held 54 in 100 at 0.004; shops of ordinary parts are answered alike by both."""


@dataclass(frozen=True, slots=True)
class Spreads:
    """The ten standard deviations of the model.

    Relative to the gain they belong to: part, between the parts of a slot; slot_on, of a slot between platforms;
    part_on, of a part between platforms; interaction, of a pair of slots, relative to the geometric mean of its gains;
    car_gain, between cars. In ln units: car_floor, between cars however small the gain; bay; car, between cars of a
    platform; session, of a strap-down; setup, of a setup beyond the noise of its pulls.
    """

    part: float
    slot_on: float
    part_on: float
    interaction: float
    bay: float
    car: float
    car_gain: float
    car_floor: float
    session: float
    setup: float


ROBUST: Final = ("part", "part_on", "car", "car_gain", "car_floor", "setup")
"""The spreads of terms that are taken for t-distributed (weights.py)."""
SPREAD_NAMES: Final[tuple[str, ...]] = tuple(Spreads.__slots__)


@dataclass(frozen=True, slots=True)
class ById:
    """Values by id: `ids` ascending. An id that is not there has the value 1."""

    ids: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    values: Floats = field(default_factory=lambda: np.empty(0))

    def of(self, ids: Ints) -> Floats:
        """The values of these ids, in their order and shape; 1 where one is not known."""
        if not len(self.ids):
            return np.ones(ids.shape)
        at = np.minimum(np.searchsorted(self.ids, ids), len(self.ids) - 1)
        return np.where(self.ids[at] == ids, self.values[at], 1.0)


def gain_key(owner: Ints | int, part_id: Ints) -> Ints:
    """One id for what a part gives on a car, or on a platform (all ids stay below 2^31 for any shop)."""
    return (owner << 31) | part_id


def part_of_key(key: Ints) -> Ints:
    """The part of a `gain_key`."""
    return key & ((1 << 31) - 1)


@dataclass(frozen=True, slots=True)
class Weights:
    """Student-t weights, (0, 1.2]: how far each setup, car, car's own gain, part on a platform (`gain_key` of the car or
    the platform) and part was trusted to be like others; alike: by part, how alike its gains are from car to car, the
    variance that is usual for its size over its own."""

    setup: ById = ById()
    car: ById = ById()
    gain: ById = ById()
    part_on: ById = ById()
    part: ById = ById()
    alike: ById = ById()


@dataclass(frozen=True, slots=True)
class Point:
    """A gain about which the model is linear: its mean and the variance it was known with."""

    mean: float
    variance: float

    @property
    def size(self) -> float:
        """Root of the expected square: how large the gain is for the spreads that are relative to it."""
        return max(SMALLEST_GAIN, math.hypot(self.mean, math.sqrt(max(self.variance, 0.0))))


@dataclass(frozen=True, slots=True)
class Points:
    """Where the gains were linearised: slot means, a part's mean over platforms, a slot's shift on a platform, cells.

    slot: by (slot, aspiration) [ln]; part: by (part, aspiration) [ln]; slot_on: by (slot, platform), relative; cell:
    by (part, platform) [ln].
    """

    slot: Mapping[tuple[str, str], Point]
    part: Mapping[tuple[int, str], Point]
    slot_on: Mapping[tuple[str, int], float]
    cell: Mapping[tuple[int, int], Point]


@dataclass(frozen=True, slots=True)
class Fit:
    """All that a fit knows.

    pull_spread: of one pull in its setup [ln]; heat: slope over the pulls of a setup, by aspiration [ln / pull]; inlet_c,
    ethanol: mean and median that stand in where nothing was recorded [degC], [0..1]; inlet_unrecorded, by aspiration,
    and ethanol_unrecorded: variance that standing in costs a strap-down [ln^2]; bay_widening: by how much a bay's
    variance is wider because the spreads are estimates themselves (gains have their t rule for that, gains.py); cars,
    setups: what it rests on; down_weighted: setups that got less than half their weight; heat_soaked: setups whose
    power fell from pull to pull and that were taken at their first pull; criterion: -2 REML log-likelihood; converged;
    shop_spread: of true levels between cars of one platform, over all platforms and without odd ones [ln] (place.py), None
    in a fit that was made before it was kept with it.
    """

    spreads: Spreads
    pull_spread: float
    heat: Mapping[str, float]
    inlet_c: float
    ethanol: float
    points: Points
    weights: Weights
    bay_widening: float
    cars: int
    setups: int
    down_weighted: int
    heat_soaked: int
    criterion: float
    converged: bool
    inlet_unrecorded: Mapping[str, float] = field(default_factory=dict)
    ethanol_unrecorded: float = 0.0
    shop_spread: float | None = None
