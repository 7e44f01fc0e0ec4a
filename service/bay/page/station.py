"""All that the page stands on, and what goes on behind it: looking for files, asking the ledger, sending."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from typing import Any

from service.bay.clock import Clock, Skew, local_now
from service.bay.desk import Desk
from service.bay.files import why
from service.bay.handed import CannotTake, Reader
from service.bay.outcome import Outcome, doubtful_of, setups_in_words
from service.bay.page.ledger import Ledger
from service.bay.page.memory import Memory
from service.bay.page.offers import Offers
from service.bay.reading import fingerprint_of
from service.bay.sender import Sender, Told
from service.bay.settings import BaySettings
from service.bay.spool import Entry, Refusal
from service.bay.watching import SETTLED_S, Folder
from service.bay.weather import Aired, weather_by

LOOK_EVERY_S = 1.0
MIND_EVERY_S = 15.0
"""A large session in work takes a slow computer a moment to read (our choice)."""
ASK_EVERY_S = 30.0
"""Our choice: a line that comes back is seen within half a minute."""


class Heard(Told):
    """What the sender said last."""

    def __init__(self) -> None:
        self.why_not: str | None = None
        self.last: Outcome | None = None

    def kept(self, entry: Entry, document: Any, replayed: bool) -> None:  # noqa: ARG002
        """The line is well."""
        self.why_not = None
        car, id = str(document.get("vehicle")), str(document.get("id"))
        self.last = Outcome(entry.sequence, id, car, doubtful_of(document))

    def refused(self, entry: Entry, refusal: Refusal) -> None:  # noqa: ARG002
        """The line is well."""
        self.why_not = None
        self.last = Outcome(entry.sequence, entry.id, "", refused=True)

    def waits(self, why: str, seconds: float) -> None:  # noqa: ARG002
        """It is not through yet."""
        self.why_not = why


@dataclass
class Station:
    """A bay's parts as the page uses them."""

    settings: BaySettings
    desk: Desk
    sender: Sender
    heard: Heard
    memory: Memory
    ledger: Ledger
    offers: Offers
    air: Callable[[datetime], Aired]
    basis_known: Callable[[], bool]
    clock: Clock = local_now
    troubles: dict[str, str] = field(default_factory=dict)
    _hurry: threading.Event = field(default_factory=threading.Event)
    _wake: threading.Event = field(default_factory=threading.Event)

    @property
    def skew(self) -> Skew | None:
        """How far the clock is off, as far as that was measured last."""
        found = [one for one in (self.sender.skew, self.ledger.skew) if one is not None]
        return max(found, key=lambda one: one.measured_at, default=None)

    def send_now(self) -> None:
        """Try at once, however long the sender would have waited."""
        self._hurry.set()
        self._wake.set()

    @property
    def trouble(self) -> str | None:
        """What is wrong behind the page, in words."""
        return " ".join(self.troubles.values()) or None

    def look(self) -> None:
        """One look for new files."""
        with self._told("folder"):
            self.offers.look()

    def mind_desk(self) -> None:
        """Remember the car as it stands, whoever said it; close a session in which nothing was measured for hours."""
        with self._told("desk"):
            work = self.desk.work()
            if work is not None:
                self.memory.keep(work)
            if self.desk.close_if_idle() is not None:
                self.send_now()

    def hear_review(self) -> None:
        """Ask once what the last session that was kept read."""
        last = self.heard.last
        if last is not None and not last.refused and last.setups is None:
            setups = setups_in_words(self.sender.address, last.id, self.settings.units)
            self.heard.last = replace(last, setups=setups)

    @contextmanager
    def _told(self, about: str) -> Iterator[None]:
        """Keep trouble to be shown until it has gone."""
        try:
            yield
        except CannotTake as error:
            self.troubles[about] = str(error)
        except OSError as error:
            self.troubles[about] = why(error)
        else:
            self.troubles.pop(about, None)

    def run(self, stop: threading.Event) -> list[threading.Thread]:
        """Begin what goes on behind the page, until told to stop."""
        rounds = [
            threading.Thread(target=repeated, args=(self.look, stop, LOOK_EVERY_S), daemon=True),
            threading.Thread(target=repeated, args=(self.mind_desk, stop, MIND_EVERY_S), daemon=True),
            threading.Thread(target=repeated, args=(self.ledger.look, stop, ASK_EVERY_S), daemon=True),
            threading.Thread(target=self._keep_sending, args=(stop,), daemon=True),
        ]
        for one in rounds:
            one.start()
        return rounds

    def stop_sending(self) -> None:
        """Let a sender that waits go; what it holds is safe in the spool."""
        self.send_now()

    def _keep_sending(self, stop: threading.Event) -> None:
        while not stop.is_set():
            self._hurry.clear()
            try:
                sent = self.sender.send_all(self._hurry)
                if not sent.why_not:
                    self.heard.why_not = None
                self.hear_review()
            except OSError as error:
                self.heard.why_not = why(error)
            self._wake.wait(timeout=LOOK_EVERY_S)
            self._wake.clear()


def repeated(act: Callable[[], None], stop: threading.Event, every_s: float) -> None:
    """Do it again and again, until told to stop."""
    while not stop.is_set():
        act()
        stop.wait(every_s)


def station(
    settings: BaySettings,
    desk: Desk,
    sender: Sender,
    heard: Heard,
    reader: Reader,
    basis_known: Callable[[], bool],
    settled_s: float = SETTLED_S,
) -> Station:
    """A bay's parts put together. Raises BayNotSet, OSError where its folder cannot be watched."""
    memory = Memory(settings.folder / "page")
    watched = None
    if settings.watch is not None:
        notes = settings.folder / "watched"
        watched = Folder(
            settings.watch,
            settings.pattern,
            notes,
            settled_s=settled_s,
            cut_short_s=settings.cut_short_wait_s,
            mapping=partial(fingerprint_of, settings.mapping),
        )
    return Station(
        settings, desk, sender, heard, memory,
        ledger=Ledger(sender.address, memory, local_now),
        offers=Offers(watched, desk, reader, memory.hidden),
        air=weather_by(settings),
        basis_known=basis_known,
    )  # fmt: skip
