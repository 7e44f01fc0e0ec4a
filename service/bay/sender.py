"""Sends what waits in the spool, in the bay's order, until the ledger has said yes or no to each."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import filelock
import httpx
from tenacity import (
    RetryCallState,
    Retrying,
    retry_if_exception_type,
    sleep_using_event,
    stop_after_attempt,
    stop_any,
    stop_never,
    stop_when_event_set,
    wait_random_exponential,
)
from tenacity.stop import stop_base
from tenacity.wait import wait_base

from service.bay.addresses import is_here
from service.bay.clock import Clock, Skew, local_now
from service.bay.spool import Entry, Refusal, Spool
from service.bay.wire import Kept, Line, NotNow

LOCK = "sending.lock"
PATIENCE_S = 60.0
"""Our choice: a first answer on a cold service may take a while."""
CONNECT_PATIENCE_S = 10.0
FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
"""Our choice: a line that comes back is noticed within a minute."""


@dataclass(frozen=True)
class Address:
    """Where the ledger is, and the token that lets this bay post."""

    url: str
    token: str = ""
    authority: Path | None = None
    """The one authority that may vouch for it; without it those that this computer trusts."""

    @contextmanager
    def client(self, patience_s: float) -> Iterator[httpx.Client]:
        """A client for a few posts."""
        headers = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        patience = httpx.Timeout(patience_s, connect=min(CONNECT_PATIENCE_S, patience_s))
        trusted = True if self.authority is None else ssl.create_default_context(cafile=self.authority)
        with httpx.Client(
            base_url=self.url,
            headers=headers,
            timeout=patience,
            trust_env=not is_here(self.url),
            verify=trusted,
        ) as client:
            yield client


@dataclass
class Sent:
    """What came of sending: what the ledger keeps, what it refused, and why the rest still waits.

    The answers themselves are only told: there may be a thousand of them.
    """

    kept: list[Entry] = field(default_factory=list)
    refused: list[Entry] = field(default_factory=list)
    why_not: str | None = None
    skew: Skew | None = None


class Told:
    """What a sender tells while it works. Each is called as it happens."""

    def kept(self, entry: Entry, document: Mapping[str, Any], replayed: bool) -> None:
        """The ledger has this session."""

    def refused(self, entry: Entry, refusal: Refusal) -> None:
        """The ledger will not take this session as it is."""

    def waits(self, why: str, seconds: float) -> None:
        """It will be tried again after so many seconds."""


class Longer(wait_base):
    """The longer of two waits: our own backing off, and what the ledger asks for."""

    def __init__(self, own: wait_base) -> None:
        self.own = own

    def __call__(self, retry_state: RetryCallState) -> float:
        """Seconds until the next attempt."""
        failed = retry_state.outcome and retry_state.outcome.exception()
        asked = failed.retry_after_s if isinstance(failed, NotNow) else None
        return max(self.own(retry_state), asked or 0.0)


class Sender:
    """Sends a bay's spool. Several programs of one bay may each have one: a lock lets one send at a time."""

    def __init__(
        self,
        spool: Spool,
        address: Address,
        *,
        clock: Clock = local_now,
        told: Told | None = None,
        patience_s: float = PATIENCE_S,
        first_wait_s: float = FIRST_WAIT_S,
        longest_wait_s: float = LONGEST_WAIT_S,
    ) -> None:
        self.spool, self.address, self.clock, self.told = spool, address, clock, told or Told()
        self.patience_s = patience_s
        self.skew: Skew | None = None
        self._backing_off = wait_random_exponential(multiplier=first_wait_s, max=longest_wait_s)
        self._lock = filelock.FileLock(spool.folder / LOCK, timeout=0)

    def send_all(self, stop: threading.Event | None = None, attempts: int | None = None) -> Sent:
        """Send until nothing waits, or until told to stop, or until so many attempts in a row got nothing through.

        Each attempt begins with the oldest session; one that gets something through begins the count anew.
        """
        result, stop = Sent(), stop or threading.Event()
        patience = stop_never if attempts is None else stop_after_attempt(attempts)
        with self.address.client(self.patience_s) as client:
            line = Line(client, self.clock)
            while self.spool.waiting() and not stop.is_set():
                try:
                    self._retrying(stop, patience)(self._attempt, line, result)
                except NotNow as problem:
                    result.why_not = problem.words
                    break
        result.skew = self.skew
        return result

    def _retrying(self, stop: threading.Event, patience: stop_base) -> Retrying:
        return Retrying(
            retry=retry_if_exception_type(NotNow),
            wait=Longer(self._backing_off),
            stop=stop_any(stop_when_event_set(stop), patience),
            sleep=sleep_using_event(stop),
            before_sleep=self._say_wait,
            reraise=True,
        )

    def _attempt(self, line: Line, result: Sent) -> None:
        """Everything that waits, once. Raises NotNow where nothing got through, or where the ledger asked for time."""
        before = len(result.kept) + len(result.refused)
        try:
            with self.holding():
                self._send_each(line, result)
        except NotNow as problem:
            if len(result.kept) + len(result.refused) == before or problem.retry_after_s:
                raise

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Nobody else of this bay sends meanwhile. Raises NotNow where somebody does."""
        try:
            with self._lock:
                yield
        except filelock.Timeout as error:
            raise NotNow("another program of this bay is sending at this moment") from error

    def _send_each(self, line: Line, result: Sent) -> None:
        """Each waiting session. One that the ledger stumbles over does not hold up the ones behind it."""
        stumbled: NotNow | None = None
        for entry in self.spool.waiting():
            try:
                self._send(line, entry, result)
            except NotNow as problem:
                if problem.blocks:
                    raise
                stumbled = stumbled or problem
            finally:
                self.skew = line.skew or self.skew
        if stumbled is not None:
            raise stumbled

    def _send(self, line: Line, entry: Entry, result: Sent) -> None:
        outcome = line.post(entry.id, self.spool.body(entry))
        if isinstance(outcome, Kept):
            self.spool.sent(entry)
            result.kept.append(entry)
            self.told.kept(entry, outcome.document, outcome.replayed)
        else:
            self.spool.refuse(entry, outcome)
            result.refused.append(entry)
            self.told.refused(entry, outcome)

    def _say_wait(self, retry_state: RetryCallState) -> None:
        failed = retry_state.outcome and retry_state.outcome.exception()
        seconds = retry_state.next_action.sleep if retry_state.next_action else 0.0
        self.told.waits(str(failed), seconds)
