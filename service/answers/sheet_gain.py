"""What changed between the two states of a sheet and what that did: over a stated band, at the peak, in the lowest third.

A known pair (one part added, or one replaced in its slot) is used as the answers use it, its repeat with it. Two states
that differ by more, or by nothing, are divided by each other all the same where they stand on one footing; then the figure
is of all that changed together.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np

from service.answers.pairs_gain import Asked, Usable, usable
from service.answers.review import returned_to
from service.answers.sheet_states import Fitted, Grid, State, reach_of
from service.domain.curve import GRID_RPM, GRID_STEP_RPM
from service.domain.engine import Engine
from service.domain.measures import PEAK_POWER, Measure
from service.domain.pairing import MATCHES, CarSetup, comparable, differences, grade
from service.domain.pairing import usable as undoubted
from service.domain.units import power_kw
from service.stats.noise import CLAIM_STANDARD_ERRORS
from service.stats.pairs import Spreads
from service.store.evidence import PairRow, Side
from service.store.review import ReviewedPair

LEVEL: Final = 0.95
"""Of the intervals of one car's own test (CLAIM_STANDARD_ERRORS)."""
BAND_FROM: Final = 0.5
"""The band of a sheet: from this share of the first state's peak-power speed up to all of it (our choice)."""
LOWEST: Final = 1.0 / 3.0
"""The lowest part of the speeds that both states reach (TRADE: low-speed losses are what a peak hides)."""


@dataclass(frozen=True, slots=True)
class Gain:
    """The change from A to B in one measure: A's figure [kW], None where its level is not known; gain and interval [ln]."""

    name: str
    measure: Measure
    base_kw: float | None
    gain: float
    interval: tuple[float, float]

    @property
    def is_established(self) -> bool:
        """Whether the interval leaves nought out."""
        return self.interval[0] > 0.0 or self.interval[1] < 0.0


@dataclass(frozen=True, slots=True)
class Along:
    """The change over the rev range: A's power [kW] and the gain [ln] at each speed [rpm]; half: of its interval [ln]."""

    rpm: Grid
    base_kw: Grid
    gain: Grid
    half: float


@dataclass(frozen=True, slots=True)
class Compared:
    """Two states held against each other. part, against: the single change, None where there was none such.

    refused: why there is no figure. added, removed: what went on and came off between A and B. again: the number of the repeat's setup;
    returned: how it read against its first reading, relative; again_is_a: it was A that was repeated. minutes: from A's
    last pull to B's first, None where not recorded or not of one session. noise: the smallest gain this test could
    show [ln].
    """

    part: str | None
    against: str | None
    added: tuple[Fitted, ...]
    removed: tuple[Fitted, ...]
    match: str
    held: bool
    usable: bool
    differs: tuple[Mapping[str, Any], ...]
    again: int | None
    again_is_a: bool
    returned: float | None
    a_first: bool
    same_session: bool
    minutes: float | None
    days: float
    noise: float | None
    gains: tuple[Gain, ...]
    along: Along | None
    refused: str | None

    def named(self, name: str) -> Gain | None:
        """One of its gains."""
        return next((one for one in self.gains if one.name == name), None)


@dataclass(frozen=True, slots=True)
class Held:
    """The two states as pairing sees them, and their pair where they make one."""

    before: CarSetup
    after: CarSetup
    pair: ReviewedPair | None
    numbers: Mapping[int, int]
    """Of the setups of B's session: their number by their key."""


def compare_states(
    a: State,
    b: State,
    held: Held,
    curves: Mapping[int, Grid],
    spreads: Spreads,
    standard: str,
    windows: Mapping[str, float],
) -> Compared:
    """Hold B against A."""
    added, removed = changed(a, b), changed(b, a)
    pair = held.pair
    row = made_row(a, b, held, added, removed, windows) if pair is None else pair.row
    forward = row.with_.setup_id == b.setup.setup_id
    refused = refusal(a, b, held)
    found = {} if refused else measured(row, a, b, curves, spreads, standard)
    peak = found.get("peak")
    if refused is None and peak is None:
        refused = "the two states stand at levels that cannot be brought together"
    again = None if row.again is None else held.numbers.get(row.again.setup_id)
    return Compared(
        part=pair.part if pair else None,
        against=pair.against if pair else None,
        added=added,
        removed=removed,
        match=MATCHES[row.match],
        held=row.held,
        usable=row.usable,
        differs=differs_of(pair, forward, a, b, held, windows),
        again=again,
        again_is_a=bool(row.again_is_with) != forward,
        returned=None if peak is None else returned_to(row, peak[1].ratios),
        a_first=(a.session.started_at, a.setup.n) <= (b.session.started_at, b.setup.n),
        same_session=row.same_session,
        minutes=minutes_between(a, b) if row.same_session else None,
        days=abs(row.gap_days),
        noise=None if peak is None else CLAIM_STANDARD_ERRORS * math.sqrt(peak[1].measured.variance),
        gains=tuple(gain_of(name, measure, one, forward) for name, (measure, one) in found.items()),
        along=None if peak is None else along_the_curve(row, forward, peak[1], curves),
        refused=refused,
    )


def changed(before: State, after: State) -> tuple[Fitted, ...]:
    """What is fitted after and was not before."""
    had = {one.slug for one in before.fitted}
    return tuple(one for one in after.fitted if one.slug not in had)


def refusal(a: State, b: State, held: Held) -> str | None:
    """Why the two cannot be divided by each other at all, in words; None where they can."""
    for letter, state in (("A", a), ("B", b)):
        if state.struck is not None:
            return f"state {letter} was struck, reason on record"
        if not state.counted:
            return f"no pull of state {letter} counts"
    if held.pair is not None or comparable(held.after, held.before):
        return None
    if held.before.session_id != held.after.session_id:
        if held.before.parts_known != "complete" or held.after.parts_known != "complete":
            return "on different days both lists of what is fitted must be complete, and one is not"
        return "the air was not fully recorded, so figures of different days do not stand at one level"
    return "the two states stand at levels that cannot be brought together"


def made_row(
    a: State,
    b: State,
    held: Held,
    added: Sequence[Fitted],
    removed: Sequence[Fitted],
    windows: Mapping[str, float],
) -> PairRow:
    """B against A as a pair's row, for states that make no pair of one change."""
    first, then = held.before, held.after
    slots = {slot for part in (*added, *removed) for slot in part.slots}
    return PairRow(
        vehicle_id=0,
        same_session=first.session_id == then.session_id,
        match=MATCHES.index(grade(then, first, aba=False)),
        held=not list(differences(first, then, slots, windows)),
        usable=undoubted([first, then]),
        gap_days=(then.started_at - first.started_at).total_seconds() / 86400.0,
        at=max(first.started_at, then.started_at),
        again_share=None,
        again_is_with=None,
        with_=side_of(b, then),
        without=side_of(a, first),
        again=None,
    )


def side_of(state: State, setup: CarSetup) -> Side:
    """A state as one side of a pair; how its pulls spread is taken from the bay, not from it."""
    own = state.setup
    return Side(
        setup_id=own.setup_id,
        bay_id=setup.bay_id,
        n_parts=len(own.parts),
        complete=own.parts_known == "complete",
        pulls=own.pulls,
        best_of=own.best_of,
        level_standard=own.level_standard,
        factor=own.factor,
        temperature_c=own.temperature_c,
        pressure_kpa=own.pressure_kpa,
        vapour_kpa=own.vapour_kpa,
        power_kw=own.power_kw,
        power_rpm=own.power_rpm,
        torque_nm=own.torque_nm,
        torque_rpm=own.torque_rpm,
        spread_ss=0.0,
        spread_df=0,
    )


def differs_of(
    pair: ReviewedPair | None, forward: bool, a: State, b: State, held: Held, windows: Mapping[str, float]
) -> tuple[Mapping[str, Any], ...]:
    """The conditions that were not held, A's before B's, as the ledger keeps them with a pair."""
    if pair is not None:
        swapped = ({**one, "before": one["after"], "after": one["before"]} for one in pair.differs)
        return tuple(pair.differs if forward else swapped)
    slots = {slot for part in (*changed(a, b), *changed(b, a)) for slot in part.slots}
    found = differences(held.before, held.after, slots, windows)
    return tuple(
        {"what": one.what, "before": one.before, "after": one.after, "window": one.window} for one in found
    )


def measured(
    row: PairRow, a: State, b: State, curves: Mapping[int, Grid], spreads: Spreads, standard: str
) -> dict[str, tuple[Measure, Usable]]:
    """The change in each measure of a sheet that both states have."""
    asked = {"peak": PEAK_POWER, **bands_of(a, b)}
    engine: Engine = a.session.engine
    found = {}
    for name, measure in asked.items():
        put = Asked(measure, standard, LEVEL, None, None, curve=False, pairs=False)
        one = usable(row, put, engine, curves, spreads)
        if one is not None:
            found[name] = (measure, one)
    return found


def bands_of(a: State, b: State) -> dict[str, Measure]:
    """The band up to A's peak-power speed and the lowest third of what both reach, on the curves' knots [rpm]."""
    reaches = [reach_of(state.torque_nm) for state in (a, b)]
    if reaches[0] is None or reaches[1] is None:
        return {}
    low, high = max(reaches[0][0], reaches[1][0]), min(reaches[0][1], reaches[1][1])
    third = knot(low + LOWEST * (high - low))
    bands = {}
    if a.setup.power_rpm is not None:
        start, end = max(low, knot(BAND_FROM * a.setup.power_rpm)), min(high, knot(a.setup.power_rpm))
        if start < end:
            bands["band"] = Measure("band_power", from_rpm=start, to_rpm=end)
    if low < third:
        bands["low_third"] = Measure("band_power", from_rpm=low, to_rpm=third)
    return bands


def knot(rpm: float) -> float:
    """The nearest speed of the common grid [rpm]."""
    return round(rpm / GRID_STEP_RPM) * GRID_STEP_RPM


def gain_of(name: str, measure: Measure, found: Usable, forward: bool) -> Gain:
    """One measure's change from A to B."""
    sign = 1.0 if forward else -1.0
    log = sign * found.measured.gain
    half = CLAIM_STANDARD_ERRORS * math.sqrt(found.measured.variance)
    base = found.without
    if base is not None and not forward:
        base *= math.exp(found.measured.gain)
    return Gain(name, measure, base, log, (log - half, log + half))


def along_the_curve(row: PairRow, forward: bool, found: Usable, curves: Mapping[int, Grid]) -> Along | None:
    """The change at each speed that all its states reach, a repeated state between its two readings."""
    sides = [row.with_, row.without, *([row.again] if row.again else [])]
    if any(side.setup_id not in curves for side in sides):
        return None
    torque = [curves[side.setup_id] * ratio for side, ratio in zip(sides, found.ratios, strict=True)]
    logs = [np.log(np.where(grid > 0.0, grid, np.nan)) for grid in torque]
    if row.again is not None and row.again_share is not None:
        state = 0 if row.again_is_with else 1
        logs[state] = (1.0 - row.again_share) * logs[state] + row.again_share * logs[2]
    gain = logs[0] - logs[1] if forward else logs[1] - logs[0]
    base = np.exp(logs[1] if forward else logs[0])
    reached = np.isfinite(gain)
    if not reached.any():
        return None
    rpm = GRID_RPM[reached]
    half = CLAIM_STANDARD_ERRORS * math.sqrt(found.measured.variance)
    return Along(rpm, power_kw(base[reached], rpm), gain[reached], half)


def minutes_between(a: State, b: State) -> float | None:
    """From the last pull of the earlier state to the first of the later one [min]; None where a time is missing."""
    first, then = (a, b) if a.setup.n <= b.setup.n else (b, a)
    end, start = times(first), times(then)
    return None if not end or not start else (min(start) - max(end)).total_seconds() / 60.0


def times(state: State) -> list[datetime]:
    """When its pulls began; empty where one does not say."""
    known = [pull.started_at for pull in state.pulls if pull.started_at is not None]
    return known if len(known) == len(state.pulls) else []
