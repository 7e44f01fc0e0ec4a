"""Files that are whole or not there, whatever is cut off in the middle: a process, the power, the room on the disk."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file aside, bring it to the disk, put it in its place. Raises OSError and leaves what was there.

    Writers of one folder hold a lock, so the name aside needs no number; what a killed one left there is overwritten.
    """
    aside = path.with_name(f".{path.name}.part")
    try:
        with aside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except OSError:
        with suppress(OSError):
            aside.unlink()
        raise
    sync_folder(path.parent)


def move(path: Path, into: Path) -> None:
    """Move a file to another folder of the same disk under its own name."""
    path.replace(into / path.name)
    sync_folder(into)
    sync_folder(path.parent)


def remove(path: Path) -> None:
    """Remove a file; one that has gone already is no fault."""
    path.unlink(missing_ok=True)
    sync_folder(path.parent)


def make_folder(path: Path) -> None:
    """Make a folder that is still there after a power cut."""
    if path.is_dir():
        return
    make_folder(path.parent)
    path.mkdir(exist_ok=True, mode=0o700)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk. Windows cannot open a folder, and keeps renames in its journal."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


NO_ROOM = (errno.ENOSPC, errno.EFBIG, errno.EDQUOT)


def why(error: OSError) -> str:
    """What the disk will not do, with the file and the way out."""
    about = f"{error.filename}: " if error.filename else ""
    way_out = "make room on this disk" if error.errno in NO_ROOM else "mend that"
    return f"{about}{error.strerror or error}. Nothing that was taken before is lost; {way_out}"
