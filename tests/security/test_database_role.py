"""What the service's own role can do to the database, were somebody to speak through it: add and mark, no more.

Each attempt is made for each table that there is, so that a new table is tried too.
"""

from collections.abc import Iterator

import psycopg
import pytest
from psycopg import sql

from service.local import LocalServer
from service.store.db import Connection

MAY_CHANGE = {
    "bay", "bay_correction", "bay_event", "evidence_version", "finding", "kept_answer", "modification", "part",
    "part_merge", "platform", "pull", "session", "setup", "setup_curve", "setup_summary", "vehicle",
    "vehicle_merge",
}  # fmt: skip
"""Records with a version, what is derived from them, and answers kept for repeated posts."""
MAY_EMPTY = {
    "car_change", "kept_answer", "model_fit", "pair", "part_slot", "refit_wish", "setup_curve", "setup_part",
}  # fmt: skip
"""Derived rows and look-up rows, which are made anew."""
MEASURED = {"pull_raw", "history", "setting", "slot"}
"""What was measured, who changed what, which settings held: not a row changes, ever."""
DENIED = psycopg.errors.InsufficientPrivilege


@pytest.fixture(scope="module")
def tables(server: LocalServer) -> list[str]:
    """Every table of the ledger."""
    query = "SELECT tablename FROM pg_tables WHERE schemaname = 'public' ORDER BY 1"
    with psycopg.connect(server.owner_url) as owner:
        return [name for (name,) in owner.execute(query).fetchall()]


@pytest.fixture(scope="module")
def line(server: LocalServer) -> Iterator[Connection]:
    """A connection by the service's own login."""
    with psycopg.connect(server.service_url, autocommit=True) as opened:
        yield opened


@pytest.fixture
def service(line: Connection) -> Iterator[Connection]:
    """The same; what a test did is taken back, and each attempt has a savepoint of its own."""
    assert line.execute("SELECT session_user, current_user").fetchone() == ("bayledger_service",) * 2
    with line.transaction(force_rollback=True):
        yield line


def is_denied(service: Connection, text: str, *names: str) -> bool:
    """Whether a statement is refused for want of rights; what it did otherwise is taken back."""
    statement = sql.SQL(text).format(*map(sql.Identifier, names))
    try:
        with service.transaction(force_rollback=True):
            service.execute(statement)
    except DENIED:
        return True
    return False


@pytest.mark.parametrize(
    "attempt",
    [
        "ALTER TABLE {} ADD COLUMN mine int",
        "ALTER TABLE {} RENAME TO mine",
        "ALTER TABLE {} OWNER TO bayledger_service",
        "ALTER TABLE {} DISABLE TRIGGER ALL",
        "DROP TABLE {} CASCADE",
        "TRUNCATE {} CASCADE",
        "CREATE INDEX mine ON {} ((1))",
        "CREATE TRIGGER mine BEFORE INSERT ON {} EXECUTE FUNCTION pg_catalog.suppress_redundant_updates_trigger()",
        "GRANT ALL ON {} TO PUBLIC",
        "LOCK TABLE {} IN ACCESS EXCLUSIVE MODE",
    ],
)
def test_it_changes_the_shape_of_no_table(service, tables, attempt):
    may = MAY_CHANGE | MAY_EMPTY if attempt.startswith("LOCK") else set()
    allowed = [table for table in tables if table not in may and not is_denied(service, attempt, table)]
    if attempt.startswith("GRANT"):
        # Granting what one does not have is no error but a warning: nobody has got anything by it.
        query = "SELECT count(*) FROM information_schema.table_privileges WHERE grantee = 'PUBLIC' AND table_schema = 'public'"
        assert service.execute(query).fetchone() == (0,)
    else:
        assert allowed == []
    assert len(tables) > 25


def test_it_changes_rows_only_where_records_have_versions_or_are_derived(service, tables):
    first = {
        table: service.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s AND is_identity = 'NO' "
            "ORDER BY ordinal_position LIMIT 1",
            (table,),
        ).fetchone()[0]
        for table in tables
    }
    may = {t for t in tables if not is_denied(service, "UPDATE {0} SET {1} = {1}", t, first[t])}
    assert may == MAY_CHANGE


def test_it_deletes_rows_only_where_they_are_derived(service, tables):
    assert {table for table in tables if not is_denied(service, "DELETE FROM {}", table)} == MAY_EMPTY


def test_neither_what_was_measured_nor_history_nor_settings_can_be_changed_or_deleted(service, tables):
    assert set(tables) >= MEASURED
    assert set() == MEASURED & (MAY_CHANGE | MAY_EMPTY)
    for table in MEASURED:
        assert is_denied(service, "DELETE FROM {}", table)
        assert is_denied(service, "TRUNCATE {}", table)


def test_history_cannot_be_written_anew_by_an_upsert_nor_a_merge(service):
    upsert = "INSERT INTO history (who, about, action) VALUES ('a', 'b', 'c') ON CONFLICT (history_id) DO UPDATE SET who = 'nobody'"
    merge = "MERGE INTO history USING history AS h ON false WHEN NOT MATCHED BY SOURCE THEN DELETE"
    assert is_denied(service, upsert)
    assert is_denied(service, merge)


def test_even_the_owner_changes_no_history_by_a_plain_statement(server: LocalServer):
    with psycopg.connect(server.owner_url) as owner:
        for statement in ("UPDATE history SET who = 'nobody'", "DELETE FROM history", "TRUNCATE history"):
            with pytest.raises(psycopg.Error), owner.transaction():
                owner.execute(statement)


@pytest.mark.parametrize(
    "attempt",
    [
        "CREATE TABLE mine (n int)",
        "CREATE SCHEMA mine",
        "CREATE FUNCTION public.mine() RETURNS int LANGUAGE sql AS 'SELECT 1'",
        "CREATE EXTENSION dblink",
        "CREATE ROLE mine",
        "CREATE DATABASE mine",
        "ALTER ROLE bayledger_service SUPERUSER",
        "ALTER ROLE bayledger_owner PASSWORD 'x'",
        "SET ROLE bayledger_owner",
        "SET SESSION AUTHORIZATION bayledger_owner",
        "SET session_replication_role = replica",
        "ALTER SYSTEM SET archive_command = 'true'",
        "COPY vehicle TO PROGRAM 'true'",
        "COPY vehicle TO '/tmp/vehicle'",
        "COPY vehicle FROM '/etc/passwd'",
        "SELECT pg_read_file('/etc/passwd')",
        "SELECT pg_ls_dir('/')",
        "SELECT lo_import('/etc/passwd')",
        "SELECT rolpassword FROM pg_authid",
        "SELECT pg_reload_conf()",
        "SELECT pg_promote()",
        "SELECT pg_create_physical_replication_slot('mine')",
    ],
)
def test_it_reaches_nothing_beside_the_ledger(service, attempt):
    with pytest.raises((DENIED, psycopg.errors.ActiveSqlTransaction)) as refused, service.transaction():
        service.execute(attempt)
    if not isinstance(refused.value, DENIED):
        assert attempt in ("CREATE DATABASE mine", "ALTER SYSTEM SET archive_command = 'true'")
        query = "SELECT rolcreatedb, rolsuper FROM pg_roles WHERE rolname = current_user"
        assert service.execute(query).fetchone() == (False, False)


def test_beyond_its_rights_it_may_run_one_function_which_erases_a_person(service):
    query = """
        SELECT proname FROM pg_proc
        WHERE  prosecdef AND pronamespace = 'public'::regnamespace
               AND has_function_privilege(current_user, oid, 'execute')
    """
    assert service.execute(query).fetchall() == [("erase_vehicle",)]


def test_no_function_that_runs_as_its_owner_can_be_led_to_other_tables(service):
    """A SECURITY DEFINER function must fix its search path (PostgreSQL documentation, CREATE FUNCTION)."""
    query = """
        SELECT proname, proconfig FROM pg_proc
        WHERE  prosecdef AND pronamespace = 'public'::regnamespace
    """
    found = service.execute(query).fetchall()
    assert found, "the function above is one"
    for name, settings in found:
        assert any(one.startswith("search_path=") for one in settings or ()), name


def test_it_is_a_member_of_no_other_role_and_nobody_else_may_connect(service):
    assert service.execute(
        "SELECT count(*) FROM pg_auth_members WHERE member = current_user::regrole"
    ).fetchone() == (0,)
    public = "SELECT has_database_privilege('public', current_database(), p) FROM unnest(ARRAY['connect', 'create', 'temporary']) p"
    assert [may for (may,) in service.execute(public).fetchall()][1:] == [False, False]


@pytest.mark.parametrize(
    "attempt",
    [
        "INSERT INTO token (name, scope, secret_hash) VALUES ('mine', 'admin', '\\x00')",
        "UPDATE token SET scope = 'admin', bay_id = NULL",
        "UPDATE token SET secret_hash = '\\x00'",
        "UPDATE token SET revoked_at = NULL",
        "UPDATE token SET expires_at = NULL",
        "DELETE FROM token",
    ],
)
def test_it_makes_no_token_and_changes_none(service, attempt):
    assert is_denied(service, attempt)


@pytest.mark.parametrize(
    ("limit", "lasts"), [("statement_timeout", "30s"), ("idle_in_transaction_session_timeout", "1min")]
)
def test_a_statement_of_the_service_and_a_transaction_that_stands_still_have_an_end(line, limit, lasts):
    assert line.execute(f"SHOW {limit}").fetchone() == (lasts,)
