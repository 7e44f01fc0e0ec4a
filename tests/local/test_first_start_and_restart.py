"""The plain life of a data folder: made, used, stopped, started again."""

import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from service.local import LocalServer, start_server
from tests.local.conftest import execute, postmaster_of, scalar


@pytest.fixture(scope="module")
def first() -> Iterator[LocalServer]:
    """A server that made its folder itself, started for the first time."""
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        with start_server(Path(outer) / "data") as server:
            yield server
        assert postmaster_of(Path(outer) / "data") is None


def test_first_start_makes_the_folder_and_both_roles(first):
    assert scalar(first.owner_url, "select current_user") == "bayledger_owner"
    assert scalar(first.service_url, "select current_user") == "bayledger_service"
    assert scalar(first.service_url, "select current_database()") == "bayledger"
    roles = "select count(*) from pg_roles where rolname like 'bayledger%' and (rolsuper or rolcreaterole or rolcreatedb)"
    assert scalar(first.superuser_url, roles) == 0


def test_restart_keeps_the_data(used_folder):
    with start_server(used_folder) as server:
        execute(server.owner_url, "create table kept (n int); insert into kept values (7)")
    assert postmaster_of(used_folder) is None
    with start_server(used_folder) as server:
        assert scalar(server.owner_url, "select n from kept") == 7


def test_the_owner_may_add_the_extensions_the_schema_needs(first):
    for name in ("btree_gist", "pg_trgm", "intarray"):
        execute(first.owner_url, f"create extension {name}")
    assert scalar(first.owner_url, "select count(*) from pg_extension where extname <> 'plpgsql'") == 3


def test_the_service_role_makes_no_tables(first):
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        execute(first.service_url, "create table mine (n int)")


def test_the_service_role_has_a_statement_timeout_and_no_jit(first):
    assert scalar(first.service_url, "show statement_timeout") == "30s"
    assert scalar(first.service_url, "show jit") == "off"


def test_nothing_listens_on_the_network_and_the_socket_is_private(first):
    assert scalar(first.superuser_url, "show listen_addresses") == ""
    assert stat.S_IMODE((first.data_dir / "socket").stat().st_mode) == 0o700
    assert stat.S_IMODE((first.data_dir / "postgres").stat().st_mode) == 0o700


def test_text_sorts_the_same_on_every_operating_system(first):
    # PostgreSQL 18 documentation 23.1.4.1: C.UTF-8 of the builtin provider sorts by code point
    sorted_here = "select string_agg(t, '' order by t) from unnest('{b,a,B,Ä}'::text[]) t"
    assert scalar(first.owner_url, sorted_here) == "BabÄ"
    provider = "select datlocprovider::text from pg_database where datname='bayledger'"
    assert scalar(first.owner_url, provider) == "b"


def test_postgres_settings_of_the_shell_do_not_reach_the_server(folder, monkeypatch):
    monkeypatch.setenv("PGDATA", "/nonexistent")
    monkeypatch.setenv("PGPORT", "6000")
    monkeypatch.setenv("PGHOST", "elsewhere.invalid")
    with start_server(folder) as server:
        assert scalar(server.owner_url, "select 1") == 1


def test_stopping_twice_is_harmless(used_folder):
    server = start_server(used_folder)
    server.stop()
    server.stop()
    assert postmaster_of(used_folder) is None


def test_a_long_log_is_moved_aside_at_the_next_start(used_folder):
    (used_folder / "postgres.log").write_bytes(b"x" * 5_000_001)
    start_server(used_folder).stop()
    assert (used_folder / "postgres.log.old").stat().st_size == 5_000_001
    assert 0 < (used_folder / "postgres.log").stat().st_size < 50_000
