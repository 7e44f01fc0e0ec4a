"""Before/after pairs: two setups of one car that differ by one part added, or by one part replaced in its slot.

Vocabulary: `without` is the state before or without the part, `with_` the state with it, whichever was measured
first. `again` is the repeat of one of the two states on the other side of the other one (A-B-A): the repeated
state's figure is then taken between its two readings, which cancels a straight drift.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.derive import OBSERVED, UNKNOWN
from service.domain.levels import footing_shared

MATCHES = ("same-session-aba", "same-session", "same-day", "other-day", "other-bay", "peaks-only")
"""How near two setups were, best first; stored as the position in this tuple."""
LIKE_FOR_LIKE = MATCHES[:2]
WITHOUT = 0
"""Stands in `against_id` for 'the same car without the part'."""
SAME_DAY_HOURS = 12.0
"""Two strap-downs in one bay nearer than this are the same day's work (our choice)."""

WINDOWS: Mapping[str, float] = {
    # Largest difference between two compared setups that still counts as held; common practice, no source.
    "coolant_c": 3.0,
    "oil_c": 5.0,
    "inlet_c": 3.0,
    "ethanol": 0.03,
    "lambda_mean": 0.015,
    "spark_advance_deg": 0.5,
    "map_max_kpa": 2.0,
    "tyre_pressure_kpa": 7.0,
    "ramp_rpm_s": 0.05,
    "temperature_c": 2.0,
    "pressure_kpa": 0.3,
}
"""As a difference, in SI; of the ramp as a share."""
OF_ONE_SESSION = frozenset({"temperature_c", "pressure_kpa"})
"""The bay's air may drift this much within one session; between sessions it is another day's, and correction's to mend."""
RELATIVE = frozenset({"ramp_rpm_s"})
NEEDED = ("coolant_c", "inlet_c")
"""Conditions without which nobody can say that a comparison was held (our choice): not recorded is not the same."""
CONDITIONS = (
    "temperature_c", "pressure_kpa", "vapour_kpa", "factor", "coolant_c", "oil_c", "inlet_c", "lambda_mean",
    "map_max_kpa", "ethanol", "spark_advance_deg", "ramp_rpm_s", "tyre_pressure_kpa", "gear", "ratio",
)  # fmt: skip
"""What both sides of a pair are shown with."""

OF_THE_LEVEL = frozenset({
    # Doubts about the level at which a whole session stands, by check: a ratio inside it does not hang on them. Whether
    # it was this car at all is another matter.
    "factor-outside-limits", "pressure-not-station", "weather-stuck", "weather-stations-differ", "bay-day-off",
})  # fmt: skip

PART_MAY_CHANGE: Mapping[str, frozenset[str]] = {
    # A condition that a part of this slot changes by its nature is its effect, not a fault of the test (our choice).
    "calibration": frozenset({"lambda_mean", "spark_advance_deg", "map_max_kpa"}),
    "boost-control": frozenset({"map_max_kpa", "spark_advance_deg"}),
    "turbocharger": frozenset({"map_max_kpa", "inlet_c", "spark_advance_deg"}),
    "charge-cooler": frozenset({"inlet_c", "map_max_kpa", "spark_advance_deg"}),
    "charge-pipes": frozenset({"inlet_c", "map_max_kpa"}),
    "down-pipe": frozenset({"map_max_kpa"}),
    "catalyst": frozenset({"map_max_kpa"}),
    "rear-exhaust": frozenset({"map_max_kpa"}),
    "intake-manifold": frozenset({"map_max_kpa"}),
    "intake-pipe": frozenset({"map_max_kpa", "inlet_c"}),
    "air-filter": frozenset({"map_max_kpa"}),
    "throttle-body": frozenset({"map_max_kpa"}),
    "injectors": frozenset({"lambda_mean"}),
    "fuel-pump": frozenset({"lambda_mean"}),
    "fuel": frozenset({"ethanol", "lambda_mean", "spark_advance_deg"}),
    "water-injection": frozenset({"inlet_c", "lambda_mean", "spark_advance_deg"}),
    "nitrous": frozenset({"lambda_mean", "spark_advance_deg"}),
    "wheels-tyres": frozenset({"tyre_pressure_kpa", "tyre_size"}),
    "final-drive": frozenset({"ratio"}),
}


@dataclass(frozen=True, slots=True)
class CarSetup:
    """One setup of a car as pairing sees it."""

    setup_id: int
    session_id: int
    n: int
    bay_id: int
    started_at: datetime
    part_ids: frozenset[int]
    parts_known: str
    counts: bool
    peaks_only: bool
    level_standard: str | None
    observed_known: bool
    doubts: tuple[str, ...]
    coolant_c: float | None = None
    oil_c: float | None = None
    inlet_c: float | None = None
    ethanol: float | None = None
    lambda_mean: float | None = None
    spark_advance_deg: float | None = None
    map_max_kpa: float | None = None
    ramp_rpm_s: float | None = None
    temperature_c: float | None = None
    pressure_kpa: float | None = None
    tyre_pressure_kpa: float | None = None
    tyre_size: str | None = None
    gear: int | None = None
    ratio: float | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One condition that was not the same in both setups of a pair."""

    what: str
    before: float | str | None
    after: float | str | None
    window: float | None


def is_unrecorded(differs: Mapping[str, object]) -> bool:
    """Whether a condition that was not held is one that was not recorded on both sides: nobody knows that it moved."""
    return differs["before"] is None or differs["after"] is None


@dataclass(frozen=True, slots=True)
class Pair:
    """One before/after comparison of one car."""

    part_id: int
    against_id: int
    setup_with: int
    setup_without: int
    setup_again: int | None
    again_share: float | None
    again_is_with: bool | None
    at: datetime
    same_session: bool
    match: str
    held: bool
    usable: bool
    gap_days: float
    differs: tuple[Difference, ...]


def pairs_of_car(
    setups: Sequence[CarSetup],
    slots: Mapping[int, frozenset[str]],
    touching: frozenset[int] | None = None,
    windows: Mapping[str, float] = WINDOWS,
) -> list[Pair]:
    """All pairs of one car; with `touching`, only those in which one of these setups stands.

    `slots` gives the slots each part fills, `windows` what still counts as held. Setups that do not count make no pair.
    """
    counted = sorted((s for s in setups if s.counts), key=lambda s: (s.started_at, s.session_id, s.n))
    found: list[Pair] = []
    for with_, without, part, against in changes(counted, slots, touching):
        pair = compare(with_, without, part, against, counted, slots, windows)
        if pair is not None:
            found.append(pair)
    return found


def changes(
    setups: Sequence[CarSetup], slots: Mapping[int, frozenset[str]], touching: frozenset[int] | None = None
) -> Iterator[tuple[CarSetup, CarSetup, int, int]]:
    """Every ordered (with, without, part, against) that one single change explains and the records allow.

    With `touching`, only those in which one of these setups stands: a new setup is held against all the others, the
    others not against each other again.
    """
    touched = setups if touching is None else [s for s in setups if s.setup_id in touching]
    for with_ in setups:
        for without in setups if touching is None or with_.setup_id in touching else touched:
            change = single_change(with_.part_ids, without.part_ids, slots)
            if change is not None and comparable(with_, without):
                yield with_, without, *change


def single_change(
    with_parts: frozenset[int], without_parts: frozenset[int], slots: Mapping[int, frozenset[str]]
) -> tuple[int, int] | None:
    """(part, against) where the sets differ by one part added, or by one replaced in a slot they share."""
    added, removed = with_parts - without_parts, without_parts - with_parts
    if len(added) != 1 or len(removed) > 1:
        return None
    (part,) = added
    if not removed:
        return part, WITHOUT
    (against,) = removed
    shared = slots.get(part, frozenset()) & slots.get(against, frozenset())
    return (part, against) if shared else None


def comparable(a: CarSetup, b: CarSetup) -> bool:
    """Inside one session the figures must stand on one footing; across sessions both part lists must be complete too,
    and both figures stand in the same standard or in any."""
    if a.session_id == b.session_id:
        return one_footing(a, b)
    if a.parts_known != "complete" or b.parts_known != "complete":
        return False
    return a.level_standard == b.level_standard and a.level_standard not in (None, OBSERVED, UNKNOWN)


def one_footing(a: CarSetup, b: CarSetup) -> bool:
    """Whether the figures of two setups can be divided by each other."""
    return footing_shared(a.level_standard, a.observed_known, b.level_standard, b.observed_known)


def compare(
    with_: CarSetup,
    without: CarSetup,
    part: int,
    against: int,
    setups: Sequence[CarSetup],
    slots: Mapping[int, frozenset[str]],
    windows: Mapping[str, float],
) -> Pair | None:
    """The graded pair of two setups, or None where it is the second half of an A-B-A already made."""
    again, share = None, None
    if with_.session_id == without.session_id:
        repeated = repeated_state(with_, without, [s for s in setups if one_footing(s, with_)])
        if repeated is not None:
            again, share, first_half = repeated
            if not first_half:
                return None
    differs = tuple(differences(without, with_, slots.get(part, frozenset()), windows))
    match = grade(with_, without, again is not None)
    return Pair(
        part_id=part,
        against_id=against,
        setup_with=with_.setup_id,
        setup_without=without.setup_id,
        setup_again=again.setup_id if again else None,
        again_share=share,
        again_is_with=None if again is None else again.part_ids == with_.part_ids,
        at=max(with_.started_at, without.started_at),
        same_session=with_.session_id == without.session_id,
        match=match,
        held=not differs,
        usable=usable([with_, without] if again is None else [with_, without, again]),
        gap_days=(with_.started_at - without.started_at).total_seconds() / 86400.0,
        differs=differs,
    )


def repeated_state(
    with_: CarSetup, without: CarSetup, setups: Sequence[CarSetup]
) -> tuple[CarSetup, float, bool] | None:
    """(repeat, share, is this the first half?) where one of two same-session states was measured on both sides.

    `share` is how far the middle state lies between the two readings of the repeated one, 0..1: the weight of `again`.
    In A-B-A-B the middle two are the second half of A-B-A and the first of B-A-B: the first half makes the pair.
    """
    second_half: tuple[CarSetup, float, bool] | None = None
    for outer, middle in ((without, with_), (with_, without)):
        twins = [
            s
            for s in setups
            if s.session_id == middle.session_id
            and s.part_ids == outer.part_ids
            and s.setup_id != outer.setup_id
        ]
        after = [s for s in twins if s.n > middle.n]
        before = [s for s in twins if s.n < middle.n]
        if outer.n < middle.n and after and not any(s.n > outer.n for s in before):
            last = min(after, key=lambda s: s.n)
            return last, (middle.n - outer.n) / (last.n - outer.n), True
        if outer.n > middle.n and before and not any(s.n < outer.n for s in after):
            second_half = (outer, 0.0, False)
    return second_half


def grade(with_: CarSetup, without: CarSetup, aba: bool) -> str:
    """How near the two setups were, in the words of MATCHES."""
    if with_.peaks_only or without.peaks_only:
        return "peaks-only"
    if with_.session_id == without.session_id:
        return "same-session-aba" if aba else "same-session"
    if with_.bay_id != without.bay_id:
        return "other-bay"
    hours = abs((with_.started_at - without.started_at).total_seconds()) / 3600.0
    return "same-day" if hours <= SAME_DAY_HOURS else "other-day"


def usable(sides: Sequence[CarSetup]) -> bool:
    """Whether no doubt stands against the ratio. What is doubted of the level alone cancels inside one session."""
    one_session = len({side.session_id for side in sides}) == 1
    forgiven = OF_THE_LEVEL if one_session else frozenset()
    return not {doubt for side in sides for doubt in side.doubts} - forgiven


def differences(
    before: CarSetup, after: CarSetup, part_slots: Iterable[str], windows: Mapping[str, float] = WINDOWS
) -> Iterator[Difference]:
    """Every condition outside its window that the part itself does not explain, and the needed ones not recorded."""
    excused = frozenset().union(*(PART_MAY_CHANGE.get(slot, frozenset()) for slot in part_slots))
    if before.session_id != after.session_id:
        excused |= OF_ONE_SESSION
    for name, window in windows.items():
        a, b = getattr(before, name), getattr(after, name)
        missing = a is None or b is None
        if name in excused or (missing and name not in NEEDED):
            continue
        allowed = abs(a) * window if name in RELATIVE and not missing else window
        if missing or abs(b - a) > allowed:
            yield Difference(name, a, b, allowed)
    for name in ("gear", "ratio", "tyre_size"):
        a, b = getattr(before, name), getattr(after, name)
        if name not in excused and a is not None and b is not None and a != b:
            yield Difference(name, a, b, None)
