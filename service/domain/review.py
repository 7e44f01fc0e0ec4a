"""What a bay is told right after a post, while the car is still strapped down: how far the pulls lie apart, what moved
between them, which one to repeat.

Vocabulary: a pull is `counted` where it stands behind its setup's figure; spreads and ranges are relative (0.005 is half
a percent); a finding is `open` while nobody cleared it and the pull it is about counts.
"""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from service.domain.checks import RULES
from service.domain.checks.agreement import SPREAD_LIMIT, SPREAD_LIMIT_MORE
from service.domain.checks.rules import AREAS, Area
from service.domain.pairing import WINDOWS

STOP: Final = frozenset({"lean-at-full-load"})
"""Checks after which nobody pulls again before somebody has looked (common practice, no source)."""
DISAGREE: Final = "pulls-disagree"
WARMING: Final = "warm-up-pull"
HOT: Final = "heat-soak"
SLIPS: Final = frozenset({
    "clutch-slip", "tyre-slip", "converter-unlocked", "rpm-scale", "rpm-doubled", "roller-speed-unit", "wrong-gear",
})  # fmt: skip
"""Doubts of slip, engine speed and gear: while one stands, a level says nothing of which pull is odd (our choice)."""
ENOUGH_PULLS: Final = 3
"""So many good pulls make a setup's figure (common practice, no source)."""
NOT_MENDED_BY_A_PULL: Final = frozenset({"typing", "bay", "weather"})
"""Areas in which the record is looked at first: the same pull again would read the same (our choice)."""
CUT_SHORT: Final = frozenset({"few-samples", "rpm-coverage"})
"""Checks of those areas that another pull does mend: a curve begun late or broken off."""
FEW_CARS: Final = 8
"""No verdict on a car beside fewer (common practice, no source)."""
FEWEST_CARS: Final = 3
"""A median over fewer cars says little (our choice)."""
SLACK: Final = 1e-9
"""What a condition may lie outside its window by rounding alone, as 41 - 38 in another unit."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition of a pull: the field it is kept under, its name in documents, in words, its quantity, its window."""

    field: str
    name: str
    words: str
    quantity: str | None
    window: float


CONDITIONS: Final = (
    Condition("inlet_c", "inlet", "inlet air", "temperature", WINDOWS["inlet_c"]),
    Condition("coolant_c", "coolant", "coolant", "temperature", WINDOWS["coolant_c"]),
    Condition("oil_c", "oil", "oil", "temperature", WINDOWS["oil_c"]),
    Condition("lambda_mean", "lambda", "lambda", None, WINDOWS["lambda_mean"]),
    Condition("map_max_kpa", "map", "manifold pressure", "pressure", WINDOWS["map_max_kpa"]),
    # Between compared pulls 2 degC and 0.3 kPa; common practice, no source.
    Condition("temperature_c", "temperature", "room air", "temperature", 2.0),
    Condition("pressure_kpa", "pressure", "air pressure", "pressure", 0.3),
)
"""What may move between the pulls of a setup. Those that a compared setup has too have the same window there."""


@dataclass(frozen=True, slots=True)
class CountedPull:
    """A pull that stands behind its setup's figure: ln of its peak power at the setup's level, None where it has none;
    its conditions by field, in SI, only those that were recorded."""

    n: int
    log_power: float | None
    conditions: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Drift:
    """How a condition went from the first counted pull to the last, and how far apart its extremes lie [SI]."""

    condition: Condition
    first: float
    last: float
    range: float

    @property
    def outside(self) -> bool:
        """Whether it moved further than counts as held."""
        return self.range > self.condition.window + SLACK


@dataclass(frozen=True, slots=True)
class Repeat:
    """A pull to repeat and why; None = one more pull. `codes` are the findings that this already says; `again` is false
    where marking it is enough, because enough good ones remain."""

    pull: int | None
    why: str
    codes: frozenset[str] = frozenset()
    again: bool = True


@dataclass(frozen=True, slots=True)
class Remarked:
    """What a check said, with the area to look in and what it is consistent with (None: the check is not known)."""

    area: Area
    code: str
    level: str
    message: str
    consistent_with: str | None
    pointer: str
    setup_n: int | None
    pull_n: int | None
    open: bool

    def is_doubt(self) -> bool:
        """Whether it keeps its setup out of the answers."""
        return self.open and self.level == "doubtful"

    def about(self, setup_n: int) -> bool:
        """Whether it speaks of this setup, alone or with the whole session."""
        return self.setup_n in (None, setup_n)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a setup's peak power lies among the platform's other stock cars, one value a car.

    median_kw: None without cars; deviation: from it, relative, None under FEWEST_CARS; above: cars it reads above;
    percentile and interval [0..100]: None under ten cars; noise: standard error of the reading itself, relative.
    """

    stock: bool
    cars: int
    median_kw: float | None
    deviation: float | None
    above: int
    percentile: float | None
    interval: tuple[float, float] | None
    noise: float


@dataclass(frozen=True, slots=True)
class SetupReview:
    """One state of the car: its figure, how well its pulls agree, what moved, what to repeat.

    mean_kw at `standard`, None where that is none or not known, and `standing` the same in words; explained: the range that 99 of 100 good sets of so many pulls keep within; error: standard
    error of the mean within this strap-down; smallest: change that a second state of equally many pulls would show.
    """

    n: int
    label: str | None
    parts: tuple[str, ...]
    struck: bool
    pulls: int
    peaks_only: bool
    standard: str | None
    standing: str
    mean_kw: float | None
    spread: float | None
    range: float | None
    explained: float | None
    error: float | None
    smallest: float | None
    drifts: tuple[Drift, ...]
    repeats: tuple[Repeat, ...]
    place: Place | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """A before/after pair: its gain in peak power with the interval of its own noise at 95 %.

    Gains are relative, None where the two figures cannot be compared; gain_kw where the level is known too; returned:
    how the repeated state read against its first reading, None where none was repeated.
    """

    part: str
    against: str | None
    before: tuple[UUID, int]
    after: tuple[UUID, int]
    match: str
    held: bool
    usable: bool
    differs: Sequence[Mapping[str, Any]]
    gain: float | None
    interval: tuple[float, float] | None
    gain_kw: float | None
    returned: float | None

    @property
    def established(self) -> bool:
        """Whether the interval leaves nought out."""
        return self.interval is not None and (self.interval[0] > 0.0 or self.interval[1] < 0.0)


@dataclass(frozen=True, slots=True)
class Review:
    """All that is said of a session right after it was posted, in SI."""

    session: UUID
    vehicle: str
    platform: str
    bay: str
    started_at: datetime
    struck: bool
    standard: str
    pull_spread: float
    setups: tuple[SetupReview, ...]
    comparisons: tuple[Comparison, ...]
    findings: tuple[Remarked, ...]

    def doubts(self) -> list[Remarked]:
        """The doubts that stand, in the order in which the cause is looked for."""
        return [one for one in self.findings if one.is_doubt()]

    def look_first(self) -> list[Area]:
        """The areas with doubts, in that order."""
        return list(dict.fromkeys(one.area for one in self.doubts()))


def area_of(code: str) -> Area:
    """Where to look first. What no check said is the ledger holding two records against each other: typing."""
    return RULES[code].area if code in RULES else "typing"


def in_order(findings: Sequence[Remarked]) -> tuple[Remarked, ...]:
    """Findings in the order in which the cause is looked for; within an area doubts first, then as they were posted."""
    return tuple(sorted(findings, key=lambda one: (AREAS.index(one.area), one.level != "doubtful")))


def range_of(pulls: Sequence[CountedPull]) -> float | None:
    """How far the pulls lie apart, relative; None under two, or where one has no peak power."""
    logs = [pull.log_power for pull in pulls if pull.log_power is not None]
    if len(logs) < 2 or len(logs) < len(pulls):
        return None
    return max(logs) - min(logs)


def explained_range(pulls: int, pull_spread: float, times: float = 1.0) -> float | None:
    """The range [relative] that 99 of 100 good sets of so many pulls keep within; None under two pulls.

    `times` is the limit of the check on pulls that disagree, as it holds in the bay.
    """
    if pulls < 2:
        return None
    return limit_in_spreads(pulls) * pull_spread * times


def drifts_of(pulls: Sequence[CountedPull]) -> Iterator[Drift]:
    """What moved between the pulls, of all that two or more of them recorded."""
    for condition in CONDITIONS:
        seen = [pull.conditions[condition.field] for pull in pulls if condition.field in pull.conditions]
        if len(seen) >= 2:
            yield Drift(condition, seen[0], seen[-1], max(seen) - min(seen))


def repeats_of(
    pulls: Sequence[CountedPull], findings: Sequence[Remarked], explained: float | None
) -> tuple[Repeat, ...]:
    """Which pulls of a setup to repeat, of those counted and the findings about it; none: nothing needs it.

    None either where a check says stop, or where somebody confirmed that the pulls lie so far apart, or from the level
    alone while the car slips or its speeds are in doubt. A pull with a doubt of its own and one that reads low while
    warming go before the one furthest from the others; a single pull asks for one more.
    """
    if not pulls or any(one.code in STOP and one.is_doubt() for one in findings):
        return ()
    own = {one.pull: one for one in (*warming(pulls, findings), *doubted(pulls, findings))}
    rest = [pull for pull in pulls if pull.n not in own]
    if own and agree(rest, len(pulls), explained):
        return tuple(
            replace(own[pull.n], codes=own[pull.n].codes | {DISAGREE}) for pull in pulls if pull.n in own
        )
    if own:
        return tuple(own[pull.n] for pull in pulls if pull.n in own)
    if len(pulls) == 1:
        return (Repeat(None, "one more pull shows whether it repeats"),)
    if any(one.code in SLIPS and one.is_doubt() for one in findings):
        return ()
    said_so = [one for one in findings if one.code == DISAGREE]
    if any(not one.open for one in said_so) or (agree(pulls, len(pulls), explained) and not said_so):
        return ()
    return (furthest(pulls, explained),)


def agree(rest: Sequence[CountedPull], of: int, explained: float | None) -> bool:
    """Whether what is left of so many pulls lies as near together as fewer pulls should."""
    apart = range_of(rest)
    if apart is None or explained is None:
        return True
    return apart <= explained * limit_in_spreads(len(rest)) / limit_in_spreads(of)


def limit_in_spreads(pulls: int) -> float:
    """The range that 99 of 100 good sets of so many pulls keep within, in pull spreads."""
    return SPREAD_LIMIT.get(pulls, SPREAD_LIMIT_MORE)


def doubted(pulls: Sequence[CountedPull], findings: Sequence[Remarked]) -> Iterator[Repeat]:
    """The pulls with a doubt of their own. One that stands against every pull is not mended by repeating any."""
    own = [
        one
        for one in findings
        if one.is_doubt() and (one.area not in NOT_MENDED_BY_A_PULL or one.code in CUT_SHORT)
    ]
    everywhere = {
        one.code for one in own if len(pulls) > 1 and pulls_with(one.code, own) >= {pull.n for pull in pulls}
    }
    for pull in pulls:
        against = [one for one in own if one.pull_n == pull.n and one.code not in everywhere]
        if against:
            why = said(against[0])
            if against[0].code == HOT and "let it cool" not in why:
                why += "; let it cool first"
            yield Repeat(pull.n, why, frozenset({against[0].code}))


def pulls_with(code: str, findings: Sequence[Remarked]) -> set[int]:
    """The numbers of the pulls against which a check speaks."""
    return {one.pull_n for one in findings if one.code == code and one.pull_n is not None}


def warming(pulls: Sequence[CountedPull], findings: Sequence[Remarked]) -> Iterator[Repeat]:
    """A first pull that reads low while the car was still warming."""
    numbers = {pull.n for pull in pulls}
    again = len(pulls) <= ENOUGH_PULLS
    for one in findings:
        if one.code == WARMING and one.open and one.pull_n in numbers:
            why = "it reads low while the car was still warming: mark it as settling"
            why += " and pull once more" if again else ""
            yield Repeat(one.pull_n, why, frozenset({WARMING, DISAGREE}), again)


def furthest(pulls: Sequence[CountedPull], explained: float | None) -> Repeat:
    """The pull furthest from the others, where the others agree without it; one more pull where they do not."""
    codes = frozenset({DISAGREE})
    apart, logs = range_of(pulls) or 0.0, {pull.n: pull.log_power or 0.0 for pull in pulls}
    usual = explained is not None and explained < apart
    limit = f"; good pulls here keep within {percent(explained)} %" if usual and explained else ""
    if len(pulls) == 2:
        return Repeat(
            None, f"one more pull shows which to keep: the two lie {percent(apart)} % apart{limit}", codes
        )
    middle = sum(logs.values()) / len(logs)
    odd = max(logs, key=lambda n: abs(logs[n] - middle))
    if not agree([pull for pull in pulls if pull.n != odd], len(pulls), explained):
        why = f"find what moves, then pull again: the pulls lie {percent(apart)} % apart and none stands out{limit}"
        return Repeat(None, why, codes)
    off = math.expm1(logs[odd] - (sum(logs.values()) - logs[odd]) / (len(logs) - 1))
    side = "over" if off > 0 else "under"
    return Repeat(
        odd, f"it reads {percent(off)} % {side} the others, so all lie {percent(apart)} % apart{limit}", codes
    )


def said(finding: Remarked) -> str:
    """What a check said, with what that is consistent with unless its message says so itself or ends by asking."""
    message = printed(finding.message.rstrip("."))
    if finding.consistent_with is None or "consistent with" in message or message.endswith("?"):
        return message
    return f"{message}; consistent with {finding.consistent_with}"


def printed(message: str) -> str:
    """A message with its units as they are printed: `30 %`, `°C`, `N·m`."""
    spaced = re.sub(r"(?<=\d)%", " %", message)
    return spaced.replace("degC", "°C").replace("N.m", "N·m")


def percent(relative: float) -> str:
    """A range of logarithms in percent as the check says it, to the tenth, without its sign."""
    return f"{abs(relative):.1%}".removesuffix("%")
