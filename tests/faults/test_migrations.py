"""Migrations under faults: killed in their midst while another one waits, and run against posts under way.

That six at once on an empty database all succeed, and that a failing one leaves nothing behind: tests/migrations.
"""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
import pytest

from service.local import LocalServer
from service.store.readiness import REVISION
from tests.conftest import ROOT, migrate, new_database
from tests.faults.bays import Bays, figures, kept_of, straight_into
from tests.faults.conftest import CARS, client_of, poster
from tests.faults.sessions import a_small_shop, random_sessions
from tests.local.conftest import wait_until
from tests.migrations.schema_text import SCHEMA, dumped
from tests.tokens import admin_token

NAME = "interrupted"
HALF_WAY = "model_fit"
"""A table that is made after some others, and before some."""
HELD_UP = """
    CREATE FUNCTION hold_up() RETURNS event_trigger LANGUAGE plpgsql AS
    $$BEGIN
        IF EXISTS (SELECT FROM pg_event_trigger_ddl_commands() WHERE object_identity = 'public.{table}') THEN
            PERFORM pg_advisory_xact_lock_shared(1);
        END IF;
    END$$;
    CREATE EVENT TRIGGER hold_up ON ddl_command_end WHEN TAG IN ('CREATE TABLE') EXECUTE FUNCTION hold_up();
"""
WAITING = """
    SELECT pid FROM pg_stat_activity
    WHERE  datname = %s AND wait_event_type = 'Lock' AND wait_event = 'advisory' AND state = 'active'
"""
PATIENCE_S = 60.0


class Empty:
    """A database without a schema, in which a migration can be held up half way."""

    def __init__(self, server: LocalServer) -> None:
        with psycopg.connect(server.superuser_url, autocommit=True) as above:
            above.execute(f"CREATE DATABASE {NAME} OWNER bayledger_owner")
        self.owner_url = server.owner_url.replace("/bayledger?", f"/{NAME}?")
        self.superuser_url = server.superuser_url.replace("/bayledger?", f"/{NAME}?")

    @contextmanager
    def held_up(self) -> Iterator[psycopg.Connection]:
        """Migrations stop half way while the block runs, and go on after it."""
        with psycopg.connect(self.superuser_url, autocommit=True) as above:
            above.execute(HELD_UP.format(table=HALF_WAY))
            with above.transaction():
                above.execute("SELECT pg_advisory_xact_lock(1)")
                yield above
        with psycopg.connect(self.superuser_url, autocommit=True) as above:
            wait_until(lambda: self.revision() is not None, PATIENCE_S)
            above.execute("DROP EVENT TRIGGER hold_up")
            above.execute("DROP FUNCTION hold_up")

    def waiting(self) -> int:
        """How many migrations wait for something."""
        with psycopg.connect(self.superuser_url, autocommit=True) as above:
            return len(above.execute(WAITING, (NAME,)).fetchall())

    def tables(self) -> list[str]:
        """The tables that others see."""
        with psycopg.connect(self.owner_url) as owner:
            found = owner.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
        return [name for (name,) in found]

    def revision(self) -> str | None:
        """How far the schema is; None where there is none."""
        if "alembic_version" not in self.tables():
            return None
        with psycopg.connect(self.owner_url) as owner:
            return str(owner.execute("SELECT version_num FROM alembic_version").fetchone()[0])


@pytest.fixture
def empty(server: LocalServer) -> Iterator[Empty]:
    """Dropped afterwards."""
    yield Empty(server)
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute(f"DROP DATABASE {NAME} WITH (FORCE)")


def started(owner_url: str) -> subprocess.Popen[bytes]:
    """A migration in a process of its own."""
    environment = {**os.environ, "BAYLEDGER_OWNER_DATABASE_URL": owner_url}
    command = [sys.executable, "-m", "alembic", "upgrade", "head"]
    return subprocess.Popen(command, cwd=ROOT, env=environment, stderr=subprocess.PIPE)


def test_a_migration_killed_half_way_leaves_nothing_and_the_one_that_waited_does_it_whole(
    server, empty, tell
):
    with empty.held_up():
        first = started(empty.owner_url)
        wait_until(lambda: empty.waiting() == 1, PATIENCE_S)
        second = started(empty.owner_url)
        wait_until(lambda: empty.waiting() == 2, PATIENCE_S)
        first.kill()
        first.communicate(timeout=PATIENCE_S)
        assert empty.tables() == []
    said = second.communicate(timeout=PATIENCE_S)[1]
    assert second.returncode == 0, said
    assert empty.revision() == REVISION
    assert dumped(server, empty.owner_url) == SCHEMA.read_text(encoding="utf-8")
    tell("migration killed half way while another waited: 1 fault injected, 0 tables half made")


@pytest.fixture
def migrated(server: LocalServer) -> Iterator[tuple[str, str]]:
    """A database of the test's own with the schema in it."""
    name = "migrated_under_posts"
    yield new_database(server, name)
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute(f"DROP DATABASE {name} WITH (FORCE)")


TRIES = 5
"""A migration may be what gives way where it and a post wait for each other; it is run again then."""


def moved(owner_url: str, *words: str) -> int:
    """Migrate under load; answers how often it had to be begun."""
    for tried in range(1, TRIES + 1):
        try:
            migrate(owner_url, *words)
        except subprocess.CalledProcessError as failed:
            if b"DeadlockDetected" not in failed.stderr and b"LockNotAvailable" not in failed.stderr:
                raise
        else:
            return tried
    raise AssertionError(f"not migrated in {TRIES} tries")


@pytest.mark.machine
@pytest.mark.parametrize("older", ["0004", "0003", "0002"])
def test_migrations_there_and_back_under_posts_keep_every_acknowledged_one_once(migrated, tell, older):
    owner_url, url = migrated
    token = admin_token(owner_url, "migrated")
    client = client_of(url, token)
    a_small_shop(poster(client), CARS)
    bays = Bays.of(random_sessions(81, 160, CARS))
    with bays.at_work(straight_into(client)):
        bays.wait_for(30)
        tries = moved(owner_url, "downgrade", older)
        tries += moved(owner_url)
    asked = client.get("/v1/sessions?limit=500")
    client.client.application.extensions["bayledger"].close()
    kept = kept_of(bays, owner_url)
    tell(figures(f"migrated to {older} and back in {tries} goes", 2, bays, kept))
    assert kept.lost == kept.doubled == 0
    assert kept.sessions == len(bays.answered) == 160
    assert bays.unclear == []
    assert asked.status_code == 200
    assert len(asked.json["items"]) == 160
    if older == "0004":
        assert kept.damage == []
