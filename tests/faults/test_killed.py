"""The service, and its database, killed in the middle of posts (kill -9)."""

import os
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from service.local import start_server
from tests.bench.serving import Service, service_in, workers_of
from tests.conftest import copy_of
from tests.faults.bays import Bays, over_http
from tests.faults.rebuild import damage, kept_setups
from tests.faults.sessions import SLOTS, a_small_shop, random_sessions
from tests.local.conftest import end_server_of, postmaster_of, wait_until
from tests.threads import meanwhile

pytestmark = pytest.mark.machine  # programs are killed over and over: minutes

POSTS = 200
CARS = 12
KILLED_AFTER = 80
"""Answered posts after which the kill comes."""


@pytest.fixture
def folder(migrated_template: Path) -> Iterator[Path]:
    """A data folder with a path short enough for a socket, the schema in it; its server waits for the disk."""
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        yield copy_of(migrated_template, Path(outer) / "data")
        end_server_of(Path(outer) / "data")


def fill(service: Service) -> None:
    """The shop, through the service's own door."""
    with httpx.Client(base_url=service.url, headers={"Authorization": f"Bearer {service.token}"}) as client:
        a_small_shop(lambda path, body: client.post(path, json=body).raise_for_status(), CARS)


def send_what_is_left(bays: Bays, service: Service) -> None:
    """Every post not yet acknowledged, once each."""
    with over_http(service.url, service.token) as send:
        bays.send_once(send)


@contextmanager
def posting(bays: Bays, service: Service) -> Iterator[None]:
    """While the bays are at work, some posts answered already."""
    with meanwhile(partial(send_what_is_left, bays, service)):
        wait_until(lambda: len(bays.answered) >= KILLED_AFTER, 60)
        yield


def present(sight: psycopg.Connection[Any]) -> set[str]:
    """The sessions the ledger holds."""
    return {id for id, _ in kept_setups(sight)}


def check_all_is_whole(folder: Path, bays: Bays) -> set[str]:
    """Every session there is whole and every answered one is there; answers which are there."""
    with start_server(folder) as database, psycopg.connect(database.owner_url) as sight:
        here = present(sight)
        assert damage(sight, bays.documents.values(), SLOTS) == []
        assert bays.answered <= here
        return here


def test_a_killed_service_keeps_every_answered_post_once_and_none_in_part(folder):
    bays = Bays.of(random_sessions(11, POSTS, CARS))
    with service_in(folder) as service:
        fill(service)
        with posting(bays, service):
            killed = [*workers_of(service.pid), service.pid]
            for pid in killed:
                os.kill(pid, signal.SIGKILL)
    assert len(killed) == 2
    assert KILLED_AFTER <= len(bays.answered) < POSTS
    assert bays.refused == []
    assert set(bays.broken) <= {"ReadError", "RemoteProtocolError", "ConnectError", "WriteError"}
    check_all_is_whole(folder, bays)

    with service_in(folder) as service:
        send_what_is_left(bays, service)
        assert check_all_is_whole(folder, bays) == bays.answered == bays.documents.keys()


def test_a_killed_database_keeps_every_answered_post_once_and_none_in_part(folder):
    bays = Bays.of(random_sessions(12, POSTS, CARS))
    with service_in(folder) as service:
        fill(service)
        with posting(bays, service):
            postmaster = postmaster_of(folder)
            os.kill(postmaster, signal.SIGKILL)
        assert len(bays.answered) >= KILLED_AFTER
        wait_until(lambda: ready(service), 30)
        assert postmaster_of(folder) not in (None, postmaster)
        assert bays.refused, "nothing was under way when the server died"
        assert bays.broken == []
        assert bays.unclear == []
        check_all_is_whole(folder, bays)

        send_what_is_left(bays, service)
        assert check_all_is_whole(folder, bays) == bays.answered == bays.documents.keys()


def ready(service: Service) -> bool:
    """Whether the service reaches its database."""
    time.sleep(0.05)
    return httpx.get(f"{service.url}/v1/ready", timeout=30).status_code == 200
