"""Answers kept as they were sent, and what they were worked out from, under the version of everything they rest on."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, Final, TypeVar

T = TypeVar("T")

ANSWERS_BYTES: Final = 16_000_000
CODED_BYTES: Final = 4_000_000
EVIDENCE_KB: Final = 20_000.0
"""How much is kept in one process: answers, the same compressed, what they were worked out from (our choice). By weight, not by
number: what is asked behind each post of a part on a thousand cars is a thousand times as large as of one."""
NAME_BYTES: Final = 1_000
"""What a kept answer takes besides itself: its key, its place."""


def one(_: object) -> float:
    """The weight of what is alike, and is counted."""
    return 1.0


class Kept:
    """A small map from a key that names its version to what was made under it. Safe for threads.

    What a key names is of one type, that of what is made under it. most: what all that is kept may weigh together; the
    least lately asked is dropped first.
    """

    def __init__(self, most: float) -> None:
        self._most, self._weight = most, 0.0
        self._kept: OrderedDict[Hashable, tuple[Any, float]] = OrderedDict()
        self._making: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    def get_or_make(self, key: Hashable, make: Callable[[], T], weigh: Callable[[T], float] = one) -> T:
        """The kept one, or the one that `make` gives, kept unless it alone weighs more than all may. Who asks for the same at
        the same moment waits for it, rather than making it once more."""
        with self._lock:
            found: T | None = self._found(key)
            if found is not None:
                return found
            making = self._making.setdefault(key, threading.Lock())
        with making:
            with self._lock:
                found = self._found(key)
            if found is not None:
                return found
            try:
                made = make()
                self._keep(key, made, weigh(made))
            finally:
                with self._lock:
                    self._making.pop(key, None)
        return made

    def _found(self, key: Hashable) -> Any:
        if key not in self._kept:
            return None
        self._kept.move_to_end(key)
        return self._kept[key][0]

    def _keep(self, key: Hashable, made: object, weight: float) -> None:
        if weight > self._most:
            return
        with self._lock:
            _, before = self._kept.pop(key, (None, 0.0))
            self._kept[key] = made, weight
            self._weight += weight - before
            while self._weight > self._most:
                _, (_, dropped) = self._kept.popitem(last=False)
                self._weight -= dropped

    def __contains__(self, key: Hashable) -> bool:
        """Whether something is kept under it."""
        with self._lock:
            return key in self._kept


class AnswerCache:
    """Answers by question and version; beside them the same compressed, by ETag, and the evidence behind them [kB], which
    other questions share."""

    def __init__(self) -> None:
        self.sent = Kept(ANSWERS_BYTES)
        self.coded = Kept(CODED_BYTES)
        self.evidence = Kept(EVIDENCE_KB)


def bytes_of(answer: bytes) -> float:
    """What keeping an answer takes [bytes]."""
    return len(answer) + NAME_BYTES
