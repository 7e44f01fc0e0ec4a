"""migrations/roles.sql prepares a shop's own server just as service/local prepares the embedded one."""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from service.local import LocalServer, start_server
from tests.conftest import migrate
from tests.setup.check import ROOT

ROLES = """
    SELECT rolname, rolsuper, rolcreatedb, rolcreaterole, rolcanlogin, rolbypassrls, rolreplication,
           (SELECT setconfig FROM pg_db_role_setting s WHERE s.setrole = r.oid AND s.setdatabase = 0)
    FROM pg_roles r WHERE rolname LIKE 'bayledger%' ORDER BY 1
"""
DATABASE = """
    SELECT pg_get_userbyid(datdba), pg_encoding_to_char(encoding),
           has_database_privilege('public', datname, 'connect'),
           has_database_privilege('bayledger_service', datname, 'connect'),
           has_database_privilege('bayledger_service', datname, 'create'),
           has_database_privilege('bayledger_service', datname, 'temporary')
    FROM pg_database WHERE datname = 'bayledger'
"""
SCHEMA = "SELECT has_schema_privilege('bayledger_service', 'public', 'create')"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalServer]:
    """A server that roles.sql may prepare anew."""
    running = start_server(tmp_path_factory.mktemp("roles"))
    yield running
    running.stop()


def prepared(server: LocalServer) -> list[object]:
    """What a role may do, as the server tells it."""
    with psycopg.connect(server.superuser_url) as connection:
        return [connection.execute(query).fetchall() for query in (ROLES, DATABASE, SCHEMA)]


def by_the_file(server: LocalServer) -> list[object]:
    """Take everything away, let psql run the file, and look again."""
    maintenance = server.superuser_url.replace("/bayledger?", "/postgres?")
    with psycopg.connect(maintenance, autocommit=True) as connection:
        connection.execute("DROP DATABASE bayledger")
        connection.execute("DROP ROLE bayledger_owner, bayledger_service")
    words = {"BAYLEDGER_OWNER_PASSWORD": "it's-owned", "BAYLEDGER_SERVICE_PASSWORD": "it's-served"}
    command = [server.program("psql"), "-X", "-q", "-d", maintenance, "-f", ROOT / "migrations" / "roles.sql"]
    subprocess.run(command, env={**os.environ, **words}, check=True, capture_output=True)
    return prepared(server)


def test_both_ways_give_the_same_roles_and_rights_and_the_migration_runs_as_owner(
    server: LocalServer,
) -> None:
    before = prepared(server)
    assert before[0], "the embedded server has no roles to compare with"
    assert by_the_file(server) == before

    with psycopg.connect(server.superuser_url) as connection:
        stored = connection.execute(
            "SELECT rolpassword FROM pg_authid WHERE rolname LIKE 'bayledger%'"
        ).fetchall()
    assert all(password.startswith("SCRAM-SHA-256$") for (password,) in stored)

    migrate(server.owner_url)
    migrate(
        server.service_url
    )  # as `serve` does at each start: with nothing to do, the service's rights suffice
    with psycopg.connect(server.service_url) as connection:
        assert connection.execute("SELECT count(*) FROM vehicle").fetchone() == (0,)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute("CREATE TABLE mine (n int)")


def test_the_file_stands_where_compose_looks_for_it() -> None:
    assert (
        "./migrations/roles.sql:/docker-entrypoint-initdb.d/" in Path(ROOT / "docker-compose.yml").read_text()
    )
