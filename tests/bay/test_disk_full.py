"""No room on the bay's disk: what was taken before stays, what could not be taken is said, and goes in once there is room."""

import json
import random
import resource
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from tests.bay.answering import answering, kept
from tests.bay.computer import Computer
from tests.live import clean_environment
from tests.local.test_machine import fill
from tests.processes import at_once, run_command

LARGEST_FILE = 3000
"""Room for the session in work with some three of the test's files, and for all that the program says [bytes]."""
FILES = 6


def run_with_little_room(words, log, environment):
    """As `run_command`, where no file can grow beyond a size: the kernel refuses the write, as a full disk does."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (LARGEST_FILE, LARGEST_FILE))
    run_command(words, log, environment)


def files_of(computer: Computer) -> list[str]:
    """Six files from the machine."""
    rng = random.Random(4)
    return [str(computer.machine_writes(f"pull-{n}.csv", rng)) for n in range(FILES)]


def pulls_in(session) -> int:
    return sum(len(setup["pulls"]) for setup in session["setups"])


@pytest.mark.slow
def test_what_does_not_fit_is_said_by_its_path_and_nothing_taken_before_is_lost(tmp_path):
    with answering(kept) as ledger:
        computer = Computer(tmp_path, "bay-0", ledger.url, "t")
        files = files_of(computer)
        words = [
            "bay",
            "send",
            *files,
            "--car",
            "car-00",
            "--parts",
            "none",
            "--bay-dir",
            str(computer.bay_dir),
        ]
        process = at_once().Process(
            target=run_with_little_room, args=(words, computer.log, clean_environment())
        )
        process.start()
        process.join(timeout=60)
        assert process.exitcode == 1
        assert "File too large" in computer.said
        assert "make room" in computer.said
        taken = computer.said.count("1 pull into session 1")
        assert 0 < taken < FILES
        work = json.loads((computer.bay_dir / "work" / "session.json").read_bytes())
        assert sum(len(state["runs"]) for state in work["states"]) == taken

        assert computer.runs("send", *files) == 0
        assert computer.said.count(".csv was taken before") == taken
        assert computer.runs("done") == 0
        (session,) = ledger.posts
        assert pulls_in(session) == FILES


def test_a_session_that_cannot_go_into_the_spool_stays_on_the_desk_and_goes_in_later(tmp_path):
    with answering(kept) as ledger:
        computer = Computer(tmp_path, "bay-0", ledger.url, "t")
        assert computer.runs("send", *files_of(computer), "--car", "car-00", "--parts", "none") == 0
        words = ["bay", "done", "--bay-dir", str(computer.bay_dir)]
        process = at_once().Process(
            target=run_with_little_room, args=(words, computer.log, clean_environment())
        )
        process.start()
        process.join(timeout=60)
        assert process.exitcode == 1
        assert computer.waiting() == []
        assert ledger.posts == []

        assert computer.runs("done") == 0
        (session,) = ledger.posts
        assert pulls_in(session) == FILES


@pytest.fixture
def small_disk():
    """A disk of 512 kB."""
    disk = Path(tempfile.mkdtemp(prefix="bl-"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", disk], check=True)
    yield disk
    subprocess.run(["umount", disk], check=True)
    disk.rmdir()


@pytest.mark.machine
def test_a_disk_that_is_really_full_loses_and_doubles_nothing(small_disk, tmp_path):
    with answering(kept) as ledger:
        computer = Computer(tmp_path, "bay-0", ledger.url, "t")
        computer.bay_dir = Path(shutil.copytree(computer.bay_dir, small_disk / "bay"))
        files = files_of(computer)
        assert computer.runs("send", files[0], "--car", "car-00", "--parts", "none") == 0
        fill(small_disk)
        assert computer.runs("send", *files) == 1
        assert "No space left on device" in computer.said
        assert computer.runs("done") == 1
        (small_disk / "filler").unlink()

        assert computer.runs("send", *files) == 0
        assert computer.runs("done") == 0
        assert sum(map(pulls_in, ledger.posts)) == FILES
        assert len({post["id"] for post in ledger.posts}) == len(ledger.posts)
