"""Real processes around a real server: each test has a data folder of its own and leaves no process behind."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest

from service.local import processes
from tests.conftest import copy_of

REPOSITORY = Path(__file__).resolve().parents[2]
# Starts the server, says its owner's address, waits for a line, stops.
USER_OF_THE_SERVER = """
import sys
from pathlib import Path
from service.local import LocalServerError, start_server
try:
    server = start_server(Path(sys.argv[1]))
except LocalServerError as error:
    print("refused", error, flush=True)
    raise SystemExit(1)
print("ready", server.owner_url, flush=True)
sys.stdin.readline()
server.stop()
print("stopped", flush=True)
"""


@dataclass
class User:
    """A process that uses the server of a data folder."""

    process: subprocess.Popen[str]

    @classmethod
    def of(cls, folder: Path, command: list[str] | None = None, **how: object) -> User:
        command = [*(command or [sys.executable]), "-c", USER_OF_THE_SERVER, str(folder)]
        how.setdefault("cwd", REPOSITORY)
        return cls(
            subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                **how,
            )
        )

    def says(self) -> str:
        return self.process.stdout.readline().strip()

    def url(self) -> str:
        word, _, rest = self.says().partition(" ")
        assert word == "ready", f"{word} {rest} {self.process.stdout.read()}"
        return rest

    def leave_after_ready(self) -> None:
        self.url()
        self.leave()

    def leave(self) -> None:
        said, _ = self.process.communicate("\n", timeout=60)
        assert said.strip() == "stopped"
        assert self.process.returncode == 0


def postmaster_of(folder: Path) -> int | None:
    """Number of the living server of a data folder."""
    try:
        pid = int((folder / "postgres" / "postmaster.pid").read_text().split()[0])
    except (FileNotFoundError, IndexError):
        return None
    return pid if processes.serves(pid, folder / "postgres") else None


def scalar(url: str, statement: str) -> object:
    with psycopg.connect(url, autocommit=True) as connection:
        return connection.execute(statement).fetchone()[0]


def execute(url: str, statement: str) -> None:
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(statement)


def wait_until(condition, patience_s: float = 60.0) -> None:
    """Wait for a condition; the patience is where a test gives up, not how long anything may take."""
    deadline = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.02)


def end_server_of(folder: Path) -> None:
    if (pid := postmaster_of(folder)) is not None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGQUIT)
        wait_until(lambda: postmaster_of(folder) is None)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A data folder not made yet, with a path short enough for a socket inside; its server is ended afterwards."""
    outer = Path(tempfile.mkdtemp(prefix="bl-"))
    inside = outer / "data"
    yield inside
    end_server_of(inside)
    subprocess.run(["rm", "-r", outer], check=True)  # a third of what `shutil.rmtree` takes


@pytest.fixture
def used_folder(folder, template) -> Path:
    """A data folder that was used before."""
    return copy_of(template, folder)
