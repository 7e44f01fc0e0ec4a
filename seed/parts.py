"""The parts of the invented shop: what they are, what they cost and, hidden from the ledger, what they truly do.

`gain` is the mean true gain at the peak-power speed in log-% by engine kind; a kind that is missing cannot take the
part. Sizes sit inside common workshop experience: common practice, no source.
"""

from dataclasses import dataclass, field

UNKNOWN = None
ROAD = {"document": "type approval sheet TV-{n}", "place": "invented: Vale district"}
TRACK_ONLY = {"document": "competition use only", "place": "any public road"}


@dataclass(frozen=True)
class Part:
    """One part. price [GBP]; hours of labour; shape: a name in `engines.SHAPES`; cv: car-to-car spread of the gain."""

    slug: str
    name: str
    slots: tuple[str, ...]
    price: float
    hours: float
    gain: dict[str, float]
    shape: str = "wide"
    cv: float = 0.22
    variant_of: str | None = None
    notes: str | None = None
    approval: dict[str, str] | None = field(default=UNKNOWN)


def _approval(number: int) -> dict[str, str]:
    return {key: text.format(n=number) for key, text in ROAD.items()}


PARTS = (
    Part("panel-filter", "panel filter", ("air-filter",), 48.0, 0.3,
         {"turbo": 0.0, "natural": 0.0, "diesel": 0.0}, "flat", approval=_approval(101)),
    Part("open-intake", "open intake with heat shield", ("air-filter", "intake-pipe"), 195.0, 1.2,
         {"turbo": 1.3, "natural": 0.9, "diesel": 0.6}, "top", notes="re-check the hose clamps after 500 km"),
    Part("large-throttle-body", "throttle body, 6 mm larger", ("throttle-body",), 310.0, 0.8,
         {"natural": 1.5, "turbo": 0.4}, "top"),
    Part("side-feed-plenum", "side-feed plenum", ("intake-manifold",), 760.0, 3.5,
         {"natural": 3.2}, "low-loss", notes="new gaskets each time"),
    Part("side-feed-plenum-re-machined", "side-feed plenum, re-machined", ("intake-manifold",), 940.0, 3.5,
         {"natural": 4.6}, "low-loss", variant_of="side-feed-plenum", notes="inlets blended to the head"),
    Part("ported-head", "cylinder head, ported", ("cylinder-head",), 1350.0, 14.0, {"natural": 5.0}, "wide"),
    Part("fast-road-camshafts", "fast-road camshafts", ("camshafts",), 820.0, 9.0, {"natural": 6.5}, "low-loss"),
    Part("high-compression-pistons", "high-compression pistons", ("pistons",), 1240.0, 18.0, {"natural": 3.6}, "flat"),
    Part("long-primary-manifold", "long-primary exhaust manifold", ("exhaust-manifold",), 980.0, 4.5,
         {"natural": 4.2}, "wide", approval=TRACK_ONLY),
    Part("short-primary-manifold", "short-primary exhaust manifold", ("exhaust-manifold",), 540.0, 4.0,
         {"natural": 2.0}, "middle"),
    Part("large-bore-silencer", "large-bore silencer", ("rear-exhaust",), 420.0, 1.5,
         {"turbo": 1.9, "natural": 2.1, "diesel": 0.9}, "wide", approval=_approval(118)),
    Part("straight-through-silencer", "straight-through silencer", ("rear-exhaust",), 240.0, 1.4,
         {"turbo": 1.7, "natural": 1.5, "diesel": 0.8}, "wide", approval=TRACK_ONLY),
    Part("200-cell-down-pipe", "200-cell down-pipe", ("down-pipe", "catalyst"), 640.0, 3.0,
         {"turbo": 4.4, "diesel": 2.4}, "wide", approval=TRACK_ONLY),
    Part("200-cell-catalyst", "200-cell catalyst", ("catalyst",), 380.0, 1.8, {"natural": 1.6}, "wide"),
    Part("whole-exhaust", "exhaust from the turbocharger back", ("down-pipe", "catalyst", "rear-exhaust"), 1180.0, 4.5,
         {"turbo": 6.2}, "wide", approval=TRACK_ONLY),
    Part("large-charge-cooler", "large charge cooler", ("charge-cooler",), 560.0, 3.0,
         {"turbo": 2.4, "diesel": 1.6}, "wide"),
    Part("hard-charge-pipes", "hard charge pipes", ("charge-pipes",), 180.0, 1.5, {"turbo": 0.3, "diesel": 0.2}, "flat"),
    Part("larger-turbocharger", "turbocharger, larger wheels", ("turbocharger",), 1450.0, 9.0,
         {"turbo": 11.0, "diesel": 8.5}, "late"),
    Part("boost-control-valve", "boost control valve", ("boost-control",), 120.0, 0.8, {"turbo": 2.2}, "middle"),
    Part("larger-injectors", "injectors, 20 per cent larger", ("injectors",), 390.0, 2.0,
         {"turbo": 0.3, "natural": 0.0}, "flat"),
    Part("colder-plugs", "spark plugs, one grade colder", ("ignition",), 62.0, 0.7, {"turbo": 0.2, "natural": 0.0}, "flat"),
    Part("water-injection-kit", "water injection kit", ("water-injection",), 490.0, 4.0, {"turbo": 2.8}, "boost"),
    Part("road-calibration", "road calibration", ("calibration",), 450.0, 2.0,
         {"turbo": 13.5, "natural": 2.3, "diesel": 15.5}, "boost", cv=0.14, notes="needs the fuel it was made for"),
    Part("track-calibration", "track calibration", ("calibration",), 640.0, 3.0,
         {"turbo": 17.5, "natural": 3.0}, "boost", cv=0.14, variant_of=None, approval=TRACK_ONLY),
    Part("light-flywheel", "light flywheel with clutch", ("clutch",), 610.0, 5.0,
         {"turbo": 0.4, "natural": 0.6, "diesel": 0.2}, "flat"),
    Part("lighter-wheels", "lighter wheels, same tyre", ("wheels-tyres",), 720.0, 0.6,
         {"turbo": 0.4, "natural": 0.4, "diesel": 0.2}, "flat"),
    Part("thin-oil", "thinner engine oil", ("lubricants",), 64.0, 0.5, {"turbo": 0.4, "natural": 0.5, "diesel": 0.3}, "flat"),
    Part("full-service", "full service: plugs, filters, fluids", ("service-event",), 210.0, 2.5,
         {"turbo": 0.6, "natural": 0.7, "diesel": 0.7}, "flat", cv=0.5),
)  # fmt: skip
PART = {part.slug: part for part in PARTS}

# Parts in one path share its restriction: what two slots do together beside the sum of both [log-%], our choice.
TOGETHER = {
    frozenset(("calibration", "down-pipe")): 0.9,
    frozenset(("calibration", "charge-cooler")): 0.6,
    frozenset(("down-pipe", "rear-exhaust")): -0.6,
    frozenset(("intake-manifold", "camshafts")): 0.8,
    frozenset(("exhaust-manifold", "rear-exhaust")): -0.5,
    frozenset(("air-filter", "throttle-body")): -0.2,
}

# How many cars should have a clean same-car comparison, per 400 cars: strong (8+), fair (4-7), thin (1-3) and none.
CLEAN_PAIRS: dict[str, dict[str, int]] = {
    "halvern-stoat-16t": {
        "road-calibration": 16, "200-cell-down-pipe": 12, "large-bore-silencer": 12, "open-intake": 6,
        "large-charge-cooler": 5, "panel-filter": 11, "boost-control-valve": 3, "hard-charge-pipes": 2,
        "water-injection-kit": 1, "colder-plugs": 1,
    },
    "halvern-marten-25t": {
        "road-calibration": 11, "200-cell-down-pipe": 6, "large-charge-cooler": 4, "large-bore-silencer": 4,
        "panel-filter": 2, "open-intake": 1,
    },
    "merrow-sandpiper-20": {
        "side-feed-plenum": 11, "side-feed-plenum-re-machined": 5, "long-primary-manifold": 11,
        "large-bore-silencer": 11, "large-throttle-body": 5, "panel-filter": 5, "open-intake": 3,
        "road-calibration": 3, "short-primary-manifold": 1, "thin-oil": 1,
    },
    "merrow-heron-35": {
        "large-bore-silencer": 6, "long-primary-manifold": 5, "side-feed-plenum": 4, "road-calibration": 4,
        "large-throttle-body": 2, "panel-filter": 3,
    },
    "tarn-drover-30d": {
        "road-calibration": 12, "large-charge-cooler": 5, "large-bore-silencer": 3, "panel-filter": 4,
        "200-cell-down-pipe": 1,
    },
    "tarn-fell-50": {
        "large-bore-silencer": 6, "long-primary-manifold": 4, "road-calibration": 2, "large-throttle-body": 2,
    },
}  # fmt: skip

# Long jobs are done over days: the car comes back and is strapped down again.
LONG_JOBS: dict[str, tuple[str, ...]] = {
    "halvern-stoat-16t": ("larger-turbocharger", "track-calibration"),
    "halvern-marten-25t": ("larger-turbocharger",),
    "merrow-sandpiper-20": (
        "fast-road-camshafts",
        "ported-head",
        "high-compression-pistons",
        "fast-road-camshafts",
    ),
    "merrow-heron-35": ("fast-road-camshafts",),
    "tarn-drover-30d": ("larger-turbocharger",),
    "tarn-fell-50": ("fast-road-camshafts", "ported-head"),
}

# One part taken off and another of the same slot put on, in one strap-down.
SWAPS: dict[str, tuple[tuple[str, str], ...]] = {
    "halvern-stoat-16t": (
        ("large-bore-silencer", "straight-through-silencer"), ("road-calibration", "track-calibration"),
        ("panel-filter", "open-intake"),
    ),
    "halvern-marten-25t": (("large-bore-silencer", "straight-through-silencer"),),
    "merrow-sandpiper-20": (
        ("side-feed-plenum", "side-feed-plenum-re-machined"), ("large-bore-silencer", "straight-through-silencer"),
        ("short-primary-manifold", "long-primary-manifold"),
    ),
    "merrow-heron-35": (("side-feed-plenum", "side-feed-plenum-re-machined"),),
    "tarn-drover-30d": (("large-bore-silencer", "straight-through-silencer"),),
    "tarn-fell-50": (("large-bore-silencer", "straight-through-silencer"),),
}  # fmt: skip

# What is put on together, so that no single comparison tells the parts apart.
BUNDLES: dict[str, tuple[tuple[str, ...], ...]] = {
    "halvern-stoat-16t": (
        ("200-cell-down-pipe", "road-calibration"), ("open-intake", "large-charge-cooler", "road-calibration"),
        ("whole-exhaust", "track-calibration"), ("large-bore-silencer", "lighter-wheels"),
    ),
    "halvern-marten-25t": (
        ("200-cell-down-pipe", "road-calibration"), ("larger-turbocharger", "larger-injectors", "track-calibration"),
    ),
    "merrow-sandpiper-20": (
        ("long-primary-manifold", "large-bore-silencer"), ("side-feed-plenum", "fast-road-camshafts"),
        ("open-intake", "large-throttle-body", "road-calibration"),
    ),
    "merrow-heron-35": (
        ("long-primary-manifold", "large-bore-silencer"), ("open-intake", "200-cell-catalyst"),
    ),
    "tarn-drover-30d": (("large-charge-cooler", "road-calibration"), ("200-cell-down-pipe", "large-bore-silencer")),
    "tarn-fell-50": (("long-primary-manifold", "200-cell-catalyst"), ("light-flywheel", "large-bore-silencer")),
}  # fmt: skip


def slots_of(parts: tuple[str, ...]) -> set[str]:
    """Every slot these parts fill."""
    return {slot for slug in parts for slot in PART[slug].slots}


def fits_beside(slug: str, parts: tuple[str, ...]) -> bool:
    """Whether a part's slots are all free beside these parts."""
    return not slots_of((slug,)) & slots_of(parts)
