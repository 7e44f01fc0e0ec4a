"""The bay's clock, and how far it is from the ledger's.

Times are always kept as the bay's clock says them: a wrong clock is measured and said, never silently put right.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

Clock = Callable[[], datetime]
"""The time now, with its offset from UTC."""
WARN_BEYOND = timedelta(seconds=120)
"""Common practice, no source: the ledger notes a clock that is further off."""
DATE_STEP = timedelta(seconds=1)
"""A Date header names whole seconds (RFC 9110 section 5.6.7), cut off, not rounded."""


def local_now() -> datetime:
    """The clock of this computer."""
    return datetime.now().astimezone()


@dataclass(frozen=True)
class Skew:
    """How far the bay's clock is ahead of the ledger's [s], negative when it is behind, and how well that is known."""

    ahead_s: float
    within_s: float
    measured_at: datetime

    @property
    def is_off(self) -> bool:
        """Whether it is so far off that somebody should set it."""
        return abs(self.ahead_s) - self.within_s > WARN_BEYOND.total_seconds()

    def in_words(self) -> str:
        """One sentence for a person."""
        if not self.is_off:
            return f"The clock is within {WARN_BEYOND.total_seconds():.0f} s of the ledger's."
        side = "ahead of" if self.ahead_s > 0 else "behind"
        return (
            f"The clock of this computer is {span(abs(self.ahead_s))} {side} the ledger's: set it. Times are sent as "
            "this clock has them."
        )


def measured(date_header: str | None, asked_at: datetime, took: timedelta) -> Skew | None:
    """The skew by a Date header: half the round trip is taken for the way there. None where there is no such header.

    Parameters: asked_at, the bay's clock when the request went out; took, the round trip by a clock that nobody sets.
    """
    try:
        said = parsedate_to_datetime(date_header or "")
    except ValueError:
        return None
    server = said.replace(tzinfo=said.tzinfo or UTC) + DATE_STEP / 2
    ahead = asked_at + took / 2 - server
    return Skew(ahead.total_seconds(), (took / 2 + DATE_STEP / 2).total_seconds(), asked_at)


NOT_YET = timedelta(seconds=30)
"""A machine's time further ahead of this computer's clock than that is said (our choice)."""


def ahead_in_words(began: Iterable[str], now: datetime) -> str | None:
    """What is to be said of pulls that, by their file, have not begun yet; None where all have."""
    latest = max((datetime.fromisoformat(one) for one in began), default=now)
    if latest - now <= NOT_YET:
        return None
    ahead = (latest - now).total_seconds()
    return (
        f"it says that it was recorded {span(ahead)} from now: the machine's clock is ahead of this computer's. Set it, or "
        f"write machine_clock_ahead_s = {ahead:.0f} into bay.toml for the files to come; a time that is still to come "
        "when the session is sent is refused by the ledger"
    )


def span(seconds: float) -> str:
    """A span in the unit in which a person says it."""
    for unit, size in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2.0 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
