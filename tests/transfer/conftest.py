"""A small invented shop with everything in it that a ledger can hold, and what an export of it gives in a second ledger."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from seed.post import load
from service.app import create_app
from service.local import LocalServer
from service.transfer.export import export
from service.transfer.posting import silent
from service.transfer.restore import restore
from service.worker.refit import refit_now
from tests.conftest import SETTINGS, Client, new_database, version_of
from tests.tokens import admin_token
from tests.transfer.old_files import COMMA, MAPPING, import_file, row, write_csv

CARS = 24
TWIN = "twin-of-another"
RISKY = '=HYPERLINK("http://example.org")'


@dataclass(frozen=True)
class OwnLedger:
    """A database of its own, where commits are real: its addresses and a client of an app over it."""

    owner_url: str
    service_url: str
    client: Client


def own_ledger(server: LocalServer, name: str) -> OwnLedger:
    """An empty ledger with an admin's token."""
    owner_url, url = new_database(server, name)
    token = admin_token(owner_url)
    app = create_app(replace(SETTINGS, database_url=url))
    return OwnLedger(owner_url, url, Client(app.test_client(), token))


def closed(ledger: OwnLedger) -> None:
    """Give its connections back."""
    ledger.client.client.application.extensions["bayledger"].close()


@pytest.fixture(scope="package")
def first(server: LocalServer, tmp_path_factory: pytest.TempPathFactory) -> Iterator[OwnLedger]:
    """The invented shop, fitted; and since then a batch of old records, a strike, a correction of a bay, and texts that a
    spreadsheet would run."""
    ledger = own_ledger(server, "exported")
    app = ledger.client.client.application
    transport = httpx.WSGITransport(app)
    load("http://localhost", str(ledger.client.token), cars=CARS, progress=False, transport=transport)
    connection, lock = (psycopg.connect(ledger.service_url, autocommit=True) for _ in range(2))
    with connection, lock:
        assert refit_now(connection, lock, "test") is not None
        add_old_records(ledger, connection, tmp_path_factory.mktemp("old"))
    mend(ledger.client)
    yield ledger
    closed(ledger)


def add_old_records(ledger: OwnLedger, connection: psycopg.Connection[Any], folder: Path) -> None:
    """Peaks-only records of one of its cars, imported."""
    tag = ledger.client.get("/v1/vehicles?limit=1").json["items"][0]["tag"]
    bay = ledger.client.get("/v1/bays").json["items"][0]["slug"]
    rows = [
        row(car=tag, bay=bay, fitted="", kw="101,5", nm="170,5"),
        row(car=tag, bay=bay, fitted="stock", kw="102,5"),
    ]
    done = import_file(connection, write_csv(folder / "old.csv", rows), COMMA + MAPPING)
    assert {one.fate for one in done.fates} <= {"accepted", "questioned"}


def mend(admin: Client) -> None:
    """What only a ledger in use has."""
    session = admin.get("/v1/sessions?limit=1").json["items"][0]
    whole = admin.get(f"/v1/sessions/{session['id']}")
    struck = admin.post(f"/v1/pulls/{whole.json['setups'][0]['pulls'][0]['id']}/strike", {"reason": RISKY})
    assert struck.status_code == 200, struck.json
    whole = admin.get(f"/v1/sessions/{session['id']}")
    labelled = {"label": "-5 of oil", "reason": "'quoted'"}
    done = admin.patch(f"/v1/sessions/{session['id']}/setups/1", labelled, If_Match=version_of(whole))
    assert done.status_code == 200, done.json
    part = {
        "slug": "odd-part",
        "name": "@odd",
        "slots": ["air-filter"],
        "fitting_notes": "",
        "price": 9.5,
        "currency": "GBP",
    }
    assert admin.post("/v1/parts", part).status_code == 201
    correction = {
        "units": "si",
        "from": session["started_at"],
        "to": "2026-10-31T00:00:00+00:00",
        "factor": 1.01,
        "reason": "scale",
    }
    made = admin.post(f"/v1/bays/{session['bay']}/corrections", correction)
    assert made.status_code == 201, made.json
    car = next(one for one in admin.get("/v1/vehicles").json["items"] if not one["check_car"])
    twin = {"tag": TWIN, "platform": car["platform"], "confirm": True}
    assert admin.post("/v1/vehicles", twin).status_code == 201
    merged = admin.post(f"/v1/vehicles/{TWIN}/merge", {"into": car["tag"], "reason": "one car"})
    assert merged.status_code == 200, merged.json


@pytest.fixture(scope="package")
def exported(first: OwnLedger, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The export of it."""
    path = tmp_path_factory.mktemp("export") / "ledger.zip"
    with psycopg.connect(first.service_url, autocommit=True) as connection:
        export(connection, path, hashes=False, progress=silent)
    return path


@pytest.fixture(scope="package")
def second(server: LocalServer, exported: Path) -> Iterator[OwnLedger]:
    """Another ledger, with what the export holds."""
    ledger = own_ledger(server, "restored")
    with psycopg.connect(ledger.owner_url, autocommit=True) as owner:
        restore(owner, exported, silent)
    yield ledger
    closed(ledger)


@pytest.fixture
def empty_ledger(server: LocalServer, request: pytest.FixtureRequest) -> Iterator[psycopg.Connection[Any]]:
    """A connection, as the owner, to a ledger that nobody has used; gone afterwards."""
    name = "unused"
    owner_url, _ = new_database(server, name)
    with psycopg.connect(owner_url, autocommit=True) as owner:
        yield owner
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute("DROP DATABASE unused WITH (FORCE)")
