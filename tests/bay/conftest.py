"""A real ledger behind `bayledger serve`, that can be killed and started again, and bays that post to it."""

import os
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from service.local import LocalServer, start_server
from service.store import tokens
from tests.bay.desks import plain_file
from tests.bench.serving import workers_of
from tests.cli.conftest import Serving, serving
from tests.conftest import copy_of, hurried
from tests.faults.sessions import PLATFORMS, SLOTS
from tests.local.conftest import end_server_of, postmaster_of

CARS = [f"car-{n:02d}" for n in range(40)]
BAYS = [f"bay-{n}" for n in range(8)]


class RealLedger:
    """The service in a process of its own; its database outlives it."""

    def __init__(self, folder: Path, database: LocalServer, token: str) -> None:
        self.folder, self.database, self.token = folder, database, token
        self._stack = ExitStack()
        self.process: Serving | None = None
        self.kills = 0
        self.cpu_of_the_dead_s = 0.0

    def start(self) -> None:
        """Serve, on whatever port is free."""
        self._stack = ExitStack()
        self.process = self._stack.enter_context(serving(self.folder))

    def kill(self) -> None:
        """Kill -9, master and workers, in whatever they are doing."""
        assert self.process is not None
        process, self.process = self.process, None
        self.cpu_of_the_dead_s += sum(cpu_s(pid) for pid in [*workers_of(process.pid), process.pid])
        for pid in [*workers_of(process.pid), process.pid]:
            os.kill(pid, signal.SIGKILL)
        process.process.join()
        self.kills += 1

    def cpu_s(self) -> float:
        """Processor time of the service, its killed forerunners and its database [s]."""
        assert self.process is not None
        postmaster = postmaster_of(self.folder)
        alive = [self.process.pid, *workers_of(self.process.pid)]
        database = [] if postmaster is None else [postmaster, *children_of(postmaster)]
        return self.cpu_of_the_dead_s + sum(map(cpu_s, [*alive, *database]))

    def stop(self) -> None:
        """As a person stops it."""
        self._stack.close()
        self.process = None

    def url(self) -> str | None:
        """Where it serves at the moment."""
        process = self.process
        return None if process is None else process.url

    def post_token(self, bay: str) -> str:
        """A token of a bay."""
        with psycopg.connect(self.database.owner_url, autocommit=True) as owner:
            return tokens.create_token(owner, scope="post", name=bay, bay=bay)

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Look into the database."""
        with psycopg.connect(self.database.owner_url, autocommit=True) as sight:
            return sight.execute(query).fetchall()

    def ask(self, method: str, path: str, body: Any = None) -> httpx.Response:
        """One request as the shop's admin."""
        headers = {"Authorization": f"Bearer {self.token}"}
        return httpx.request(method, f"{self.url()}{path}", json=body, headers=headers, timeout=60)


def children_of(pid: int) -> list[int]:
    """Its living children (Linux)."""
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def cpu_s(pid: int) -> float:
    """Processor time of a process, and of its children that have ended [s] (Linux, proc(5): fields 14 to 17)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


def a_shop_of_bays(ledger: RealLedger) -> None:
    """Eight bays, forty cars, the parts of SLOTS."""
    posts: list[tuple[str, dict[str, Any]]] = [
        ("/v1/platforms", {"slug": slug, "name": slug, "aspiration": "turbo", "ignition": "spark"})
        for slug in PLATFORMS
    ]
    posts += [("/v1/bays", {"slug": slug, "name": slug, "kind": "hub"}) for slug in BAYS]
    posts += [
        ("/v1/parts", {"slug": slug, "name": slug, "slots": sorted(slots)}) for slug, slots in SLOTS.items()
    ]
    posts += [
        ("/v1/vehicles", {"tag": tag, "platform": PLATFORMS[n % 2], "confirm": True})
        for n, tag in enumerate(CARS)
    ]
    with httpx.Client(
        base_url=str(ledger.url()), headers={"Authorization": f"Bearer {ledger.token}"}, timeout=60
    ) as client:
        for path, body in posts:
            client.post(path, json=body).raise_for_status()


@pytest.fixture(scope="module")
def real_ledger(migrated_template: Path) -> Iterator[RealLedger]:
    """A served ledger with a small shop in it."""
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        folder = hurried(copy_of(migrated_template, Path(outer) / "data"))
        with start_server(folder) as database:
            with psycopg.connect(database.owner_url, autocommit=True) as owner:
                token = tokens.create_token(owner, scope="admin", name="bays")
            ledger = RealLedger(folder, database, token)
            ledger.start()
            a_shop_of_bays(ledger)
            yield ledger
            ledger.stop()
        end_server_of(folder)


@pytest.fixture
def file(tmp_path: Path) -> Callable[..., Path]:
    """Makes files, each with pulls of its own."""
    made = iter(range(1000))

    def make(name: str | None = None, pulls: int = 1) -> Path:
        seed = next(made)
        return plain_file(tmp_path, name or f"pull-{seed}.txt", seed, pulls)

    return make


@pytest.fixture
def two_hours_east(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """This computer's zone for a while; POSIX counts hours westward."""
    monkeypatch.setenv("TZ", "Etc/GMT-2")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()
