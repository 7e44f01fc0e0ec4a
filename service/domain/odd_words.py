"""What lies apart, in plain words: what it is, and what to look at, in which order.

Never a diagnosis: what was recorded is `consistent with` something, and the cheapest causes come first. The order is that in
which a shop finds faults: what was typed, the bay, the weather, tyres and straps, heat, fuel and spark, the way of the air,
the exhaust, the engine itself, brakes and gearbox (common practice, no source).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from service.domain.names import listed

KINDS: Final = {
    "cars": ("car", "cars"),
    "gains": ("car's gain from a part", "cars' gains from parts"),
    "setups": ("setup", "setups"),
    "pulls": ("single pull", "single pulls"),
    "bays": ("bay", "bays"),
}
"""What is looked at, in the order it is said."""

AREA_OF_REASON: Final = {
    "bay-not-compared": "the bay",
    "factor": "the weather",
    "inlet-air": "heat",
    "heat-soak": "heat",
    "mixture": "fuel and spark",
    "ethanol": "fuel and spark",
    "manifold-pressure": "the air path",
}
"""Where to look by what was recorded (service/stats/history/reasons.py)."""


@dataclass(frozen=True, slots=True)
class Look:
    """One thing to look at: where, and what to ask there."""

    area: str
    ask: str


TYPED = Look(
    "what was typed", "Is it the right car, and is all that is fitted to it recorded, its calibration too?"
)
BAY = Look(
    "the bay", "Did other cars of that day in that bay read alike? Then it is consistent with the bay."
)
WEATHER = Look(
    "the weather",
    "Were air temperature, pressure and humidity of that hour measured in the room, none of them left at a usual value?",
)
TYRES = Look("tyres and straps", "Tyre pressure and size, straps pulled over the tyre, slip on the rollers?")
HEAT = Look(
    "heat", "Inlet air, coolant and oil: as warm as in the other tests, and enough time between pulls?"
)
FUEL = Look("fuel and spark", "Which fuel was in the tank, what did lambda read, was spark taken back?")
AIR = Look(
    "the air path",
    "Filter, throttle opening, hoses: was manifold pressure as usual for this kind of car?",
)
EXHAUST = Look(
    "the exhaust",
    "Power that falls away at the top only is consistent with a narrow exhaust: measure its pressure.",
)
ENGINE = Look(
    "the engine itself", "Compression, leak-down, cam timing: by a qualified person, after all that is above."
)
DRAG = Look("brakes and gearbox", "Does a wheel drag, did the gearbox change, is the oil cold?")
NOT_STOCK = Look(
    "what was typed",
    "Is a part or a calibration fitted that nobody recorded? A strong stock car often is none.",
)
FUEL_HIGH = Look(
    "fuel and spark",
    "More ethanol in the tank than usual, or a better fuel than the kind of car is tested on?",
)
BOOST = Look("the air path", "More manifold pressure than usual is consistent with another calibration.")
PART_TYPED = Look(
    "what was typed",
    "Was the part on in the one setup and off in the other, and are the two not the wrong way round?",
)
ONE_STRAP_DOWN = Look(
    "the bay",
    "Were both measured in one strap-down? On another day or in another bay they differ by that too.",
)
PART_ITSELF = Look(
    "the part", "Fitted as meant: no leak, no gasket in the way, nothing left over that belongs on?"
)
GEAR = Look("what was typed", "Right gear, full throttle from the start, and no gear change on the way?")
RECORD_IT = Look(
    "what was typed",
    "Was the bay recalibrated, repaired or moved then? Record it, and its level begins anew there.",
)
CHECK_CAR = Look("the bay", "What did the check car read before and after? Measure it again now.")
PROBES = Look(
    "the weather",
    "Are the weather probe and its place the same as before? Hold it against another instrument.",
)
MACHINE = Look(
    "the machine",
    "Load cell, roller speed and losses, checked as its maker says, before the next car is judged.",
)

LOOKS: Final[Mapping[tuple[str, bool], tuple[Look, ...]]] = {
    ("cars", False): (TYPED, BAY, WEATHER, TYRES, HEAT, FUEL, AIR, EXHAUST, ENGINE, DRAG),
    ("cars", True): (NOT_STOCK, BAY, WEATHER, FUEL_HIGH, BOOST),
    ("gains", False): (PART_TYPED, ONE_STRAP_DOWN, WEATHER, HEAT, FUEL, PART_ITSELF),
    ("gains", True): (PART_TYPED, ONE_STRAP_DOWN, WEATHER, HEAT, FUEL_HIGH),
    ("setups", False): (TYPED, BAY, WEATHER, TYRES, HEAT, FUEL, AIR),
    ("setups", True): (NOT_STOCK, BAY, WEATHER, HEAT, FUEL_HIGH),
    ("pulls", False): (GEAR, TYRES, HEAT, FUEL),
    ("pulls", True): (GEAR, TYRES, HEAT),
    ("bays", False): (RECORD_IT, CHECK_CAR, PROBES, MACHINE),
    ("bays", True): (RECORD_IT, CHECK_CAR, PROBES, MACHINE),
}
"""What to look at by kind, and by whether it reads high."""


def looks(kind: str, high: bool, everywhere: bool | None) -> tuple[Look, ...]:
    """What to look at, in order; the bay first where power and torque both lie off on the same side."""
    found = LOOKS[kind, high]
    if not everywhere:
        return found
    return (
        *(one for one in found if one.area == "the bay"),
        *(one for one in found if one.area != "the bay"),
    )


def opening(found: Mapping[str, int], looked_at: Mapping[str, int], nothing_since: bool = False) -> str:
    """How many lie apart of how many; that none does is normal. nothing_since: nothing was measured since the asked day."""
    looked = {kind: n for kind, n in looked_at.items() if n}
    if not looked and nothing_since:
        return "Nothing was measured since then, so there is nothing to look at; choose an earlier day."
    if not looked:
        return "Nothing could be looked at here: a verdict needs eight like cars, or a car measured twice."
    odd = [
        f"{found[kind]:,} of {counted(kind, looked[kind])}" for kind in KINDS if is_found(kind, looked, found)
    ]
    if not odd:
        return f"Nothing lies apart from the rest among {listed(quiet(looked, found))}. That is normal, and nothing needs doing."
    return f"{listed(odd)} {'lies' if sum(found.values()) == 1 else 'lie'} apart from the rest."


def aside(found: Mapping[str, int], looked_at: Mapping[str, int], false_share: float) -> str | None:
    """What goes with the opening: among what nothing lies apart, and the rate of false alarms; None where none does."""
    looked = {kind: n for kind, n in looked_at.items() if n}
    if not any(is_found(kind, looked, found) for kind in KINDS):
        return None
    rest = quiet(looked, found)
    among = f"Among {listed(rest)} none does. " if rest else ""
    return f"{among}{by_chance(false_share)}"


def is_found(kind: str, looked: Mapping[str, int], found: Mapping[str, int]) -> bool:
    """Whether any of a kind that was looked at lies apart."""
    return bool(looked.get(kind) and found.get(kind))


def quiet(looked: Mapping[str, int], found: Mapping[str, int]) -> list[str]:
    """The kinds of which none lies apart, counted."""
    return [counted(kind, looked[kind]) for kind in KINDS if looked.get(kind) and not found.get(kind)]


def by_chance(false_share: float) -> str:
    """The rate of false alarms in words."""
    return (
        f"Of those listed about 1 in {1.0 / false_share:.0f} is there by chance alone; the others are worth a look, which is "
        "not to say that anything is wrong with them."
    )


def counted(kind: str, n: int) -> str:
    """So many of a kind."""
    one, many = KINDS[kind]
    return f"{n:,} {one if n == 1 else many}"


def headline(kind: str, about: Mapping[str, str], deviation_percent: float, value: str, expected: str) -> str:
    """What lies apart, in one sentence.

    about: the `vehicle`, its `subject` (kind of car, part or bay by name), `setup` and day (`at`), as far as the kind has
    them. value and expected, with their units.
    """
    by = f"{abs(deviation_percent):.1f} % {'more' if deviation_percent > 0.0 else 'less'}"
    against = f": {value} where {expected} is to be expected" if value and expected else ""
    own_level = f"{against} (its own level, bay and parts allowed for)"
    if kind == "cars":
        return f"{about['vehicle']} makes {by} than other {about['subject']} cars{against}."
    if kind == "gains":
        return f"{about['vehicle']} took the part “{about['subject']}” unlike other cars{against}."
    if kind == "setups":
        return f"Setup {about['setup']} of {about['vehicle']} reads {by} than is to be expected of this car{own_level}."
    if kind == "pulls":
        return f"One pull of {about['vehicle']} (setup {about['setup']}) reads {by} than the others of its setup{against}."
    return f"{about['subject']} seems to read {by} since {about['at']}, with nothing recorded about that day."


def areas_recorded(reasons: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """What was recorded, by where to look for it. reasons: words by code."""
    for code, words in reasons.items():
        if code in AREA_OF_REASON:
            yield AREA_OF_REASON[code], words
