"""What this room refuses. Every message names what is wrong, its value and the way out."""

from __future__ import annotations

from collections.abc import Sequence


class TableError(ValueError):
    """A table or a mapping that cannot be used."""


class Unreadable(TableError):
    """A file of which nothing can be read."""


class BadMapping(TableError):
    """A mapping with mistakes; `faults` holds one sentence for each."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))
