"""What the desk is handed: files, the pulls read of them, and why a file is not taken."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from service.bay.known import Said

LARGEST_FILE = 64 * 1024 * 1024
"""A pull of every channel at 100 Hz is a few MB; more is no table of one (our choice) [bytes]."""


class CannotTake(Exception):
    """A file was not taken; the words say why and the way out. Nothing has changed."""


class Missing(CannotTake):
    """Something is not known that no post can be without."""

    def __init__(self, names: Sequence[str], file: str = "") -> None:
        self.names, self.file = tuple(names), file
        super().__init__(f"{file or 'the next pull'}: {', '.join(names)} not known; nothing was taken")


class NotReadable(CannotTake):
    """Nothing in the file could be read as a pull."""


class GrewTooLate(NotReadable):
    """It was taken when it was shorter, and that went with a session that is closed: as it stands it is no new pull."""


@dataclass(frozen=True)
class ReadPull:
    """One pull as it stands in a file: its channels in SI, what the file itself says, when it began if it says so."""

    channels: Mapping[str, Sequence[float]]
    said: Said


@dataclass(frozen=True)
class ReadTable:
    """All that a file gave: its pulls, and what was left out of it and why."""

    pulls: Sequence[ReadPull]
    left_out: Sequence[str] = ()


Reader = Callable[[bytes, float | None], ReadTable]
"""Makes pulls of a file's content; for manifold gauges it is told the station pressure [kPa], where that is known. Raises
ValueError with a sentence where it cannot."""
Air = Callable[[datetime], Said]
"""The air in the bay at a moment, as far as it is known."""


def content_of(file: Path) -> tuple[bytes, datetime]:
    """A file's content and its time. Raises CannotTake where it is too large, or still being written."""
    try:
        before = file.stat()
        if before.st_size > LARGEST_FILE:
            raise NotReadable(
                f"{file.name} has {before.st_size:,} bytes, more than {LARGEST_FILE:,}: no table of a pull is so large"
            )
        content = file.read_bytes()
        after = file.stat()
    except OSError as error:
        raise CannotTake(f"{file} cannot be read: {error.strerror or error}") from error
    if looks(before) != looks(after) or len(content) != after.st_size:
        raise CannotTake(f"{file.name} is still being written; send it again when it is complete")
    return content, datetime.fromtimestamp(after.st_mtime, UTC)


def looks(stat: os.stat_result) -> tuple[int, int]:
    """What changes while a file is written: its size and its time."""
    return stat.st_size, stat.st_mtime_ns
