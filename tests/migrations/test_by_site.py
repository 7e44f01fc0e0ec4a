"""The schema of a ledger of many sites: what of it is plain Postgres holds on a filled ledger."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import psycopg
import pytest

from service.local import LocalServer
from service.store import tokens
from service.store.db import Connection
from tests.conftest import ROOT, client_over, new_database
from tests.transfer.test_export_and_import import differences
from tests.worker.conftest import measure_three_cars

BY_SITE = ROOT / "migrations" / "by_site.sql"
EVERYWHERE = {"slot", "platform", "part", "part_slot", "part_merge"}
OF_THE_MODEL = {"model_fit", "refit_wish"}
KEYS = """
    SELECT conrelid::regclass::text, conname, contype, pg_get_constraintdef(oid) FROM pg_constraint
    WHERE  connamespace = 'public'::regnamespace AND contype IN ('p', 'u', 'f')
"""


QUESTIONS = (
    "/v1/typical-gain?part=wide-pipe&platform=stoat",
    "/v1/platforms/stoat/stock-spread",
    "/v1/outliers",
    "/v1/bay-agreement",
    "/v1/sessions",
    "/v1/vehicles/stoat-1/states",
    "/v1/search?q=wide",
)


@dataclass(frozen=True)
class BySite:
    """A ledger brought to many sites: a connection of its owner's, and what it answered before and answers now."""

    owner: Connection
    before: dict[str, Any]
    now: dict[str, Any]


@pytest.fixture(scope="module")
def ledger(server: LocalServer) -> Iterator[BySite]:
    """One in which something was measured."""
    owner_url, url = new_database(server, "by_site")
    measure_three_cars(owner_url, url)
    with psycopg.connect(owner_url, autocommit=True) as owner:
        token = tokens.create_token(owner, scope="read", name="test")
        before = answers(url, token)
        with owner.transaction():
            owner.execute(BY_SITE.read_text())
        yield BySite(owner, before, answers(url, token))


@pytest.fixture
def by_site(ledger: BySite) -> Connection:
    """Its owner's connection."""
    return ledger.owner


def answers(url: str, token: str) -> dict[str, Any]:
    """What a new process answers."""
    with client_over(url, token) as client:
        said = {path: client.get(path) for path in QUESTIONS}
    assert {one.status_code for one in said.values()} == {200}
    return {path: one.json for path, one in said.items()}


def test_what_was_asked_before_is_answered_as_before(ledger):
    assert list(differences(ledger.before, ledger.now)) == []


def test_every_table_is_of_a_site_or_the_same_everywhere_or_of_the_one_model(by_site):
    tables = {
        name for (name,) in by_site.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
    }
    of_a_site = {name for (name,) in by_site.execute("SELECT name FROM of_a_site")}
    assert of_a_site | EVERYWHERE | OF_THE_MODEL == tables - {"site", "of_a_site", "alembic_version"}
    assert not of_a_site & (EVERYWHERE | OF_THE_MODEL)


def test_every_key_of_a_site_s_table_begins_with_the_site(by_site):
    of_a_site = {name for (name,) in by_site.execute("SELECT name FROM of_a_site")}
    keys = [row for row in by_site.execute(KEYS).fetchall() if row[0] in of_a_site]
    assert len([row for row in keys if row[2] in ("p", "u")]) > 25
    assert [row for row in keys if row[2] in ("p", "u") and "(site_id" not in row[3]] == []
    unique = by_site.execute(
        "SELECT tablename, indexdef FROM pg_indexes WHERE indexdef LIKE 'CREATE UNIQUE%'"
    )
    assert [row for row in unique if row[0] in of_a_site and "(site_id" not in row[1]] == []


def test_a_reference_inside_a_site_holds_the_site_and_none_leads_from_what_is_everywhere_into_a_site(by_site):
    of_a_site = {name for (name,) in by_site.execute("SELECT name FROM of_a_site")}
    inside = 0
    for table, name, kind, says in by_site.execute(KEYS).fetchall():
        if kind != "f":
            continue
        into = says.partition("REFERENCES ")[2].partition("(")[0]
        if into in of_a_site:
            assert table in of_a_site, (table, name)
            assert says.count("(site_id, ") == 2, says
            inside += 1
    assert inside > 20


def test_two_sites_may_have_a_car_of_one_tag_and_no_session_of_one_may_name_the_other_s(by_site):
    with by_site.transaction(force_rollback=True):
        by_site.execute("INSERT INTO site VALUES (2, 'second', 'Another')")
        (car,) = by_site.execute(
            "INSERT INTO vehicle (site_id, tag, platform_id) SELECT 2, tag, platform_id FROM vehicle LIMIT 1 RETURNING vehicle_id"
        ).fetchone()
        with pytest.raises(psycopg.errors.ForeignKeyViolation, match="session_vehicle_known"):
            by_site.execute(
                """
                INSERT INTO session (site_id, id, vehicle_id, bay_id, started_at, content_hash, posted_by)
                SELECT 1, gen_random_uuid(), %s, bay_id, now(), 'x', 'test' FROM bay LIMIT 1
                """,
                (car,),
            )
