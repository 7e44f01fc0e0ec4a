"""migrations/roles.sql prepares a shop's own server just as service/local prepares the embedded one."""

import contextlib
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
FILE = ROOT / "migrations" / "roles.sql"
WORDS = {"BAYLEDGER_OWNER_PASSWORD": "it's-owned", "BAYLEDGER_SERVICE_PASSWORD": "it's-served"}


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


def maintenance_of(server: LocalServer) -> str:
    """The superuser in the database that every server has."""
    return server.superuser_url.replace("/bayledger?", "/postgres?")


def take_everything_away(server: LocalServer) -> None:
    with psycopg.connect(maintenance_of(server), autocommit=True) as connection:
        connection.execute("DROP DATABASE IF EXISTS bayledger")
        connection.execute("DROP ROLE IF EXISTS bayledger_owner, bayledger_service")


def fed(server: LocalServer, text: str, passwords: dict[str, str]) -> None:
    """Let psql run it."""
    command = [server.program("psql"), "-X", "-q", "-d", maintenance_of(server), "-f", "-"]
    ran = subprocess.run(
        command, input=text, env={**os.environ, **passwords}, check=False, capture_output=True, text=True
    )
    if ran.returncode:
        raise RuntimeError(ran.stderr)


def by_the_file(server: LocalServer, passwords: dict[str, str]) -> list[object]:
    """Take everything away, let psql run the file, and look again."""
    take_everything_away(server)
    fed(server, FILE.read_text(), passwords)
    return prepared(server)


def cut_off_after_each_statement() -> list[str]:
    """The file as far as it came, for each of its statements that changes the server."""
    lines = FILE.read_text().splitlines(keepends=True)
    changes = ("CREATE", "ALTER", "REVOKE", "GRANT")
    return ["".join(lines[: n + 1]) for n, line in enumerate(lines) if line.lstrip().startswith(changes)]


def test_both_ways_give_the_same_roles_and_rights_and_the_migration_runs_as_owner(
    server: LocalServer,
) -> None:
    before = prepared(server)
    assert before[0], "the embedded server has no roles to compare with"
    assert by_the_file(server, WORDS) == before

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


def test_passwords_may_lie_in_files_and_an_empty_or_missing_one_makes_no_role(
    server: LocalServer, tmp_path: Path
) -> None:
    kept = {name: tmp_path / name for name in WORDS}
    for name, file in kept.items():
        file.write_text(WORDS[name] + "\n")
    in_files = {f"{name}_FILE": str(file) for name, file in kept.items()}
    before = by_the_file(server, WORDS)
    assert by_the_file(server, in_files) == before

    kept["BAYLEDGER_SERVICE_PASSWORD"].write_text("")
    for passwords in (in_files, {}):
        with pytest.raises(RuntimeError, match="a password is empty"):
            by_the_file(server, passwords)
    by_the_file(server, WORDS)


def test_cut_off_after_any_statement_a_second_run_finishes_it(server: LocalServer) -> None:
    whole = by_the_file(server, WORDS)
    cuts = cut_off_after_each_statement()
    assert [cut for cut in cuts if "CREATE DATABASE" in cut.splitlines()[-1]]
    for cut in cuts:
        take_everything_away(server)
        with contextlib.suppress(RuntimeError):  # psql says so where it ends inside an \if
            fed(server, cut, WORDS)
        fed(server, FILE.read_text(), WORDS)
        assert prepared(server) == whole, cut.splitlines()[-1]


def test_a_second_run_takes_up_other_passwords_and_what_a_person_has_loosened(server: LocalServer) -> None:
    whole = by_the_file(server, WORDS)
    with psycopg.connect(maintenance_of(server), autocommit=True) as connection:
        connection.execute("ALTER ROLE bayledger_service SET statement_timeout = 0")
        connection.execute("GRANT CONNECT ON DATABASE bayledger TO public")
        connection.execute("ALTER ROLE bayledger_owner PASSWORD NULL")
    fed(server, FILE.read_text(), WORDS)
    assert prepared(server) == whole
    with psycopg.connect(maintenance_of(server)) as connection:
        kept = connection.execute("SELECT count(rolpassword) FROM pg_authid WHERE rolname LIKE 'bayledger%'")
        assert kept.fetchone() == (2,)
