"""The disk that the ledger's database lies on fills up under posts, and has room again; so does that of its log (WAL) alone.

A small file system in memory (tmpfs) is the disk; mounting it needs root.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from service.local.binaries import choose_binaries
from service.local.identity import identity_for
from tests.cli.conftest import serving
from tests.conftest import copy_of
from tests.faults.bays import PATIENCE_S, Bays, figures, kept_in_folder, over_http
from tests.faults.sessions import many_sessions
from tests.faults.test_killed_at_random import CARS, admin_token, fill
from tests.local.conftest import end_server_of, wait_until

pytestmark = pytest.mark.machine  # mounts a file system

DISK_MB = 300
ROOM_BYTES = 256 * 1024
"""What is left: too little for a table to grow, where the log (WAL) still has room in the file that it has."""
POSTS = 500
REFUSALS = 12
LOG_POSTS = 160
LOG_DISK_MB = 64
LOG_REFUSALS = 4
LOG_FILE_MB = 1
"""Instead of 16: what the log's files hold is soon full."""
IS_FULL = "is full. Free some room"
"""What the service's own log says: where the log is full, no database runs that could say it."""


class SmallDisk:
    """A file system of its own, and a file on it that takes the room away."""

    def __init__(self, place: Path) -> None:
        self.place, self.ballast = place, place / "ballast"

    def leave(self, room_bytes: int) -> None:
        """Take all room but this [bytes], also what came free since. A server that is at work takes some of it meanwhile."""
        with self.ballast.open("ab") as file:
            while (free := shutil.disk_usage(self.place).free) > room_bytes:
                with suppress(OSError):
                    os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, free - room_bytes)

    def give_room(self) -> None:
        """Let the ledger have it again."""
        self.ballast.unlink()


@contextmanager
def mounted(size_mb: int) -> Iterator[SmallDisk]:
    """A disk for a while."""
    place = Path(tempfile.mkdtemp(prefix="bl-"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_mb}m,mode=755", "tmpfs", place], check=True)
    try:
        yield SmallDisk(place)
    finally:
        subprocess.run(["umount", place], check=True)
        place.rmdir()


@pytest.fixture
def disk() -> Iterator[SmallDisk]:
    """For a whole data folder."""
    with mounted(DISK_MB) as small:
        yield small
        end_server_of(small.place / "data")


@pytest.fixture
def log_disk(quick_folder) -> Iterator[SmallDisk]:
    """For the log alone of the data folder `quick_folder`."""
    with mounted(LOG_DISK_MB) as small:
        move_log(quick_folder / "postgres", small.place / "log")
        yield small
        end_server_of(quick_folder)


def move_log(postgres: Path, place: Path) -> None:
    """Let a stopped server keep its log elsewhere, in small files."""
    identity = identity_for(postgres)
    program = choose_binaries(identity, (postgres / "PG_VERSION").read_text().strip()).program("pg_resetwal")
    ran = identity.run([program, f"--wal-segsize={LOG_FILE_MB}", "-D", str(postgres)])
    assert ran.returncode == 0, ran.stderr
    shutil.copytree(postgres / "pg_wal", place)
    identity.give(place)
    for path in place.rglob("*"):
        identity.give(path)
    shutil.rmtree(postgres / "pg_wal")
    (postgres / "pg_wal").symlink_to(place)
    with (postgres / "postgresql.conf").open("a") as settings:
        settings.write(
            f"wal_recycle = off\nmin_wal_size = {2 * LOG_FILE_MB}MB\n"
        )  # no file is put by for later


def test_a_full_disk_refuses_posts_clearly_and_loses_none_that_was_acknowledged(
    disk, migrated_template, tell
):
    folder = copy_of(migrated_template, disk.place / "data")
    bays = Bays.of(many_sessions(61, POSTS, CARS))
    token = admin_token(folder)
    with serving(folder) as server, over_http(server.url, token) as send:
        fill(server.url, token)
        disk.leave(ROOM_BYTES)
        with bays.at_work(send):
            wait_until(lambda: len(bays.refused) >= REFUSALS, PATIENCE_S)
            while_full = len(bays.answered)
            disk.give_room()
        assert "Traceback" not in server.said
        assert "could not extend file" in (folder / "postgres.log").read_text()
        kept = kept_in_folder(bays, folder)
    tell(figures(f"disk full ({while_full} kept until then)", 1, bays, kept))
    assert while_full < POSTS
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == POSTS
    assert bays.unclear == []
    assert bays.broken == []


def test_a_full_disk_of_the_log_alone_refuses_posts_clearly_and_loses_none_that_was_acknowledged(
    log_disk, quick_folder, tell
):
    bays = Bays.of(many_sessions(62, LOG_POSTS, CARS))
    token = admin_token(quick_folder)
    with serving(quick_folder) as server, over_http(server.url, token) as send:
        fill(server.url, token)
        with bays.at_work(send):
            bays.wait_for(LOG_POSTS // 5)

            def is_full() -> bool:
                log_disk.leave(0)  # a server that died of it and comes back clears old files of its log away
                return len(bays.refused) >= LOG_REFUSALS and IS_FULL in server.said

            wait_until(is_full, PATIENCE_S)
            while_full = len(bays.answered)
            log_disk.give_room()
        assert "Traceback" not in server.said
        assert 'could not write to file "pg_wal/' in (quick_folder / "postgres.log").read_text()
        kept = kept_in_folder(bays, quick_folder)
    tell(figures(f"disk of the log full ({while_full} kept until then)", 1, bays, kept))
    assert while_full < LOG_POSTS
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == LOG_POSTS
    assert bays.unclear == []
    assert bays.broken == []
