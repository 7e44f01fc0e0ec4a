"""Which columns the model has: the border that all platforms share, and each platform's own.

Border columns never have to be taken out: every one has a prior, so one that no row uses any more changes nothing.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.history import Catalogue, PartFacts
from service.stats.history.fitted import SPREAD_NAMES, Point, Points, Spreads, Weights
from service.stats.mixed.block import FIXED, Prior

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Weak fixed priors [ln]; all our choice.
SLOT_MEAN_SD: Final = 0.15  # of a slot's mean gain about 0
INLET_SD: Final = 0.02  # of what 10 K of inlet air leave after the correction
ETHANOL_SD: Final = 0.05  # of what ten points of ethanol give with a calibration
ARRIVED_SD: Final = 0.03  # of how much stronger cars are that arrive modified
TYPICAL_GAIN: Final = 0.03  # size of a gain in a slot that nothing is known of
LEAST_TILT: Final = (
    0.2  # of a slot's gains on a platform against elsewhere: no platform turns gains into losses
)
ASPIRATION_SPREAD: Final = 1.0
"""How far a slot's mean gain with one aspiration is from that with another, relative to it: twice as much, or nothing
(our choice). Read only where the slot was never measured with the aspiration that is asked for."""
UNKNOWN_SLOT: Final = "?"

Key = tuple[str, ...] | tuple[str, int] | tuple[str, int, float]


@dataclass(frozen=True, slots=True)
class Border:
    """The shared columns: where each key is, and their keys in order."""

    place: Mapping[Key, int]
    keys: tuple[Key, ...]

    def __len__(self) -> int:
        return len(self.keys)

    def extended(self, keys: Iterable[Key]) -> "Border":
        """With these keys' columns too, at the end; itself where it has them all."""
        new = tuple(dict.fromkeys(key for key in keys if key not in self.place))
        if not new:
            return self
        place = dict(self.place) | {key: len(self.keys) + i for i, key in enumerate(new)}
        return Border(place, self.keys + new)


NO_BORDER: Final = Border({}, ())


def slot_key(slot: str, aspiration: str) -> Key:
    """A slot's mean gain on platforms of an aspiration."""
    return ("slot", slot, aspiration)


def part_key(part: int) -> Key:
    """A part against its slot's mean."""
    return ("part", part)


def pair_key(slot_a: str, slot_b: str) -> Key:
    """The interaction of two slots."""
    return ("pair", *sorted((slot_a, slot_b)))


def bay_key(bay: int) -> Key:
    """A bay's level."""
    return ("bay", bay)


def stretch_key(bay: int, event: float) -> Key:
    """A bay's level after a recorded event, against its level before all."""
    return ("stretch", bay, event)


def inlet_key(aspiration: str) -> Key:
    """What warm inlet air leaves after the correction."""
    return ("inlet", aspiration)


def aspiration_key(slot: str) -> Key:
    """How far a slot's mean with an aspiration that was never measured is from the others', in standard deviations."""
    return ("aspiration", slot)


def slot_on_key(slot: str) -> Key:
    """A platform's own column: a slot's shift on it."""
    return ("slot_on", slot)


def part_on_key(part: int) -> Key:
    """A platform's own column: a part's shift on it."""
    return ("part_on", part)


LEVEL_KEY: Final[Key] = ("level",)
ETHANOL_KEY: Final[Key] = ("ethanol",)
ARRIVED_KEY: Final[Key] = ("arrived",)

_FIXED_SD: Final = {"slot": SLOT_MEAN_SD, "inlet": INLET_SD, "ethanol": ETHANOL_SD, "arrived": ARRIVED_SD}
_ESTIMATED: Final = {
    kind: SPREAD_NAMES.index(name)
    for kind, name in (
        ("part", "part"),
        ("slot_on", "slot_on"),
        ("part_on", "part_on"),
        ("pair", "interaction"),
        ("bay", "bay"),
        ("stretch", "bay"),
    )
}


def prior_of(kind: str) -> tuple[int, float]:
    """The prior variance of a kind of unknown: which of theta it is and its scale, or FIXED and the variance itself."""
    return _ESTIMATED.get(kind, FIXED), _FIXED_SD.get(kind, 1.0) ** 2


def border_prior(border: Border, weights: Weights) -> Prior:
    """Prior variances of the border's columns."""
    kinds = [str(key[0]) for key in border.keys]
    theta = np.array([prior_of(kind)[0] for kind in kinds], dtype=np.int64)
    scale = np.array([prior_of(kind)[1] for kind in kinds])
    parts = [(i, int(key[1])) for i, key in enumerate(border.keys) if key[0] == "part"]
    if parts:
        at, ids = np.array(parts, dtype=np.int64).T
        scale[at] /= weights.part.of(ids)
    return Prior(theta, scale)


def theta_of(spreads: Spreads) -> Floats:
    """The variances in the order of SPREAD_NAMES."""
    return np.array([getattr(spreads, name) for name in SPREAD_NAMES]) ** 2


def slot_of(part: int, catalogue: Catalogue) -> str:
    """The key of all slots of a part."""
    facts: PartFacts | None = catalogue.parts.get(part)
    return facts.slot if facts is not None else UNKNOWN_SLOT


@dataclass(frozen=True, slots=True)
class Gain:
    """A part on a platform as the linear model sees it.

    G = tilt (M + scale a) + main eta + delta + offset: the coefficients of its four unknowns, the sizes [ln] to which
    the spreads of delta and of single cars are relative, and the constant that linearisation leaves.
    """

    slot: str
    tilt: float
    scale: float
    main: float
    spread_size: float
    size: float
    offset: float


@dataclass(frozen=True, slots=True)
class Linear:
    """The gains of all parts on all platforms, linear about the points of a fit."""

    points: Points
    catalogue: Catalogue
    known: dict[tuple[int, int, str], Gain] = field(default_factory=dict, init=False, repr=False)
    """Gains asked for before: every answer needs several, many times."""

    def of(self, part: int, platform: int, aspiration: str) -> Gain:
        """A part on a platform; where the fit never saw it, as its slot, its part or its platform say."""
        asked = part, platform, aspiration
        if asked not in self.known:
            self.known[asked] = self._of(part, platform, aspiration)
        return self.known[asked]

    def _of(self, part: int, platform: int, aspiration: str) -> Gain:
        slot = slot_of(part, self.catalogue)
        mean = self._slot_mean(slot, aspiration)
        main = self.points.part.get((part, aspiration), mean)
        eta = self.points.slot_on.get((slot, platform), 0.0)
        expected = Point(main.mean * (1.0 + eta), main.variance * (1.0 + eta) ** 2)
        cell = self.points.cell.get((part, platform), expected)
        along = float(np.copysign(main.size, main.mean))
        tilt = max(LEAST_TILT, 1.0 + eta)
        return Gain(
            slot=slot,
            tilt=tilt,
            scale=mean.size,
            main=along,
            spread_size=expected.size,
            size=cell.size,
            offset=along * (1.0 - tilt),
        )

    def _slot_mean(self, slot: str, aspiration: str) -> Point:
        """A slot's mean gain; where its aspiration was never measured, that of the others, known so much worse."""
        own = self.points.slot.get((slot, aspiration))
        if own is not None:
            return own
        others = [point for (name, _), point in self.points.slot.items() if name == slot]
        if not others:
            return Point(TYPICAL_GAIN, 0.0)
        mean = sum(point.mean for point in others) / len(others)
        variance = sum(point.variance for point in others) / len(others)
        return Point(mean, variance + (ASPIRATION_SPREAD * mean) ** 2 + (TYPICAL_GAIN / 2.0) ** 2)
