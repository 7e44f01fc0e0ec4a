"""Databases of the tests' own, where commits are real, and processes that post into them."""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.pool import Pool
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql

from service.app import create_app
from service.local import LocalServer
from service.settings import Settings
from tests.conftest import Client, copy_of, hurried, new_database
from tests.faults.sessions import a_small_shop
from tests.local.conftest import end_server_of
from tests.processes import at_once
from tests.tokens import admin_token

NAME = "faults"
CARS = 6
PROCESSES = 4


@dataclass(frozen=True)
class OwnDatabase:
    """Where the service and its owner reach it, and a token."""

    service_url: str
    owner_url: str
    token: str


@pytest.fixture(scope="package")
def database(server: LocalServer) -> Iterator[OwnDatabase]:
    """A migrated database with a small shop, dropped afterwards."""
    owner_url, service_url = new_database(server, NAME)
    token = admin_token(owner_url, "faults")
    a_small_shop(poster(client_of(service_url, token)), CARS)
    yield OwnDatabase(service_url, owner_url, token)
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(NAME)))


@pytest.fixture
def admin_here(database: OwnDatabase) -> Client:
    """A client of an app over a pool of this process."""
    return client_of(database.service_url, database.token)


@pytest.fixture
def sight(database: OwnDatabase) -> Iterator[psycopg.Connection[Any]]:
    """A connection to look with."""
    with psycopg.connect(database.owner_url, autocommit=True) as connection:
        yield connection


@pytest.fixture(scope="package")
def bays(database: OwnDatabase) -> Iterator[Pool]:
    """Four processes, each with an app and a pool of its own; `post_one` runs in them."""
    with at_once().Pool(PROCESSES, open_app, (database.service_url, database.token)) as pool:
        yield pool


def client_of(url: str, token: str) -> Client:
    """A client of a new app."""
    return Client(create_app(Settings(database_url=url, secret="test", threads=4)).test_client(), token)


def poster(client: Client) -> Any:
    """Post, and fail where it is refused."""

    def post(path: str, body: object) -> None:
        answer = client.post(path, body)
        assert answer.status_code == 201, (path, answer.json)

    return post


@dataclass(frozen=True)
class Sent:
    """A request and what came back."""

    status: int
    replayed: bool
    body: Any


_here: list[Client] = []


def open_app(url: str, token: str) -> None:
    """Make this process a bay."""
    _here.append(client_of(url, token))


def send(request: tuple[str, str, Any, dict[str, str]]) -> Sent:
    """One request through the app of this process: (method, path, body, headers)."""
    method, path, body, headers = request
    answer = _here[0].raw(method, path, json=body, headers=headers)
    return Sent(answer.status_code, "Idempotency-Replayed" in answer.headers, answer.json)


def amend(request: tuple[str, str, str, Any]) -> Sent:
    """Change what is read at `about`, against the version just read: (about, method, path, body)."""
    about, method, path, body = request
    while True:
        etag = _here[0].get(about).headers["ETag"]
        sent = send((method, path, body, {"If-Match": etag}))
        if sent.status != 412:
            return sent


@pytest.fixture
def quick_folder(migrated_template: Path) -> Iterator[Path]:
    """A data folder with the schema in it, whose server does not wait for the disk and is ended afterwards."""
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        yield hurried(copy_of(migrated_template, Path(outer) / "data"))
        end_server_of(Path(outer) / "data")
