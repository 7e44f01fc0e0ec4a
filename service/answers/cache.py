"""Answers kept as they were sent, under the version of everything they rest on."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

LARGEST = 512
"""Answers kept in one process, the least lately asked dropped first (our choice; about 20 kB each)."""


class AnswerCache:
    """A small map from (question, version) to the answer's bytes. Safe for threads."""

    def __init__(self, largest: int = LARGEST) -> None:
        self._largest = largest
        self._kept: OrderedDict[Hashable, bytes] = OrderedDict()
        self._lock = threading.Lock()

    def get_or_make(self, key: Hashable, make: Callable[[], bytes]) -> bytes:
        """The kept answer, or the one that `make` gives, kept."""
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
                return found
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > self._largest:
                self._kept.popitem(last=False)
        return made
