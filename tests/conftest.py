"""One real Postgres for the whole run; each test inside a transaction that is rolled back."""

import contextlib
import gc
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from flask import Flask
from flask.testing import FlaskClient
from psycopg import sql
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

from service.api.context import Ledger
from service.app import create_app
from service.local import LocalServer, start_server
from service.settings import Settings, kept_secret
from service.store.db import Connection
from tests.browsing import browser as browser
from tests.factories import a_shop
from tests.live import Live, running_demo
from tests.tokens import admin_token, as_the_service, new_token

ROOT = Path(__file__).resolve().parent.parent
ONE_PROCESS = {"dashboard": "demo", "docs": "demo", "faults": "faults", "fuzz": "fuzz", "seed": "seed"}
"""Folders whose tests share what is dear to make; the others are handed out file by file."""

# A run starts the service's programs hundreds of times: what python compiled of them is kept for the next, whatever
# the shell says.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


class ByFile(LoadScopeScheduling):
    """Hands tests out to processes file by file, and what shares something dear to make together."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.partition("::")[0]
        if file.endswith("_machine.py"):
            return str(Path(file).parent)
        return ONE_PROCESS.get(Path(file).parent.name, file)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> ByFile:
    """How `test` spreads over several processes."""
    return ByFile(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes longest comes first, so that no process is left waiting for it at the end."""
    items.sort(key=lambda item: item.path.parent.name not in ONE_PROCESS)


def pytest_collection_finish(session: pytest.Session) -> None:
    """What was collected stays until the end: the collector of garbage need not look through it again and again."""
    gc.collect()
    gc.freeze()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """What tests counted (faults injected, posts, lost, doubled) is shown also where they pass, whichever process ran them."""
    for report in (*terminalreporter.getreports("passed"), *terminalreporter.getreports("failed")):
        for name, value in report.user_properties:
            if name == "figures" and report.when == "call":
                terminalreporter.write_line(str(value))


@pytest.fixture
def tell(record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Keeps a line of figures for the end of the run."""
    return lambda line: record_property("figures", line)


def migrate(owner_url: str, *words: str) -> None:
    """Run alembic as the owner of the database."""
    environment = {**os.environ, "BAYLEDGER_OWNER_DATABASE_URL": owner_url}
    command = [sys.executable, "-m", "alembic", *(words or ("upgrade", "head"))]
    subprocess.run(command, cwd=ROOT, env=environment, check=True, capture_output=True)


def copy_of(template: Path, folder: Path) -> Path:
    """A copy of a data folder whose server does not run; `cp` takes a third of what `shutil.copytree` does."""
    subprocess.run(["cp", "-Rp", template, folder], check=True)
    return folder


def hurried(folder: Path) -> Path:
    """A data folder whose server does not wait for the disk: for tests whose data need not outlast the machine."""
    with (folder / "postgres" / "postgresql.conf").open("a") as settings:
        settings.write("fsync = off\n")
    return folder


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder made once, its server stopped."""
    made = tmp_path_factory.mktemp("template") / "data"
    start_server(made).stop()
    return made


@pytest.fixture(scope="session")
def migrated_template(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the schema in it, its server stopped."""
    made = copy_of(template, tmp_path_factory.mktemp("migrated") / "data")
    with start_server(made) as running:
        migrate(running.owner_url)
    return made


@pytest.fixture(scope="session")
def server(migrated_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalServer]:
    """An embedded Postgres of this run's own, migrated."""
    running = start_server(hurried(copy_of(migrated_template, tmp_path_factory.mktemp("ledger") / "data")))
    with psycopg.connect(running.superuser_url, autocommit=True) as above:
        above.execute("CREATE DATABASE empty TEMPLATE bayledger OWNER bayledger_owner")
    yield running
    running.stop()


def new_database(server: LocalServer, name: str, template: str = "empty") -> tuple[str, str]:
    """A further database with the schema in it: its owner's address and the service's. A copy: migrating takes seconds."""
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE {} OWNER bayledger_owner").format(
                sql.Identifier(name), sql.Identifier(template)
            )
        )
    owner, service = (
        url.replace("/bayledger?", f"/{name}?") for url in (server.owner_url, server.service_url)
    )
    return owner, service


@pytest.fixture(scope="session")
def stoats_template(server: LocalServer) -> str:
    """The name of a database with the shop of `a_shop`, made once, to copy: nobody may be connected to it."""
    owner_url, url = new_database(server, "stoats")
    with client_over(url, admin_token(owner_url)) as client:
        a_shop(client)
    return "stoats"


@pytest.fixture(scope="session")
def stoats_url(server: LocalServer, stoats_template: str) -> str:
    """A copy for the tests to hold open: a test over it costs nothing but itself."""
    return new_database(server, "stoats_lent", stoats_template)[1]


@pytest.fixture(scope="session")
def held_open() -> Iterator[dict[str, Connection]]:
    """The one connection to each database that all tests share: a new one would read the catalogue anew."""
    lines: dict[str, Connection] = {}
    yield lines
    for line in lines.values():
        line.close()


@pytest.fixture
def connection(
    request: pytest.FixtureRequest, server: LocalServer, held_open: dict[str, Connection]
) -> Iterator[Connection]:
    """A connection with the rights of the service's role, to the shop of `shop` or `stoats` where a test asks for it;
    nothing of the test stays. Tokens are made over it by `tests.tokens`."""
    asked = next((name for name in ("stoats", "shop") if name in request.fixturenames), None)
    url: str = request.getfixturevalue(f"{asked}_url") if asked else server.service_url
    lent = held_open.get(url)
    if lent is None or lent.closed:
        lent = held_open[url] = as_the_service(url)
    with lent.transaction(force_rollback=True):
        yield lent


class Lent:
    """The connection that the app is lent at the moment."""

    connection: Connection

    def __call__(self) -> contextlib.nullcontext[Connection]:
        return contextlib.nullcontext(self.connection)


LENT = Lent()
SETTINGS = Settings(database_url="", secret="test")


@pytest.fixture(scope="session")
def built_app() -> Flask:
    """The app, built once: its address map and API document take longer than most tests."""
    return create_app(SETTINGS, connect=LENT)


@pytest.fixture
def app(built_app: Flask, connection: Connection) -> Flask:
    """The app over the test's one connection: a refused write rolls back to its own savepoint.

    What it held of the test before goes: versions were rolled back with that test, and would be used again.
    """
    LENT.connection = connection
    built_app.extensions["bayledger"] = Ledger(connect=LENT, vin_key=kept_secret(SETTINGS).encode())
    return built_app


class Client:
    """A test client that carries a token and answers with parsed JSON."""

    def __init__(self, client: FlaskClient, token: str | None) -> None:
        self.client = client
        self.token = token

    def _headers(self, headers: dict[str, str] | None) -> dict[str, str]:
        auth = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        return {**auth, **(headers or {})}

    def get(self, path: str, **headers: str):
        """GET; keyword names become headers (If_None_Match=...)."""
        return self.client.get(path, headers=self._headers(dashed(headers)))

    def post(self, path: str, body: object, **headers: str):
        """POST a JSON body."""
        return self.client.post(path, json=body, headers=self._headers(dashed(headers)))

    def patch(self, path: str, body: object, **headers: str):
        """PATCH with a JSON body."""
        return self.client.patch(path, json=body, headers=self._headers(dashed(headers)))

    def raw(self, method: str, path: str, **kwargs):
        """Anything else, as Flask's client takes it."""
        kwargs["headers"] = self._headers(kwargs.get("headers"))
        return self.client.open(path, method=method, **kwargs)


@contextlib.contextmanager
def client_over(url: str, token: str | None) -> Iterator[Client]:
    """A client of an app of its own over a database, as the service's role; what it writes is committed."""
    app = create_app(replace(SETTINGS, database_url=url))
    try:
        yield Client(app.test_client(), token)
    finally:
        app.extensions["bayledger"].close()


def version_of(response) -> str:
    """The part of an answer's ETag that a change is held against, as a header value; the rest moves with what is shown."""
    return response.headers["ETag"].partition(".")[0] + '"'


def dashed(headers: dict[str, str]) -> dict[str, str]:
    """If_Match to If-Match."""
    return {name.replace("_", "-"): value for name, value in headers.items()}


@pytest.fixture
def admin(app: Flask, connection: Connection) -> Client:
    """A client with an admin's token."""
    return Client(app.test_client(), new_token(connection, scope="admin", name="admin"))


@pytest.fixture
def reader(app: Flask, connection: Connection) -> Client:
    """A client with the counter's token."""
    return Client(app.test_client(), new_token(connection, scope="read", name="counter"))


@pytest.fixture
def nobody(app: Flask) -> Client:
    """A client without a token."""
    return Client(app.test_client(), None)


@pytest.fixture(scope="session")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    """The invented shop on a real server, filled once for the whole run."""
    with running_demo(tmp_path_factory.mktemp("live")) as service:
        yield service


@pytest.fixture(scope="session")
def live_demo(live: Live) -> str:
    """The address of the running demo."""
    return live.url
