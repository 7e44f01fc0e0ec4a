"""What is true in a simulated shop before anything is measured: spreads, platforms, parts and their gains, bays.

Nothing here comes from the model under test. The truth differs from shop to shop: every spread is drawn anew, some shops
are noisy, in some the parts differ far more than usual, in some the tails are heavy, and every gain also has a
little of its own that no product of factors explains.
"""

from dataclasses import dataclass, field, fields, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from service.domain.history import BayFacts, CarFacts, Catalogue, PartFacts, PlatformFacts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Gains = dict[tuple[int, int], float]
"""By (part, platform) [ln]."""

KINDS = ("usual", "usual", "hard", "usual", "wide")
"""What kind of shop each seed is, in turn."""
KNOTS = 25
PEAK_KNOT = 20
"""Where on the platform's rev range the peak lies."""
FIRST_DAY, DAYS = 19700.0, 1000.0
TAILS_DF = 5.0
LARGEST_DRAW = 3.0
RECORDED = 0.3  # of recalibrations
"""A part is never further out than this many spreads."""
LARGEST_FACTOR = 2.5
"""No part gives more than so many times what is usual for its slot: a calibration that gives 200 % does not exist."""

# Mean gains of a slot's parts [ln]: without and with a blower; None: no such part there. Common practice, no source.
SLOT_GAINS: dict[str, tuple[float | None, float | None]] = {
    "air-filter": (0.006, 0.010),
    "intake-pipe": (0.018, 0.030),
    "throttle-body": (0.010, None),
    "intake-manifold": (0.030, None),
    "camshafts": (0.050, 0.035),
    "exhaust-manifold": (0.035, 0.040),
    "turbocharger": (None, 0.200),
    "charge-cooler": (None, 0.035),
    "down-pipe": (0.015, 0.050),
    "rear-exhaust": (0.016, 0.022),
    "calibration": (0.040, 0.160),
    "down-pipe+rear-exhaust": (0.028, 0.065),
}
POPULARITY = {
    "air-filter": 3.0,
    "intake-pipe": 3.0,
    "rear-exhaust": 3.0,
    "down-pipe": 3.0,
    "calibration": 4.0,
}
"""How often a slot is changed, against 1 for the others."""
INTAKE_SIDE = {"air-filter", "intake-pipe", "throttle-body", "intake-manifold"}
EXHAUST_SIDE = {"exhaust-manifold", "down-pipe", "rear-exhaust", "down-pipe+rear-exhaust"}


@dataclass(frozen=True)
class Size:
    """How big a shop is."""

    name: str
    cars: int
    platforms: int
    bays: int
    parts_per_slot: int


SIZES = {
    size.name: size
    for size in (
        Size("tiny", 25, 2, 2, 2),
        Size("small", 120, 5, 3, 3),
        Size("shop", 600, 12, 5, 4),
        Size("big", 3000, 22, 8, 6),
    )
}


@dataclass(frozen=True)
class Spreads:
    """Standard deviations. Measuring [ln]: pull, setup, visit (strap-down and bay-day together), bay, stock cars. Relative to a
    gain: part, slot on platform, part on platform, interaction, car. floor: of a car's own gain beside it [ln];
    own: of a part on a platform beside the factors [ln]."""

    pull: float = 0.0045
    setup: float = 0.0045
    visit: float = 0.0035
    bay: float = 0.022
    stock: float = 0.025
    part: float = 0.25
    slot_platform: float = 0.22
    part_platform: float = 0.25
    interaction: float = 0.10
    car: float = 0.22
    floor: float = 0.004
    own: float = 0.0015


# The bad end of what shops report (common practice, no source); and parts that differ far more than usual (our choice).
HARD = {"pull": 0.008, "setup": 0.010, "visit": 0.010, "bay": 0.040, "stock": 0.045}
WIDE = {"part": 0.35, "slot_platform": 0.40, "part_platform": 0.50, "car": 0.30, "interaction": 0.15}
SPREAD_OF_SPREADS = 0.2


@dataclass(frozen=True)
class Bay:
    """level: offset to the mean bay [ln]; tilt over the rev range [ln]; a step of its level at a time, recorded or not."""

    bay_id: int
    level: float
    tilt: float
    step: float = 0.0
    stepped_at: float = np.inf
    recorded: bool = False

    def at(self, time: float) -> float:
        """Its offset at a time [ln]."""
        return self.level + (self.step if time >= self.stepped_at else 0.0)


@dataclass(frozen=True)
class Platform:
    """level: of its typical stock car [ln kW]; stock: spread of its stock cars [ln]."""

    platform_id: int
    boosted: bool
    level: float
    stock: float


@dataclass(frozen=True)
class Part:
    """A part and what it costs, fitted."""

    part_id: int
    slot: str
    price: float

    @property
    def slots(self) -> frozenset[str]:
        """All the places it takes."""
        return frozenset(self.slot.split("+"))


@dataclass
class World:
    """One shop's truth. gains: of a part on its own [ln]; elsewhere: what all but the part on this platform says of it; shapes: gain over the rev range against the gain at the peak [KNOTS];
    interactions: coefficient of the root of both gains, by (platform, slot, slot); inlet: what 10 degC above 25 cost
    beyond correction, by boosted [ln]; ethanol: what all ethanol against none gives with a calibration [ln]; heat: trend of
    a pull after the other, by boosted [ln]."""

    seed: int
    kind: str
    size: Size
    spreads: Spreads
    heavy_tails: bool
    platforms: dict[int, Platform] = field(default_factory=dict)
    parts: dict[int, Part] = field(default_factory=dict)
    bays: dict[int, Bay] = field(default_factory=dict)
    gains: Gains = field(default_factory=dict)
    elsewhere: Gains = field(default_factory=dict)
    shapes: dict[tuple[int, int], Floats] = field(default_factory=dict)
    interactions: dict[tuple[int, str, str], float] = field(default_factory=dict)
    inlet: dict[bool, float] = field(default_factory=dict)
    heat: dict[bool, float] = field(default_factory=dict)
    ethanol: float = 0.0
    arrivals: float = 0.0
    day_share: float = 0.5
    tangled: tuple[int, int] | None = None

    def interaction(self, platform: int, one: int, other: int) -> float:
        """What two parts together give beyond their sum [ln]."""
        slots = sorted((self.parts[one].slot, self.parts[other].slot))
        coefficient = self.interactions.get((platform, slots[0], slots[1]), 0.0)
        return coefficient * abs(self.gains[one, platform] * self.gains[other, platform]) ** 0.5

    def together(self, platform: int, parts: frozenset[int]) -> float:
        """What a set of parts gives on a platform's typical car [ln]."""
        alone = sum(self.gains[part, platform] for part in parts)
        return alone + sum(self.interaction(platform, a, b) for a, b in combinations(sorted(parts), 2))

    def fitting(self, platform: int) -> list[int]:
        """The parts that exist for a platform."""
        return [part for part in self.parts if (part, platform) in self.gains]


def draw(rng: np.random.Generator, sd: float, heavy: bool, n: int | None = None) -> Floats:
    """A deviation of that spread, normal or with the tails of t at 5 degrees of freedom."""
    plain = rng.standard_t(TAILS_DF, n) * (1.0 - 2.0 / TAILS_DF) ** 0.5 if heavy else rng.standard_normal(n)
    return sd * np.clip(plain, -LARGEST_DRAW, LARGEST_DRAW)


def draw_spreads(kind: str, rng: np.random.Generator) -> Spreads:
    """The spreads of one shop, every one of them about a fifth up or down from its centre."""
    centre = replace(Spreads(), **{"hard": HARD, "wide": WIDE}.get(kind, {}))
    return Spreads(
        **{
            one.name: getattr(centre, one.name) * float(np.exp(SPREAD_OF_SPREADS * rng.standard_normal()))
            for one in fields(Spreads)
        }
    )


def make_world(seed: int, size: Size, kind: str | None = None, spreads: Spreads | None = None) -> World:
    """The truth of a seed's shop; kind and spreads can be laid down instead of drawn."""
    rng = np.random.default_rng([seed, size.cars, 1])
    kind = kind or KINDS[seed % len(KINDS)]
    drawn = draw_spreads(kind, rng)
    world = World(seed, kind, size, spreads or drawn, heavy_tails=bool(rng.random() < 0.5))
    world.inlet = {
        boosted: -float(rng.uniform(*span))
        for boosted, span in ((False, (0.0, 0.008)), (True, (0.004, 0.018)))
    }
    world.heat = {False: -float(rng.uniform(0.0, 0.0012)), True: -float(rng.uniform(0.001, 0.0035))}
    world.ethanol = float(rng.uniform(0.0, 0.08))
    world.arrivals = float(rng.choice([0.0, 0.0, 0.03]))
    world.day_share = float(rng.uniform(0.2, 0.7))
    add_bays(world, rng)
    add_platforms(world, rng)
    add_parts(world, rng)
    add_gains(world, rng)
    add_interactions(world, rng)
    world.tangled = tangle(world, rng)
    return world


def add_bays(world: World, rng: np.random.Generator) -> None:
    """Bays whose levels have no common part; one of them is recalibrated half-way."""
    count = world.size.bays
    levels = world.spreads.bay * rng.standard_normal(count)
    stepping = int(rng.integers(count))
    for place, level in enumerate(levels - levels.mean()):
        bay = Bay(place + 1, float(level), 0.004 * float(rng.standard_normal()))
        if place == stepping and count > 2:
            size = float(rng.uniform(0.01, 0.07) * rng.choice([-1.0, 1.0]))
            when = FIRST_DAY + DAYS * float(rng.uniform(0.3, 0.7))
            bay = replace(bay, step=size, stepped_at=when, recorded=bool(rng.random() < RECORDED))
        world.bays[bay.bay_id] = bay


def add_platforms(world: World, rng: np.random.Generator) -> None:
    """Platforms with or without a blower, and how alike their stock cars are."""
    for place in range(world.size.platforms):
        stock = world.spreads.stock * float(np.exp(0.2 * rng.standard_normal()))
        level = float(np.log(rng.uniform(70.0, 260.0)))
        world.platforms[place + 1] = Platform(
            place + 1, bool(rng.random() < 0.55 or place == 0), level, stock
        )


def add_parts(world: World, rng: np.random.Generator) -> None:
    """Parts in every slot, at prices that say little about what they give."""
    for slot, means in SLOT_GAINS.items():
        mean = max(one for one in means if one is not None)
        for _ in range(int(rng.integers(1, world.size.parts_per_slot + 1))):
            part_id = 101 + len(world.parts)
            price = 120.0 + 9000.0 * mean * float(np.exp(0.5 * rng.standard_normal()))
            world.parts[part_id] = Part(part_id, slot, price)


def add_gains(world: World, rng: np.random.Generator) -> None:
    """Gain = slot mean (1 + part) (1 + slot on platform) (1 + part on platform) + a little of its own."""
    spreads, heavy = world.spreads, world.heavy_tails
    means = {
        (slot, boosted): value * float(np.exp(0.25 * rng.standard_normal()))
        for slot, pair in SLOT_GAINS.items()
        for boosted, value in zip((False, True), pair, strict=True)
        if value is not None
    }
    of_slot = {
        (slot, p): 1.0 + float(draw(rng, spreads.slot_platform, heavy))
        for slot in SLOT_GAINS
        for p in world.platforms
    }
    slot_tilt = {slot: float(rng.normal(0.0, 0.5)) for slot in SLOT_GAINS}
    for part in world.parts.values():
        of_part = 1.0 + float(draw(rng, spreads.part, heavy))
        part_tilt = slot_tilt[part.slot] + float(rng.normal(0.0, 0.25))
        for platform in world.platforms.values():
            mean = means.get((part.slot, platform.boosted))
            if mean is None or (rng.random() > 0.75 and world.size.platforms > 2):
                continue
            here = (part.part_id, platform.platform_id)
            of_cell = 1.0 + float(draw(rng, spreads.part_platform, heavy))
            own = float(draw(rng, spreads.own, heavy))
            factor = of_part * of_slot[part.slot, platform.platform_id] * of_cell
            world.gains[here] = mean * min(factor, LARGEST_FACTOR) + own
            world.elsewhere[here] = mean * of_part * of_slot[part.slot, platform.platform_id]
            world.shapes[here] = shape(part_tilt + float(rng.normal(0.0, 0.2)), float(rng.normal(0.0, 0.6)))


def shape(tilt: float, hump: float) -> Floats:
    """How a gain goes over the rev range; 1 at the peak."""
    place = np.linspace(0.0, 1.0, KNOTS)
    peak = place[PEAK_KNOT]
    return 1.0 + tilt * (place - peak) + hump * ((place - 0.5) ** 2 - (peak - 0.5) ** 2)


def add_interactions(world: World, rng: np.random.Generator) -> None:
    """A calibration brings out what the others can give; what stands in series shares one restriction."""
    spread = world.spreads.interaction
    for one, other in combinations(sorted(SLOT_GAINS), 2):
        if set(one.split("+")) & set(other.split("+")):
            continue
        centre = 0.06 if "calibration" in (one, other) else -0.04 if in_series(one, other) else 0.0
        common = centre + float(draw(rng, spread, world.heavy_tails))
        for platform in world.platforms:
            world.interactions[platform, one, other] = common + 0.3 * spread * float(rng.standard_normal())


def in_series(one: str, other: str) -> bool:
    """Whether two slots share a stream of gas."""
    return any({one, other} <= side for side in (INTAKE_SIDE, EXHAUST_SIDE))


def tangle(world: World, rng: np.random.Generator) -> tuple[int, int] | None:
    """A calibration that is changed together with one down-pipe on a third of its cars; the down-pipe never alone."""
    of = {slot: [part.part_id for part in world.parts.values() if part.slot == slot] for slot in SLOT_GAINS}
    if world.size.cars < 100:
        return None
    return int(rng.choice(of["calibration"])), int(rng.choice(of["down-pipe"]))


def catalogue_of(world: World, check_cars: frozenset[int], cars: int) -> Catalogue:
    """What the ids mean, as the ledger would say it."""
    return Catalogue(
        platforms={
            p.platform_id: PlatformFacts(
                f"platform-{p.platform_id}", f"Platform {p.platform_id}", "turbo" if p.boosted else "natural"
            )
            for p in world.platforms.values()
        },
        parts={
            k.part_id: PartFacts(f"part-{k.part_id}", f"Part {k.part_id}", k.slot, None)
            for k in world.parts.values()
        },
        bays={
            b.bay_id: BayFacts(
                f"bay-{b.bay_id}", f"Bay {b.bay_id}", "roller", (b.stepped_at,) if b.recorded else ()
            )
            for b in world.bays.values()
        },
        cars={car: CarFacts(f"car-{car}", car in check_cars) for car in range(1, cars + 1)},
    )
