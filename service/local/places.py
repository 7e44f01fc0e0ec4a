"""Where everything of one data folder lies."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from service.local.errors import LocalServerError

PORT = 5432
# A unix socket's path holds at most 103 bytes on macOS and 107 on Linux (sun_path in sys/un.h, without the final
# nought); the smaller one keeps a folder usable on both.
LONGEST_SOCKET_PATH = 103
# Postgres takes a comma-separated list of socket folders and libpq one of hosts: anything unusual goes to the
# hashed folder instead of being quoted twice.
PLAIN_PATH = re.compile(r"[A-Za-z0-9_./+-]+")
# Where a socket goes whose data folder has too long a name: not TMPDIR, which may be as long, and which another process
# that asks for the same ledger may have set otherwise.
SHORT_FOLDER = Path("/tmp")  # nosec B108 # noqa: S108  the folder made in it is private, and refused when somebody else made it
PRIVATE = 0o700


@dataclass(frozen=True)
class Places:
    """The files of one data folder."""

    root: Path
    socket: Path

    @property
    def postgres(self) -> Path:
        """The folder Postgres calls PGDATA."""
        return self.root / "postgres"

    @property
    def log(self) -> Path:
        return self.root / "postgres.log"

    @property
    def start_lock(self) -> Path:
        return self.root / "start.lock"

    @property
    def use_lock(self) -> Path:
        return self.root / "use.lock"

    @property
    def pid_file(self) -> Path:
        return self.postgres / "postmaster.pid"

    def forget_socket_folder(self) -> None:
        """Take away a folder that lies outside the data folder and holds nothing any more."""
        if self.socket.parent != self.root:
            with suppress(OSError):
                self.socket.rmdir()

    @property
    def socket_lock(self) -> Path:
        return self.socket / f".s.PGSQL.{PORT}.lock"

    def written_by_major(self) -> str | None:
        """Major version that wrote the data, None where there is none yet."""
        try:
            return (self.postgres / "PG_VERSION").read_text(encoding="ascii").strip()
        except (FileNotFoundError, NotADirectoryError):
            return None


def places_of(data_dir: Path) -> Places:
    """Work out the places; nothing is made or touched."""
    root = Path(os.path.realpath(data_dir))
    return Places(root=root, socket=_socket_folder(root))


def _socket_folder(root: Path) -> Path:
    inside = root / "socket"
    name = f"/.s.PGSQL.{PORT}"
    if len(os.fsencode(f"{inside}{name}")) <= LONGEST_SOCKET_PATH and PLAIN_PATH.fullmatch(str(inside)):
        return inside
    digest = hashlib.sha256(os.fsencode(root)).hexdigest()[:16]
    return SHORT_FOLDER / f"bayledger-{digest}"


def make_root(root: Path) -> None:
    """Make the data folder, or say why it cannot be used."""
    try:
        root.mkdir(mode=PRIVATE, parents=True, exist_ok=True)
    except OSError as error:
        raise LocalServerError(f"{root} cannot be made: {error.strerror}. {_OTHER_FOLDER}") from error
    if not os.access(root, os.R_OK | os.W_OK | os.X_OK):
        raise LocalServerError(f"{root} cannot be written by this user. {_OTHER_FOLDER}")


def make_private_folder(folder: Path, uid: int, gid: int) -> None:
    """Make a folder only its owner can enter; refuse one that somebody else put there first.

    Parameters
    ----------
    folder: where
    uid, gid: who shall own it
    """
    try:
        folder.mkdir(mode=PRIVATE)
        if uid != os.geteuid():
            os.chown(folder, uid, gid)
    except FileExistsError:
        pass
    except OSError as error:
        raise LocalServerError(f"{folder} cannot be made: {error.strerror}. {_OTHER_FOLDER}") from error
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != uid:
        raise LocalServerError(
            f"{folder} belongs to somebody else. Remove it, or {_OTHER_FOLDER[0].lower()}{_OTHER_FOLDER[1:]}"
        )
    if stat.S_IMODE(found.st_mode) != PRIVATE:
        folder.chmod(PRIVATE)


_OTHER_FOLDER = "Choose another folder with --data-dir, or give BAYLEDGER_DATABASE_URL."
