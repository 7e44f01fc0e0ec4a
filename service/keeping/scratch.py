"""A Postgres for a moment, in a folder of its own: what happens in it cannot harm the ledger that serves."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from service.keeping.errors import KeepingError
from service.local import LocalServer, LocalServerError, start_server
from service.local.locks import anybody_uses
from service.local.places import places_of

PREFIX: Final = "bayledger-check-"
BYTES_PER_MB: Final = 1_000_000
ROOM_BESIDE_MB: Final = 200
"""For what a Postgres needs beside the data (our choice)."""
LEFT_S: Final = 3600.0
"""One that nobody uses and that is older than this was left by a run that was killed (our choice)."""


@contextmanager
def scratch_server(size: int) -> Iterator[LocalServer]:
    """An empty one, gone afterwards; it lies where TMPDIR says.

    size: of the database that is to fit in [bytes]
    """
    _clear_left()
    _check_room(size)
    folder = Path(tempfile.mkdtemp(prefix=PREFIX))
    try:
        with start_server(folder, lasting=False) as server:
            yield server
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _check_room(size: int) -> None:
    place = tempfile.gettempdir()
    free_mb, needed_mb = shutil.disk_usage(place).free / BYTES_PER_MB, size / BYTES_PER_MB + ROOM_BESIDE_MB
    if free_mb < needed_mb:
        raise KeepingError(
            f"no room to put the backup back for a look: {free_mb:.0f} MB free in {place}, {needed_mb:.0f} MB are needed. "
            "Free some, or name another folder in TMPDIR"
        )


def _clear_left() -> None:
    """End and remove what runs that were killed have left."""
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        with suppress(OSError, LocalServerError):
            found = folder.lstat()
            if found.st_uid == os.geteuid() and time.time() - found.st_mtime > LEFT_S and folder.is_dir():
                _remove_unused(folder)


def _remove_unused(folder: Path) -> None:
    if anybody_uses(places_of(folder).use_lock):
        return
    if places_of(folder).written_by_major() is not None:
        start_server(folder).stop()
    shutil.rmtree(folder, ignore_errors=True)
