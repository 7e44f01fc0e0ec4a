"""How a post fits the company it comes into: the bay's other pulls, other bays, curves kept before."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import numpy as np

from service.domain.checks.case import BayPull, Case, Grid, PullCase, Remark
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.checks.times import times_of
from service.domain.records import PostedPull

LEAST_KNOTS: Final = 20
"""Curves are compared over at least this many knots of the grid: 1000 rpm (our choice)."""
WORTH_COMPARING: Final = 0.006
"""Two curves whose peaks lie further apart are not one: above any limit that can be set (our choice)."""
LONGEST_S: Final = 3600.0
"""Times that span more are no seconds of one pull [s] (our choice)."""


@dataclass(frozen=True, slots=True)
class Started:
    """A posted pull with a known start, and how long it took where `time` was recorded."""

    at: datetime
    lasted: timedelta | None
    setup_n: int
    pull_n: int
    pointer: str


@rule(
    "pulls-overlap",
    "doubtful",
    "typing",
    "a clock or a bay mistyped",
    seconds=Limit(
        40.0, 5.0, 600.0, "s", "least time between two starts in one bay, where a pull's length is not known"
    ),
)
def overlapping_pulls(case: Case, limits: Limits) -> Iterator[Remark]:
    """Two pulls of one bay that start before the earlier one can be over.

    Where the earlier pull recorded `time` its own length counts instead of the limit.
    """
    least = timedelta(seconds=limits["seconds"])
    own = sorted(started_pulls(case), key=lambda one: one.at)
    for before, after in pairwise(own):
        room = least if before.lasted is None else before.lasted
        if after.at - before.at < room:
            yield overlap(
                after, after.at - before.at, f"pull {before.pull_n} of setup {before.setup_n}", room
            )
    others = others_around(case, own, least)
    for one in own:
        for other in others:
            room = one.lasted if other.started_at > one.at and one.lasted is not None else least
            if abs(other.started_at - one.at) < room:
                words = f"a pull of {other.vehicle} (session {other.session})"
                yield overlap(one, abs(other.started_at - one.at), words, room)
                break


@rule(
    "starts-together",
    "note",
    "typing",
    "a time, a bay or a car mistyped, or records of which only the day is known",
)
def begun_at_once(case: Case, _: Limits) -> Iterator[Remark]:
    """Another session of this bay with this one's start, where no start of a pull tells them apart.

    Common practice, no source. A note: old records often say the day alone.
    """
    if any(pull.started_at is not None for _, pull, _ in case.all_pulls()):
        return
    name, start = own_session(case), case.session.started_at
    for pull in case.around.bay_pulls:
        if pull.started_at == start and pull.session != name:
            yield Remark(
                f"session {pull.session} of {pull.vehicle} has the same start in the same bay: is the time, the bay or the "
                "car wrong, or was one session posted twice?",
                "/started_at",
            )
            return


def others_around(case: Case, own: list[Started], least: timedelta) -> list[BayPull]:
    """This bay's pulls of other sessions that could overlap one of these, which are in order of time."""
    if not own:
        return []
    name, room = own_session(case), max(least, *(one.lasted or least for one in own))
    first, last = own[0].at - room, own[-1].at + room
    return [pull for pull in case.around.bay_pulls if first < pull.started_at < last and pull.session != name]


def started_pulls(case: Case) -> Iterator[Started]:
    """The posted pulls whose start is known, whatever their status."""
    for setup, pull, pointer in case.all_pulls():
        if pull.started_at is not None:
            known = times_of(case, setup, pull).in_seconds
            length = length_of(pull) if known else None
            yield Started(pull.started_at, length, setup.n, pull.n, pointer)


def length_of(pull: PostedPull) -> timedelta | None:
    """How long a pull took; None where its samples' times were not recorded, or no pull lasts so long."""
    times = pull.channels.get("time")
    if times is None or not len(times):
        return None
    seconds = float(times[times.argmax()]) - float(times[times.argmin()])
    return timedelta(seconds=seconds) if seconds <= LONGEST_S else None


def overlap(one: Started, apart: timedelta, other: str, room: timedelta) -> Remark:
    """The remark about a pull that starts too near another."""
    words = (
        f"starts {apart.total_seconds():.0f} s from {other} in the same bay; at least "
        f"{room.total_seconds():.0f} s are needed: is a clock or the bay wrong?"
    )
    return Remark(words, f"{one.pointer}/started_at", one.setup_n, one.pull_n)


def own_session(case: Case) -> str | None:
    """How this session is called among others, where it has a name."""
    return None if case.session.id is None else str(case.session.id)


@rule(
    "car-in-two-bays",
    "doubtful",
    "typing",
    "a car, a bay or a clock mistyped",
    minutes=Limit(15.0, 1.0, 240.0, "min", "least time to take a car from one bay to another"),
)
def car_in_two_bays(case: Case, limits: Limits) -> Iterator[Remark]:
    """One car strapped down in two bays at almost the same time."""
    for bay, at in case.around.elsewhere:
        apart = abs(at - case.session.started_at).total_seconds() / 60.0
        if bay != case.session.bay and apart < limits["minutes"]:
            words = (
                f"{case.session.vehicle} also starts in bay {bay} at {at.isoformat()}, {apart:.0f} min apart; "
                f"{limits['minutes']:g} min are needed: is the car, the bay or a clock wrong?"
            )
            yield Remark(words, "/vehicle")


@rule(
    "sequence-back",
    "note",
    "typing",
    "a bay's counter that was reset, or a record posted anew",
    origin=OUR_CHOICE,
)
def sequence_back(case: Case, _: Limits) -> Iterator[Remark]:
    """A bay's running number that does not run with its times.

    By time of measuring, not of arrival: an offline queue that comes late is in order. A note: a record struck and
    posted anew the same day takes a new number honestly, and no figure hangs on it.
    """
    sequence = case.session.sequence
    if sequence is None:
        return
    starts = [pull.started_at for _, pull, _ in case.all_pulls() if pull.started_at is not None]
    own_start = min(starts, default=case.session.started_at)
    for session, (number, at) in numbered_sessions(case).items():
        if number == sequence:
            seen = "has the same number"
        elif (number - sequence) * (at - own_start).total_seconds() < 0.0:
            seen = f"has number {number}, but was measured {'before' if at < own_start else 'after'} it"
        else:
            continue
        words = (
            f"number {sequence} of this bay: session {session} {seen}; was the bay's counter or clock reset?"
        )
        yield Remark(words, "/sequence")
        return


def numbered_sessions(case: Case) -> dict[str, tuple[int, datetime]]:
    """(number, first pull) of this bay's other sessions nearby."""
    found: dict[str, tuple[int, datetime]] = {}
    name = own_session(case)
    for pull in case.around.bay_pulls:
        if pull.sequence is not None and pull.session != name:
            found.setdefault(pull.session, (pull.sequence, pull.started_at))
    return found


@rule(
    "curve-repeated",
    "refused",
    "typing",
    "one pull posted twice",
    needs_figures=True,
    apart=Limit(0.0002, 0.0, 0.0005, "share", "two curves nowhere further apart than this are one"),
)
def repeated_curves(case: Case, limits: Limits) -> Iterator[Remark]:
    """A curve that is another's everywhere, of this post or of another session.

    Common practice says 0.05 %; on a very quiet bay (pulls 0.45 % apart, samples 0.1 %) that takes 1 honest pair in
    2000 for one, too many for a refusal; 0.02 % took none of 244 650, and rounding to 0.1 N·m stays below it.
    A struck session does not count, so a record can be posted anew after a strike.
    """
    drawn = [one for one in case.pulls() if one.figures.grid is not None]
    for i, one in enumerate(drawn):
        near = [other for other in drawn[:i] if same_peak(one, other)]
        twin = next((other for other in near if same_curve(one, other.figures.grid, limits["apart"])), None)
        if twin is not None:
            yield one.remark(
                f"the curve is that of pull {twin.pull.n} of setup {twin.setup.n} to within {limits['apart']:.2%} "
                "everywhere: post each pull once, or mark the copy rejected",
                "/curve",
            )
            continue
        yield from repeated_elsewhere(case, one, limits["apart"])


def repeated_elsewhere(case: Case, one: PullCase, apart: float) -> Iterator[Remark]:
    """The first earlier pull of another session whose curve a pull repeats."""
    for before in case.around.same_peaks:
        mine = (before.setup_n, before.pull_n) == (one.setup.n, one.pull.n)
        if mine and before.session != own_session(case) and same_curve(one, before.torque_nm, apart):
            yield one.remark(
                f"the curve is that of pull {before.pull_id} of session {before.session} (car {before.vehicle}) "
                f"to within {apart:.2%} everywhere: leave it out, or strike the other session if that one is "
                "wrong",
                "/curve",
            )
            return


def same_peak(one: PullCase, other: PullCase) -> bool:
    """Whether two pulls' peaks are near enough for their curves to be worth comparing."""
    mine, theirs = one.figures.observed.power_kw, other.figures.observed.power_kw
    return abs(mine - theirs) <= WORTH_COMPARING * abs(theirs)


def same_curve(one: PullCase, other: Grid | None, apart: float) -> bool:
    """Whether a pull's observed torque is another's at every knot; ends may differ by one knot each."""
    mine = one.figures.grid
    if mine is None or other is None:
        return False
    at = len(mine) // 4  # one knot tells most curves apart
    if abs(float(mine[at]) - float(other[at])) > apart * abs(float(other[at])):
        return False
    known, theirs = np.isfinite(mine), np.isfinite(other)
    both = known & theirs
    if int(both.sum()) < LEAST_KNOTS or int((known ^ theirs).sum()) > 2:
        return False
    return bool((np.abs(mine[both] - other[both]) <= apart * np.abs(other[both])).all())
