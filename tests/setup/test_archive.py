"""service/units/archive.sh: which copies stay, what of the log stays with them, and from which copy one goes back.

The programs of Postgres are stand-ins; with a server it runs in tests/faults/test_any_minute.py.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.setup.check import ROOT
from tests.setup.installed import wait_until

SCRIPT = ROOT / "service" / "units" / "archive.sh"
WEEKS = [f"base-202603{day:02}T031700Z" for day in (1, 8, 15, 22, 29)]


# It leaves a file that it had not yet filled with zeros, as on a full disk, and ends with a fault; started again, it stays and
# says by which signal it was ended.
RECEIVER = f"""#!{sys.executable}
import os, pathlib, signal, sys
log, said = pathlib.Path(sys.argv[2]), pathlib.Path("SAID")
found = sorted(path.name for path in log.iterdir())
if "{1:024X}" not in found:
    (log / "{1:024X}").touch()
    (log / "{2:024X}.partial").write_bytes(bytes(8192))
    sys.exit(1)
signal.signal(signal.SIGINT, lambda *_: (said.write_text("SIGINT"), os._exit(0)))
said.write_text(" ".join(found))
while True:
    signal.pause()
"""


class Archive:
    """An archive, and programs of its own before the machine's."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.bin, self.cleaned = folder / "archive", folder / "bin", folder / "cleaned"
        (self.folder / "log").mkdir(parents=True)
        self.bin.mkdir()
        self.program("pg_verifybackup", "exit 0")
        self.program("pg_archivecleanup", f'echo "$@" > {self.cleaned}')
        self.program("postgres", "exit 1")

    def program(self, name: str, words: str) -> None:
        file = self.bin / name
        file.write_text(f"#!/bin/sh\n{words}\n")
        file.chmod(0o755)

    def made(self, name: str, number: int = 1, within: str = "") -> Path:
        """A copy that begins with the so manieth file of the log (as pg_basebackup writes backup_label)."""
        segment = f"{number:024X}"
        copy = self.folder / (within or name)
        copy.mkdir()
        (copy / "PG_VERSION").write_text("0\n")
        (copy / "backup_label").write_text(f"START WAL LOCATION: 0/2000028 (file {segment})\n")
        (self.folder / "log" / segment).touch()
        return copy

    def copied(self, name: str, number: int) -> subprocess.CompletedProcess[str]:
        """One more copy is taken, finished at the moment of its name."""
        taken = self.made(name, number, "taken")
        self.program("pg_basebackup", f'mv {taken} "$2"')
        self.program("date", f"echo {name.removeprefix('base-')}")
        return self.run("base", str(self.folder))

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        path = {"PATH": f"{self.bin}:{os.environ['PATH']}"}
        return subprocess.run(["sh", SCRIPT, *words], env=path, capture_output=True, text=True, check=False)

    def copies(self) -> list[str]:
        return sorted(path.name for path in self.folder.glob("base-*"))


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path)


def test_the_newest_copies_stay_and_the_log_from_the_oldest_of_them_on(archive: Archive) -> None:
    """pg_archivecleanup removes what is older than the file it is given (PostgreSQL documentation, pg_archivecleanup)."""
    for number, name in enumerate(WEEKS, 1):
        ran = archive.copied(name, number)
        assert ran.returncode == 0, ran.stderr
    assert archive.copies() == WEEKS[2:]
    assert archive.cleaned.read_text().split() == [str(archive.folder / "log"), f"{3:024X}"]


def test_a_copy_that_is_not_what_its_sums_say_is_none_and_lets_no_other_go(archive: Archive) -> None:
    for name in WEEKS[:3]:
        archive.made(name)
    archive.program("pg_verifybackup", "exit 1")
    assert archive.copied(WEEKS[3], 4).returncode != 0
    assert archive.copies() == WEEKS[:3]
    assert not archive.cleaned.exists()


@pytest.mark.parametrize(
    ("moment", "newest"),
    [
        ("2026-03-14 12:00:00+00", WEEKS[1]),
        ("2026-03-15 03:17:00+00", WEEKS[1]),  # finished in that very second: perhaps after the moment
        ("2026-03-15 03:17:01+00", WEEKS[2]),
        ("2026-03-15 04:17:00+01", WEEKS[1]),
        ("latest", WEEKS[4]),
    ],
)
def test_one_goes_back_from_the_newest_copy_that_was_finished_before_the_moment(
    archive: Archive, tmp_path: Path, moment: str, newest: str
) -> None:
    for name in WEEKS:
        archive.made(name)
    ran = archive.run("back", str(archive.folder), str(tmp_path / "main"), moment)
    assert ran.stdout.startswith(f"from {archive.folder / newest} to ")
    assert "Nothing was changed" in ran.stderr  # the server is none
    assert archive.copies() == WEEKS


def test_the_log_is_followed_again_where_a_file_of_it_was_not_even_begun_and_ends_as_postgres_ends_it(
    archive: Archive, tmp_path: Path
) -> None:
    """pg_receivewal goes on in no file that is neither empty nor of a segment's size (receivelog.c, open_walfile). In Postgres 15
    it runs "until terminated by the SIGINT signal" (its documentation); SIGTERM is named from 16 on."""
    said = tmp_path / "said"
    archive.program("pg_receivewal", "")
    (archive.bin / "pg_receivewal").write_text(RECEIVER.replace("SAID", str(said)))
    assert archive.run("follow", str(archive.folder)).returncode == 1
    path = {"PATH": f"{archive.bin}:{os.environ['PATH']}"}
    with subprocess.Popen(["sh", SCRIPT, "follow", archive.folder], env=path) as follower:
        try:
            wait_until(lambda: said.exists() and said.read_text() != "")
            assert said.read_text() == f"{1:024X}"
            follower.terminate()
            assert follower.wait(timeout=20) == 0
        finally:
            follower.kill()
    assert said.read_text() == "SIGINT"


@pytest.mark.parametrize(
    ("held", "stays"), [(b"", False), (bytes(8192), False), (bytes(100) + b"\n", True), (b"\n\x00", True)]
)
def test_of_the_log_nothing_goes_that_holds_anything(
    archive: Archive, tmp_path: Path, held: bytes, stays: bool
) -> None:
    archive.made(WEEKS[0])
    last = archive.folder / "log" / f"{2:024X}.partial"
    last.write_bytes(held)
    archive.run("back", str(archive.folder), str(tmp_path / "main"), "latest")
    assert last.exists() == stays
