"""Answers kept as they were sent, and what they were worked out from, under the version of everything they rest on."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

T = TypeVar("T")

LARGEST = 512
"""Answers kept in one process, the least lately asked dropped first (our choice; about 20 kB each)."""
LARGEST_CODED = 256
"""Compressed answers kept in one process (our choice; about 10 kB each)."""
LARGEST_EVIDENCE = 64
"""Questions whose evidence is kept in one process (our choice; about 0.3 MB each at fifty cars)."""


class Kept(Generic[T]):
    """A small map from a key that names its version to what was made under it. Safe for threads."""

    def __init__(self, largest: int) -> None:
        self._largest = largest
        self._kept: OrderedDict[Hashable, T] = OrderedDict()
        self._making: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    def get_or_make(
        self, key: Hashable, make: Callable[[], T], worth: Callable[[T], bool] | None = None
    ) -> T:
        """The kept one, or the one that `make` gives, kept where it is `worth` it. Who asks for the same at the same moment
        waits for it, rather than making it once more."""
        with self._lock:
            found = self._found(key)
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
                if worth is None or worth(made):
                    self._keep(key, made)
            finally:
                with self._lock:
                    self._making.pop(key, None)
        return made

    def _found(self, key: Hashable) -> T | None:
        found = self._kept.get(key)
        if found is not None:
            self._kept.move_to_end(key)
        return found

    def _keep(self, key: Hashable, made: T) -> None:
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._largest:
                self._kept.popitem(last=False)

    def __contains__(self, key: Hashable) -> bool:
        """Whether something is kept under it."""
        with self._lock:
            return key in self._kept


class AnswerCache(Kept[bytes]):
    """Answers by question and version; beside them the same compressed, by ETag, and the evidence behind them, which other
    questions share."""

    def __init__(self, largest: int = LARGEST, largest_evidence: int = LARGEST_EVIDENCE) -> None:
        super().__init__(largest)
        self.coded: Kept[bytes] = Kept(LARGEST_CODED)
        self.evidence: Kept[object] = Kept(largest_evidence)
