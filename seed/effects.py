"""The hidden truth of one invented shop, drawn from its seed: what parts really do, and how bays really read.

All in log units (100 x is log-%). The ledger never sees any of this; `truth.py` writes it down for the tests.
"""

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import combinations

import numpy as np

from seed import engines
from seed.engines import Engine, Floats
from seed.parts import PART, PARTS, TOGETHER
from seed.shop import BAY_EVENTS, BAYS, PLATFORM, PLATFORMS

# Spreads, standard deviations in log units. The good end of what shops report: common practice, no source.
SLOT_SD = 0.13  # all parts of a slot on one platform against their means, as a share of the mean
PART_SD = 0.06  # one part on one platform beside that
BAY_SD = 0.020  # made exact: four draws alone would often be far from it
STRAP_SD = 0.0035  # each time a car is strapped down
SETUP_SD = 0.0045  # each state of a car
PULL_SD = {"north": 0.0043, "south": 0.0051, "loaded": 0.0046, "hub": 0.0038}
GAIN_FLOOR_SD = 0.0015  # a part's effect on one car differs at least this much
# How much of the J1349 change an engine really shows: boost control makes up for part of thin air (our choice).
AIR_SHARE = {"natural": 1.0, "turbo": 0.5, "diesel": 0.4}
# Power lost for each degC the engine's inlet air is warmer than usual above the room, our choice.
HEAT_LOSS_PER_C = {"natural": 0.0016, "turbo": 0.0026, "diesel": 0.0018}


@dataclass(frozen=True)
class CarGain:
    """How one part's effect differs on one car: times the typical gain, plus a flat rest [log]."""

    times: float
    plus: float


@dataclass(frozen=True)
class Effects:
    """Everything true about the shop that follows from its seed alone."""

    seed: int

    @cached_property
    def gains(self) -> dict[tuple[str, str], float]:
        """Gain of a part at the peak-power speed by (platform, part) [log]; pairs that do not fit are left out."""
        rng = np.random.default_rng([self.seed, 1])
        slots = sorted({part.slots[-1] for part in PARTS})
        cells = {}
        for platform in PLATFORMS:
            on_slot = dict(zip(slots, 1.0 + SLOT_SD * _tame(rng, len(slots)), strict=True))
            on_part = 1.0 + PART_SD * _tame(rng, len(PARTS))
            for part, own in zip(PARTS, on_part, strict=True):
                if platform.engine.kind in part.gain:
                    mean = part.gain[platform.engine.kind] / 100.0
                    cells[platform.slug, part.slug] = float(mean * on_slot[part.slots[-1]] * own)
        return cells

    @cached_property
    def bays(self) -> dict[str, float]:
        """How each bay reads against the mean of all, before any recorded event [log]."""
        rng = np.random.default_rng([self.seed, 2])
        raw = rng.standard_normal(len(BAYS))
        offsets = BAY_SD * (raw - raw.mean()) / raw.std(ddof=1)
        return {bay.slug: float(offset) for bay, offset in zip(BAYS, offsets, strict=True)}

    def bay_level(self, bay: str, day: date) -> float:
        """How a bay reads on a day, its recorded steps included [log]."""
        return self.bays[bay] + sum(
            event.step for event in BAY_EVENTS if event.bay == bay and event.on <= day
        )

    def car_gain(self, car_number: int, part: str) -> CarGain:
        """One part on one car; the same again whenever it is asked."""
        rng = np.random.default_rng([self.seed, 3, car_number, list(PART).index(part)])
        away = float(np.clip(rng.standard_normal(), -2.5, 2.5))
        return CarGain(1.0 + PART[part].cv * away, GAIN_FLOOR_SD * float(rng.standard_normal()))

    def fits(self, platform: str, part: str) -> bool:
        """Whether a part exists for a platform."""
        return (platform, part) in self.gains

    def part_gain(self, platform: str, part: str, rpm: Floats, car: CarGain | None = None) -> Floats:
        """Gain of one part over rpm [log], for the typical car or for one car."""
        engine = PLATFORM[platform].engine
        typical = self.gains[platform, part] * engines.part_shape(PART[part].shape, engine, rpm)
        return typical if car is None else typical * car.times + car.plus

    def fitted_gain(
        self, platform: str, parts: tuple[str, ...], rpm: Floats, car_number: int | None = None
    ) -> Floats:
        """Gain of several parts over rpm [log]: each on its own, and what their slots do together."""
        total = np.zeros_like(rpm, dtype=float)
        for part in parts:
            car = None if car_number is None else self.car_gain(car_number, part)
            total += self.part_gain(platform, part, rpm, car)
        return total + together(PLATFORM[platform].engine, parts, rpm)


def _tame(rng: np.random.Generator, count: int) -> Floats:
    """Draws of sd 1 without the far tails, so that no part turns into another."""
    return np.clip(rng.standard_normal(count), -2.0, 2.0)


def together(engine: Engine, parts: tuple[str, ...], rpm: Floats) -> Floats:
    """What pairs of parts do beside the sum of both [log over rpm]; a pair of kits counts its first match only."""
    total = 0.0
    for one, other in combinations(parts, 2):
        found = [
            TOGETHER[frozenset((a, b))]
            for a in PART[one].slots
            for b in PART[other].slots
            if frozenset((a, b)) in TOGETHER
        ]
        total += found[0] / 100.0 if found else 0.0
    return total * engines.part_shape("wide", engine, rpm)
