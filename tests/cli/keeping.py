"""Ledgers for the tests of `backup` and `restore`: three measured cars, in a database of its own for each test."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from multiprocessing.process import BaseProcess
from pathlib import Path

import psycopg
import pytest
from psycopg import sql

from service.cli import main
from service.local import LocalServer
from service.store.backups import PROVED_AT
from tests.conftest import copy_of, new_database
from tests.processes import at_once, run_command
from tests.tokens import admin_token
from tests.worker.conftest import measure_three_cars

PATIENCE_S = 60.0
NUMBERS = itertools.count(1)
MEASURED = "kept_measured"


@dataclass(frozen=True)
class Kept:
    """A database with a ledger in it, and an admin's token of it."""

    name: str
    owner_url: str
    service_url: str
    superuser_url: str
    token: str

    def where(self) -> list[str]:
        """For a command: which ledger."""
        return ["--owner-database-url", self.owner_url]

    def maker(self) -> list[str]:
        """For a command: who makes databases."""
        return ["--maker-url", self.superuser_url]

    def count(self, table: str, name: str | None = None) -> int:
        """How many rows a table has, here or in another database of the server."""
        return rows_in(self.url_of(name or self.name), table)

    def url_of(self, name: str) -> str:
        """The superuser in some database of the server."""
        return self.superuser_url.replace("/bayledger?", f"/{name}?")

    def backed_up_at(self) -> datetime | None:
        """Of which moment the ledger believes its last proved backup to be."""
        with psycopg.connect(self.url_of(self.name)) as above:
            row = above.execute(f"SELECT {PROVED_AT}").fetchone()
            return row[0]

    def databases(self) -> list[str]:
        """All whose name begins as this one's."""
        with psycopg.connect(self.superuser_url, autocommit=True) as above:
            found = above.execute(
                "SELECT datname FROM pg_database WHERE starts_with(datname, %s) ORDER BY 1", (self.name,)
            )
            return [name for (name,) in found.fetchall()]


def rows_in(url: str, table: str) -> int:
    with psycopg.connect(url, autocommit=True) as connection:
        row = connection.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(table))).fetchone()
        return row[0]


@pytest.fixture(scope="session")
def measured(server: LocalServer) -> Kept:
    """A ledger of three measured cars, made once: to back up, and to copy. Nobody writes into it."""
    owner_url, service_url = new_database(server, MEASURED)
    measure_three_cars(owner_url, service_url)
    return Kept(MEASURED, owner_url, service_url, server.superuser_url, admin_token(owner_url))


@pytest.fixture
def kept(measured: Kept, server: LocalServer) -> Iterator[Kept]:
    """A copy of it; that and all whose name begins as its own are gone afterwards."""
    name = f"kept{next(NUMBERS)}"
    owner_url, service_url = new_database(server, name, MEASURED)
    made = replace(measured, name=name, owner_url=owner_url, service_url=service_url)
    yield made
    drop_all(made)


@pytest.fixture
def nobodys(measured: Kept) -> Iterator[Kept]:
    """A name that no database has yet, and what is made under it is gone afterwards; its addresses are those of `measured`."""
    made = replace(measured, name=f"new{next(NUMBERS)}")
    yield made
    drop_all(made)


def drop_all(made: Kept) -> None:
    """All databases whose name begins as its own."""
    with psycopg.connect(made.superuser_url, autocommit=True) as above:
        for one in made.databases():
            above.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(one)))


@pytest.fixture(scope="session")
def shelf(measured: Kept, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one backup of `measured`, taken once."""
    folder = tmp_path_factory.mktemp("shelf") / "backups"
    assert main(["backup", *measured.where(), "--to", str(folder), "--quiet"]) == 0
    return folder


@pytest.fixture
def dump(shelf: Path, tmp_path: Path) -> Path:
    """A copy of that backup, to spoil."""
    return only_dump(copy_of(shelf, tmp_path / "backups"))


def only_dump(folder: Path) -> Path:
    """The one backup in a folder."""
    (dump,) = folder.glob("*.dump")
    return dump


def flip_a_bit(file: Path) -> None:
    """Change one bit in the middle of a file."""
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)


def say_otherwise(dump: Path, **changes: object) -> None:
    """Let the manifest say something else, under sums that agree with it."""
    note = dump.with_suffix(".json")
    note.write_text(json.dumps(json.loads(note.read_text()) | changes))
    sums = [f"{hashlib.sha256(one.read_bytes()).hexdigest()}  {one.name}\n" for one in (dump, note)]
    dump.with_suffix(".sha256").write_text("".join(sums))


@contextmanager
def started(words: list[str], folder: Path) -> Iterator[BaseProcess]:
    """`bayledger` in a process of its own, which is killed at the end."""
    process = at_once().Process(
        target=run_command, args=(words, folder / "said.log", dict(os.environ)), daemon=True
    )
    process.start()
    try:
        yield process
    finally:
        kill(process)


def wait_for(process: BaseProcess, seen: Callable[[], bool]) -> bool:
    """Wait until something is seen; False where the process ended before."""
    deadline = time.monotonic() + PATIENCE_S
    while not seen():
        if not process.is_alive():
            return False
        assert time.monotonic() < deadline, "it did not come to that in time"
        time.sleep(0.001)
    return True


def kill(process: BaseProcess) -> None:
    """Without a word, and what it has started too."""
    with suppress(ProcessLookupError):  # it was faster
        os.killpg(process.pid, signal.SIGKILL)
    process.join(timeout=PATIENCE_S)
