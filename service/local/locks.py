"""Advisory file locks. The kernel frees them when their holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from service.local.errors import LocalServerError

START_PATIENCE_S = 120.0  # our choice: recovery after a crash may take a while
POLL_S = 0.02


@contextmanager
def starting(path: Path, patience_s: float = START_PATIENCE_S) -> Iterator[None]:
    """Hold the lock under which a server is started or stopped."""
    handle = _open(path)
    try:
        _wait_for(handle, path, patience_s)
        yield
    finally:
        os.close(handle)


def _wait_for(handle: int, path: Path, patience_s: float) -> None:
    deadline = time.monotonic() + patience_s
    while not _try(handle, fcntl.LOCK_EX):
        if time.monotonic() > deadline:
            raise LocalServerError(
                f"another process has held {path} for {patience_s:.0f} s, starting or stopping the server. "
                "End that process and try again."
            )
        time.sleep(POLL_S)


def take_use(path: Path) -> int:
    """Say 'I use the server': a shared lock, given back by closing the number returned."""
    handle = _open(path)
    fcntl.flock(handle, fcntl.LOCK_SH)
    return handle


def anybody_uses(path: Path) -> bool:
    """Does any process, this one included, still use the server?"""
    handle = _open(path)
    try:
        return not _try(handle, fcntl.LOCK_EX)
    finally:
        os.close(handle)


def _try(handle: int, how: int) -> bool:
    try:
        fcntl.flock(handle, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _open(path: Path) -> int:
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise LocalServerError(f"{path} cannot be written: {error.strerror}.") from error
    # root working in an ordinary user's folder must not leave a file that user cannot open
    with suppress(OSError):
        owner = path.parent.stat()
        if os.geteuid() == 0 and owner.st_uid != 0:
            os.fchown(handle, owner.st_uid, owner.st_gid)
    return handle
