"""Whether a post's times agree with each other: the samples' own, the ramp that was written down, the year."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final, NamedTuple

import numpy as np

from service.domain.checks.case import Case, Remark, once_a_setup
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.derive import DerivedPull
from service.domain.records import Channel, PostedPull, PostedSetup

LONG_AGO: Final = datetime(2000, 1, 1, tzinfo=UTC)
"""No machine recorded to files that are posted today before this (our choice)."""
OLD_RECORDS: Final = frozenset({"paper", "photo"})
HELD: Final = "steps"
SLOWEST_RPM_S: Final = 10.0
"""A pull that rises more slowly would take minutes at full load: the default of `time-unit` (our choice)."""


class Times(NamedTuple):
    """The times of a pull's samples: the first row at which they go back, and how fast speed rises by them [rpm/s]; None
    where they do not go back, or where they say nothing about the rise."""

    back: int | None
    ramp: float | None

    @property
    def in_seconds(self) -> bool:
        """Whether they can be seconds of one trace."""
        return self.back is None and (self.ramp is None or self.ramp >= SLOWEST_RPM_S)


def times_of(case: Case, setup: PostedSetup, pull: PostedPull) -> Times:
    """The times of a pull, which several checks ask for."""
    figures = case.derived[setup.n, pull.n]
    return case.once("times", lambda: read_times(pull, figures), setup.n, pull.n)


def read_times(pull: PostedPull, figures: DerivedPull) -> Times:
    """The same, read from the samples that are the pull."""
    times, trace = pull.channels.get("time"), figures.trace
    if times is None or len(times) < 2:
        return Times(None, None)
    back = first_back(times)
    if trace is None or trace.samples_used < 2 or pull.test == HELD or back is not None:
        return Times(back, None)
    passed = abs(float(times[trace.last] - times[trace.first]))
    risen = float(trace.rpm[trace.rpm.argmax()] - trace.rpm[trace.rpm.argmin()])
    return Times(None, risen / passed if passed > 0.0 else None)


def first_back(times: Channel) -> int | None:
    """The first sample with an earlier time than the one before; None in a table that is written from its end."""
    later = times[1:] >= times[:-1]
    if later[later.argmin()] or (times[1:] <= times[:-1]).all():
        return None
    return int(later.argmin()) + 1


@rule(
    "time-unit",
    "note",
    "typing",
    "times in milliseconds",
    origin=OUR_CHOICE,
    slowest=Limit(SLOWEST_RPM_S, 1.0, 100.0, "rpm/s", "slowest rise of a sweep at full load"),
)
def time_unit(case: Case, limits: Limits) -> Iterator[Remark]:
    """Times by which a sweep would take minutes.

    A note: no figure rests on the samples' times, and `pulls-overlap` does not use such a time.
    """
    found = ((one, times_of(case, one.setup, one.pull).ramp) for one in case.pulls())
    yield from once_a_setup(
        one.remark(
            f"by its times the pull rises by {ramp:.2g} rpm/s (at least {limits['slowest']:g} rpm/s): consistent with "
            "times in milliseconds; `time` must be in seconds",
            "/curve/time",
        )
        for one, ramp in found
        if ramp is not None and ramp < limits["slowest"]
    )


@rule("time-back", "note", "typing", "several pulls in one, or a counter that was reset", origin=OUR_CHOICE)
def time_back(case: Case, _: Limits) -> Iterator[Remark]:
    """Times that go back from one sample to the next."""
    found = ((one, times_of(case, one.setup, one.pull).back) for one in case.pulls())
    yield from once_a_setup(
        one.remark(
            f"time goes back at sample {row}: the samples are taken in the order in which they were sent",
            f"/curve/time/{row}",
        )
        for one, row in found
        if row is not None
    )


@rule(
    "ramp-differs",
    "note",
    "typing",
    "a ramp rate that was set and not reached, or a clock of the samples that is off",
    apart=Limit(0.3, 0.05, 2.0, "share", "how far the posted ramp may lie from the samples' own"),
)
def ramp_differs(case: Case, limits: Limits) -> Iterator[Remark]:
    """A ramp rate that is not the samples' own."""
    told = ((one, one.pull.ramp_rpm_s) for one in case.pulls() if one.pull.ramp_rpm_s)
    found = ((one, posted, times_of(case, one.setup, one.pull).ramp) for one, posted in told)
    yield from once_a_setup(
        one.remark(
            f"the posted ramp is {posted:.0f} rpm/s, but the samples rise by {own:.0f} rpm/s; at most "
            f"{limits['apart']:.0%} apart is expected: post the ramp that was run",
            "/ramp",
        )
        for one, posted, own in found
        if own is not None and own >= SLOWEST_RPM_S and apart(posted, own) > limits["apart"]
    )


def apart(posted: float, own: float) -> float:
    """How far one lies from the other, as a share, either way alike."""
    return float(np.expm1(abs(np.log(posted / own))))


@rule("time-long-ago", "note", "typing", "a clock not set", origin=OUR_CHOICE)
def time_long_ago(case: Case, _: Limits) -> Iterator[Remark]:
    """A session dated before 2000 that is not said to come from paper or a photo.

    A note: old records are welcome, and the year may be right.
    """
    sources = {pull.source for _setup, pull, _pointer in case.all_pulls()}
    if case.session.started_at < LONG_AGO and not sources <= OLD_RECORDS:
        yield Remark(
            f"{case.session.started_at:%Y-%m-%d} is before {LONG_AGO:%Y}: set the bay's clock and the date right, or say "
            "in `source` that it is an old record (`paper`, `photo`)",
            "/started_at",
        )
