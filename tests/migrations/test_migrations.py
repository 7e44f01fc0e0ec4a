"""Migrations go up, down and up again, from any number of starting services, and leave what schema.sql says."""

import os
import subprocess
import sys
from collections.abc import Iterator
from functools import partial

import psycopg
import pytest

from service.local import LocalServer
from tests.conftest import ROOT, migrate
from tests.migrations.schema_text import SCHEMA, dumped
from tests.threads import all_at_once

SERVICES = 6


@pytest.fixture
def empty(server: LocalServer) -> Iterator[str]:
    """The owner's address of a database of the test's own, empty."""
    name = "empty_ledger"
    with psycopg.connect(server.superuser_url, autocommit=True) as superuser:
        superuser.execute(f"CREATE DATABASE {name} OWNER bayledger_owner")
        yield server.owner_url.replace("/bayledger?", f"/{name}?")
        superuser.execute(f"DROP DATABASE {name} WITH (FORCE)")


def test_the_schema_is_what_schema_sql_says(server):
    assert dumped(server) == SCHEMA.read_text(encoding="utf-8"), "run python -m tests.migrations.schema_text"


def test_up_down_and_up_again_leaves_the_same_schema(server, empty):
    migrate(empty)
    first = dumped(server, empty)
    migrate(empty, "downgrade", "base")
    assert "CREATE TABLE" not in dumped(server, empty)
    migrate(empty)
    assert dumped(server, empty) == first


def test_six_services_starting_at_once_on_an_empty_database_all_succeed(empty):
    all_at_once([partial(migrate, empty)] * SERVICES)
    with psycopg.connect(empty) as owner:
        assert owner.execute("SELECT count(*) FROM alembic_version").fetchone() == (1,)


def test_a_failing_migration_leaves_nothing_behind(empty):
    with psycopg.connect(empty, autocommit=True) as owner:
        owner.execute("CREATE TABLE setting (in_the_way integer)")
    with pytest.raises(subprocess.CalledProcessError):
        migrate(empty)
    with psycopg.connect(empty) as owner:
        tables = owner.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
    assert [name for (name,) in tables if name != "alembic_version"] == ["setting"]


def test_the_sql_can_be_printed_instead_of_run():
    environment = {**os.environ, "BAYLEDGER_OWNER_DATABASE_URL": "postgresql://nobody@/nowhere"}
    command = [sys.executable, "-m", "alembic", "upgrade", "head", "--sql"]
    printed = subprocess.run(
        command, cwd=ROOT, env=environment, check=True, capture_output=True, text=True
    ).stdout
    assert "CREATE TABLE setup_summary" in printed


@pytest.mark.parametrize("table", ["history", "setting"])
def test_who_changed_what_cannot_be_rewritten_even_by_the_owner(server, table):
    with (
        psycopg.connect(server.owner_url) as owner,
        pytest.raises(psycopg.errors.RaiseException, match="append-only"),
    ):
        owner.execute(f"DELETE FROM {table}")


@pytest.mark.parametrize("table", ["session", "setup", "pull", "pull_raw", "history", "vehicle"])
def test_the_service_may_not_delete_what_was_measured(connection, table):
    with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
        connection.execute(f"DELETE FROM {table}")


def test_the_service_may_not_change_raw_samples_or_tables(connection):
    for words in (
        "UPDATE pull_raw SET raw = ''",
        "ALTER TABLE pull ADD COLUMN extra text",
        "CREATE TABLE other ()",
    ):
        with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
            connection.execute(words)


def test_an_unsorted_part_set_is_refused_by_the_table_itself(server):
    with psycopg.connect(server.superuser_url) as owner:
        owner.execute("SET session_replication_role = replica")
        with pytest.raises(psycopg.errors.CheckViolation, match="setup_parts_sorted"):
            owner.execute(
                "INSERT INTO setup (session_id, n, part_ids, parts_known, stock_checked) "
                "VALUES (1, 1, '{2,1}', 'complete', 'unknown')"
            )
