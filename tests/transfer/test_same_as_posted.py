"""An import leaves in the ledger what posting the same sessions one after the other over HTTP would have left."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.ledger.companies import Companies
from service.store.many_posts import NamedBay
from service.store.sessions import RECENT_SETUPS
from service.transfer import posting
from service.transfer.history_mapping import read_mapping
from service.transfer.posting import Task, assembled, shelve
from service.transfer.shelf import shelf
from service.transfer.strap_downs import Assembler, curve_files
from tests.factories import a_shop, session, setup
from tests.old_columns import headings, mapped
from tests.transfer.conftest import OwnLedger, closed, own_ledger
from tests.transfer.old_files import COMMA, MAPPING, NAMES, import_file, row, write_csv

CARS, ROWS, CURVE_AT, SESSIONS_A_CHUNK = 14, 200, 100, 70
FITTED = ("stock", "stock", "stock", "wide one", "wide one+road map", "wide-one", "", "mesh-pipe")
MORE_COLUMNS = ("temperature", "pressure", "humidity", "coolant", "inlet", "standard", "curve")
MORE_NAMES = (*NAMES, *headings(*MORE_COLUMNS))
MORE = (
    COMMA
    + MAPPING.replace("[every]", '[every]\nstock_checked = "declared"')
    + mapped(*MORE_COLUMNS)
    + """
[standards]
"as measured" = "observed"
[curves]
folder = "."
mapping = "bay.toml"
"""
)
BAY_MAPPING = (
    '[file]\nencoding = "utf-8"\nseparator = ","\ndecimal = "."\nnames_line = 1\nfirst_row = 2\nrows = "rpm"\n'
    '[columns.rpm]\nname = "rpm"\nunit = "rpm"\n[columns.torque]\nname = "Nm"\nunit = "Nm"\n'
)
TABLES = {
    "session": "to_jsonb(session) - 'received_at' - 'posted_by'",
    "setup": "to_jsonb(setup)",
    "setup_part": "to_jsonb(setup_part)",
    "setup_summary": "to_jsonb(setup_summary)",
    "setup_curve": "to_jsonb(setup_curve)",
    "pull": "to_jsonb(pull)",
    "pull_raw": "to_jsonb(pull_raw)",
    "pair": "to_jsonb(pair)",
    "finding": "to_jsonb(finding) - 'finding_id'",
    "evidence_version": "to_jsonb(evidence_version) - 'version'",
}
"""What of each table must be the same, the ledger's own numbers with it."""


@pytest.fixture(scope="module")
def ledgers(server) -> Iterator[tuple[OwnLedger, OwnLedger]]:
    """Two ledgers of one shop in use: two bays in one building, one of them corrected; stock cars with curves; a car and a
    part with second names; an invoice."""
    both = own_ledger(server, "imported"), own_ledger(server, "posted")
    stock_cars = sessions_with_curves()
    for one in both:
        in_use(one.client, stock_cars)
    yield both
    for one in both:
        closed(one)


def sessions_with_curves() -> list[dict[str, Any]]:
    """Stock cars in both bays, some of them with a part too."""
    chance = random.Random(5)
    made = []
    for car in range(1, 13):
        states = [setup(scale=chance.gauss(1.0, 0.01), pulls=2)]
        states += [setup(["wide-pipe"], chance.gauss(1.05, 0.01), 2)] if car % 3 == 0 else []
        body = session(*states, vehicle=f"stoat-{car}", bay=("north", "hub")[car % 2], gear=4)
        made.append(body | {"started_at": f"2019-05-{car:02d}T10:00:00+00:00"})
    return made


def in_use(admin: Any, sessions: list[dict[str, Any]]) -> None:
    """The shop, with something in it already."""
    a_shop(admin, CARS)
    for bay in ("north", "hub"):
        etag = admin.get(f"/v1/bays/{bay}").headers["ETag"].split('"')[1].split(".")[0]
        done(admin.patch(f"/v1/bays/{bay}", {"site": "yard"}, If_Match=f'"{etag}"'))
    for body in sessions:
        done(admin.post("/v1/sessions", body))
    correction = {"units": "si", "from": "2019-05-05T00:00:00+00:00", "to": "2019-05-09T00:00:00+00:00"}
    correction |= {"factor": 1.02, "temperature": 1.5, "reason": "scale"}
    done(admin.post("/v1/bays/north/corrections", correction))
    done(admin.post("/v1/vehicles", {"tag": "second", "platform": "stoat", "confirm": True}))
    done(admin.post("/v1/vehicles/second/merge", {"into": "stoat-3", "reason": "one car"}))
    done(admin.post("/v1/parts", {"slug": "wide-one", "name": "Wide", "slots": ["down-pipe"]}))
    done(admin.post("/v1/parts/wide-one/merge", {"into": "wide-pipe", "reason": "one part"}))
    fitted = {"part": "road-map", "fitted_on": "2019-05-02"}
    done(admin.post("/v1/vehicles/stoat-4/modifications", fitted))


def done(answer: Any) -> None:
    """A change that must have been taken."""
    assert answer.status_code < 300, answer.json


def old_rows() -> list[tuple[Any, ...]]:
    """Records of a month, so near each other that each stands in the company of those before it."""
    chance = random.Random(17)
    return [(*old_row(chance, n), *conditions(chance, n)) for n in range(ROWS)]


def old_row(chance: random.Random, n: int) -> tuple[Any, ...]:
    """A car in one of its states; some read a quarter too high, and some cannot be true."""
    car, fitted = chance.randrange(1, CARS + 2), chance.choice(FITTED)
    level = (1.0 + 0.05 * ("wide" in fitted)) * chance.gauss(1.0, 0.01) * (1.25 if n % 9 == 0 else 1.0)
    return row(
        date=f"{chance.randrange(3, 20):02d}.05.2019",
        car="second" if car > CARS else f"stoat-{car}",
        bay=chance.choice(["north", "hub"]),
        fitted=fitted,
        kw="9999" if n % 61 == 7 else comma(125.0 * level),
        nm=comma(255.0 * level) if n % 5 else "",
        best_of=chance.choice(["", "1", "3"]),
    )


def conditions(chance: random.Random, n: int) -> tuple[str, ...]:
    """Air, temperatures and basis where they were written down; one row names the file of a curve."""
    off = 8.0 if n % 11 == 0 else 0.0
    air = (comma(chance.gauss(21 + off, 0.3)), comma(chance.gauss(1005, 1)), "40") if n % 4 else ("", "", "")
    warm = (comma(chance.gauss(89, 2)), comma(chance.gauss(26, 2))) if n % 3 else ("", "")
    return (*air, *warm, "as measured" if n % 4 else "", "one.csv" if n == CURVE_AT else "")


def comma(value: float) -> str:
    """A figure as the shop wrote it."""
    return f"{value:.1f}".replace(".", ",")


def write_file(folder: Path) -> Path:
    """The records, and one curve beside them."""
    lines = "\n".join(f"{n},{258 - 11 * ((n - 4250) / 1000) ** 2:.3f}" for n in range(2000, 6501, 25))
    (folder / "one.csv").write_text(f"rpm,Nm\n{lines}\n")
    (folder / "bay.toml").write_text(BAY_MAPPING)
    return write_csv(folder / "old.csv", old_rows(), MORE_NAMES)


def post_each(ledger: OwnLedger, file: Path) -> list[int]:
    """Post what an import of a file would, over HTTP; answers the statuses."""
    task = Task(file, read_mapping(MORE), file.parent, "old")
    assembler = Assembler(task.mapping.file.rows, curve_files(task.mapping.curves, file.parent))
    with psycopg.connect(ledger.service_url, autocommit=True) as connection, shelf() as rows:
        shelve(connection, task, rows)
        bodies = [one.body for found in rows.strap_downs() for one in assembled(assembler, found, rows)]
    return [ledger.client.post("/v1/sessions", body).status_code for body in bodies]


def kept_in(ledger: OwnLedger) -> dict[str, list[Any]]:
    """Every row of the tables that a session is kept in."""
    with psycopg.connect(ledger.owner_url) as connection:
        kept = {
            table: [
                row[0] for row in connection.execute(f"SELECT {columns} FROM {table} ORDER BY {table}::text")
            ]
            for table, columns in TABLES.items()
        }
        kept["said"] = connection.execute(
            "SELECT about, action FROM history WHERE action = 'posted' ORDER BY history_id"
        ).fetchall()
        kept["told"] = connection.execute("SELECT DISTINCT vehicle_id FROM car_change ORDER BY 1").fetchall()
        return kept


def test_an_import_and_posting_the_same_over_http_end_in_the_same_rows(ledgers, tmp_path, monkeypatch):
    imported, posted = ledgers
    monkeypatch.setattr(posting, "CHUNK", SESSIONS_A_CHUNK)
    file = write_file(tmp_path)
    statuses = post_each(posted, file)
    with psycopg.connect(imported.service_url, autocommit=True) as connection:
        fates = import_file(connection, file, MORE).fates
    assert {one.fate for one in fates} == {"accepted", "questioned", "refused"}
    assert statuses.count(422) > 0
    left, right = kept_in(imported), kept_in(posted)
    codes = {one["code"] for one in right["finding"]}
    assert {"starts-together", "car-in-two-bays", "vehicle-merged", "part-merged"} <= codes
    assert len(right["pair"]) > 50
    for table, rows in right.items():
        assert left[table] == rows, table


def test_a_bays_spread_is_that_of_as_many_of_its_newest_setups_as_a_post_reads():
    newest, older = [1e-4] * RECENT_SETUPS, [9.0] * 5
    found = Companies(
        zone=UTC, stock={}, bay_stock={}, powers={}, squares={1: newest + older},
        freedom={1: [2] * len(newest + older)}, earlier={}, bay_pulls={}, site_air={}, visits={},
    ).posting_bay(NamedBay(1, None, "hub", None, ()))  # fmt: skip
    assert found.spread_df == 2 * RECENT_SETUPS
    assert found.spread_ss == pytest.approx(1e-4 * RECENT_SETUPS)
