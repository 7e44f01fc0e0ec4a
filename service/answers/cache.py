"""Answers kept as they were sent, and what they were worked out from, under the version of everything they rest on."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

T = TypeVar("T")

LARGEST = 512
"""Answers kept in one process, the least lately asked dropped first (our choice; about 20 kB each)."""
LARGEST_EVIDENCE = 64
"""Questions whose evidence is kept in one process (our choice; about 0.3 MB each at fifty cars)."""


class Kept(Generic[T]):
    """A small map from a key that names its version to what was made under it. Safe for threads."""

    def __init__(self, largest: int) -> None:
        self._largest = largest
        self._kept: OrderedDict[Hashable, T] = OrderedDict()
        self._lock = threading.Lock()

    def get_or_make(
        self, key: Hashable, make: Callable[[], T], worth: Callable[[T], bool] | None = None
    ) -> T:
        """The kept one, or the one that `make` gives, kept where it is `worth` it."""
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
                return found
        made = make()
        if worth is None or worth(made):
            with self._lock:
                self._kept[key] = made
                while len(self._kept) > self._largest:
                    self._kept.popitem(last=False)
        return made

    def __contains__(self, key: Hashable) -> bool:
        """Whether something is kept under it."""
        with self._lock:
            return key in self._kept


class AnswerCache(Kept[bytes]):
    """Answers by question and version; beside them the evidence behind them, which other questions share."""

    def __init__(self, largest: int = LARGEST, largest_evidence: int = LARGEST_EVIDENCE) -> None:
        super().__init__(largest)
        self.evidence: Kept[object] = Kept(largest_evidence)
