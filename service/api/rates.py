"""How often somebody may show a token that is none, and how often a bay may write: counted in this process's memory.

A token cannot be guessed however often it is tried; the first limit keeps whoever tries from keeping the database busy.
The second keeps one bay's program, gone wild or stolen, from taking the other bays' place.
"""

import math
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Hashable
from typing import Final

from werkzeug.exceptions import TooManyRequests

from service.store.tokens import hash_of

WINDOW_S: Final = 60.0
MOST_FAILURES: Final = 60
"""Wrong tokens from one address in a minute: several pages opened with an old token, and a bay that keeps trying (our
choice)."""
MOST_WRITES: Final = 1200
"""Posts and changes of one bay in a minute: twice what a bay sends that empties a long queue (our choice). An admin's are
not counted: whoever fills a ledger does it with such a token."""
MOST_REMEMBERED: Final = 10_000
"""Addresses, and tokens known to be good, that are remembered; the longest remembered go first (our choice)."""

Clock = Callable[[], float]


class Sliding:
    """At most `most` marks for each key within any `seconds`."""

    def __init__(self, most: int, seconds: float = WINDOW_S, clock: Clock = time.monotonic) -> None:
        self._most, self._seconds, self._clock = most, seconds, clock
        self._marks: OrderedDict[Hashable, deque[float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: Hashable) -> float:
        """How long this key has to wait until it may have another mark [s]; 0 where it may now."""
        with self._lock:
            return self._wait_s(self._marks.get(key, deque()), self._clock())

    def mark(self, key: Hashable) -> float:
        """Give a key a mark, and answer 0; where it has its fill, how long it has to wait [s]."""
        with self._lock:
            now = self._clock()
            marks = self._marks.setdefault(key, deque())
            self._marks.move_to_end(key)
            wait = self._wait_s(marks, now)
            if not wait:
                marks.append(now)
            if len(self._marks) > MOST_REMEMBERED:
                self._marks.popitem(last=False)
            return wait

    def _wait_s(self, marks: deque[float], now: float) -> float:
        while marks and now - marks[0] >= self._seconds:
            marks.popleft()
        return marks[0] + self._seconds - now if len(marks) >= self._most else 0.0


class Rates:
    """The two limits of one process. Each counts for itself: P processes let through up to P times as much."""

    def __init__(self, clock: Clock = time.monotonic) -> None:
        self._failures = Sliding(MOST_FAILURES, clock=clock)
        self._writes = Sliding(MOST_WRITES, clock=clock)
        self._good: OrderedDict[bytes, None] = OrderedDict()

    def may_try(self, address: str, token: str) -> None:
        """Before a token is looked up. Raises TooManyRequests where its address has shown too many wrong ones.

        A token that was good before is looked up all the same: behind a proxy, or on one machine, it must not suffer for
        what somebody else tries.
        """
        if hash_of(token) not in self._good:
            refuse_for(self._failures.wait_s(address), "too many wrong tokens came from this address")

    def was_wrong(self, address: str, token: str) -> None:
        """After a token was looked up and is none, or is none any more."""
        self._good.pop(hash_of(token), None)
        self._failures.mark(address)

    def was_good(self, token: str) -> None:
        """After a token was found."""
        self._good[hash_of(token)] = None
        if len(self._good) > MOST_REMEMBERED:
            self._good.popitem(last=False)

    def writes(self, token_id: int) -> None:
        """Before a bay's post or change. Raises TooManyRequests where there were too many."""
        refuse_for(self._writes.mark(token_id), f"this token wrote {MOST_WRITES:,} times within a minute")


def refuse_for(wait_s: float, why: str) -> None:
    """Raise TooManyRequests where there is something to wait for."""
    if wait_s:
        seconds = math.ceil(wait_s)
        raise TooManyRequests(f"{why}; send it again in {seconds} s", retry_after=seconds)
