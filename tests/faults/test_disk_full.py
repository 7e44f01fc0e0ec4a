"""The disk that the ledger's database lies on fills up under posts, and has room again.

A small file system in memory (tmpfs) is the disk; mounting it needs root.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.conftest import serving
from tests.conftest import copy_of
from tests.faults.bays import PATIENCE_S, Bays, figures, kept_in, over_http
from tests.faults.sessions import many_sessions
from tests.faults.test_killed_at_random import CARS, admin_token, fill
from tests.local.conftest import end_server_of, wait_until

pytestmark = pytest.mark.machine  # mounts a file system

DISK_MB = 300
ROOM_BYTES = 256 * 1024
"""What is left: too little for a table to grow, where the log (WAL) still has room in the file that it has."""
POSTS = 500
REFUSALS = 12


class SmallDisk:
    """A file system of its own, and a file on it that takes the room away."""

    def __init__(self, place: Path) -> None:
        self.place, self.ballast = place, place / "ballast"

    def leave(self, room_bytes: int) -> None:
        """Take all room but this [bytes]."""
        with self.ballast.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, shutil.disk_usage(self.place).free - room_bytes)

    def give_room(self) -> None:
        """Let the ledger have it again."""
        self.ballast.unlink()


@pytest.fixture
def disk() -> Iterator[SmallDisk]:
    """Mounted for the test."""
    place = Path(tempfile.mkdtemp(prefix="bl-"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m,mode=755", "tmpfs", place], check=True)
    yield SmallDisk(place)
    end_server_of(place / "data")
    subprocess.run(["umount", place], check=True)
    place.rmdir()


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
        kept = kept_in(bays, folder)
    tell(figures(f"disk full ({while_full} kept until then)", 1, bays, kept))
    assert while_full < POSTS
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == POSTS
    assert bays.unclear == []
    assert bays.broken == []
