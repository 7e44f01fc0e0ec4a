"""`bayledger restore`: a ledger put back serves as before; one that is there is never lost to it."""

import json
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import psycopg
import pytest

from service.keeping.errors import KeepingError
from service.keeping.proving import prove
from service.keeping.shelf import open_backup
from service.local import start_server
from service.local.binaries import folders_with
from service.store.readiness import REVISION
from service.store.tokens import find_caller
from tests.cli.keeping import (
    PATIENCE_S,
    flip_a_bit,
    kill,
    only_dump,
    rows_in,
    say_otherwise,
    started,
    wait_for,
)
from tests.conftest import ROOT, client_over
from tests.factories import session, setup
from tests.live import clean_environment
from tests.local.conftest import execute, scalar
from tests.tokens import admin_token
from tests.worker.conftest import measure_three_cars

OLDER_MAJOR = "15"


def post_one_more(service_url: str, token: str) -> None:
    with client_over(service_url, token) as client:
        answer = client.post("/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05), day=20))
        assert answer.status_code == 201, answer.json


# ---- into a ledger of its own


def test_in_a_new_data_folder_the_old_tokens_answer_posts_go_on_and_the_roles_have_their_rights(
    run,
    dump,
    measured,
    folder,
):
    ran = run("restore", dump, "--data-dir", folder)
    assert ran.code == 0, ran.err
    assert "3 sessions with 18 pulls of 12 cars are in the database bayledger" in ran.out
    assert "3 of 3 answers are the same" in ran.out
    assert "revoked after" not in ran.out
    (to_see_to,) = ran.err.splitlines()
    assert "revoked after" in to_see_to
    with start_server(folder) as server:
        with psycopg.connect(server.service_url, autocommit=True) as service:
            assert find_caller(service, measured.token)[0].scope == "admin"
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                service.execute("ALTER TABLE session ADD extra text")
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                service.execute("UPDATE history SET reason = 'another'")
        newest = scalar(server.owner_url, "SELECT max(session_id) FROM session")
        post_one_more(server.service_url, measured.token)
        assert scalar(server.owner_url, "SELECT max(session_id) FROM session") == newest + 1
        assert scalar(server.owner_url, "SELECT version_num FROM alembic_version") == REVISION
        assert rows_in(server.owner_url, "session") == 4


@pytest.mark.machine
def test_the_key_for_vins_is_missed_where_it_is_another(run, measured, nobodys, tmp_path, monkeypatch):
    monkeypatch.setenv("BAYLEDGER_SECRET", "the shop's own")
    run("backup", *measured.where(), "--to", tmp_path / "backups")
    dump = only_dump(tmp_path / "backups")
    assert "the shop's own" not in dump.with_suffix(".json").read_text()
    into = [*nobodys.where(), *nobodys.maker(), "--into"]
    assert "secret" not in run("restore", dump, *into, f"{nobodys.name}_a").err
    monkeypatch.setenv("BAYLEDGER_SECRET", "another")
    ran = run("restore", dump, *into, f"{nobodys.name}_b")
    assert "put the file `secret`" in ran.err
    assert "secret" not in ran.out


# ---- into a server


def test_a_database_not_there_yet_is_made_closed_to_all_others_and_said_how_to_use(run, dump, nobodys):
    name = nobodys.name
    ran = run("restore", dump, *nobodys.where(), *nobodys.maker(), "--into", name)
    assert ran.code == 0, ran.err
    assert f"let BAYLEDGER_DATABASE_URL and BAYLEDGER_OWNER_DATABASE_URL name {name}" in ran.out
    assert nobodys.databases() == [name]
    assert nobodys.count("session", name) == 3
    asked = "SELECT has_database_privilege('public', %s, 'connect'), has_database_privilege('bayledger_service', %s, 'connect')"
    with psycopg.connect(nobodys.superuser_url) as above:
        assert above.execute(asked, (name, name)).fetchone() == (False, True)
        owner = "SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = %s"
        assert above.execute(owner, (name,)).fetchone() == ("bayledger_owner",)


def test_an_owner_who_may_not_make_databases_is_told_how_and_fills_the_one_made_for_him(run, dump, nobodys):
    name = nobodys.name
    ran = run("restore", dump, *nobodys.where(), "--into", name)
    assert ran.code == 1
    wanted = f'CREATE DATABASE "{name}" OWNER "bayledger_owner" TEMPLATE template0'
    assert wanted in ran.err
    execute(nobodys.superuser_url, wanted)
    ran = run("restore", dump, *nobodys.where(), "--into", name)
    assert ran.code == 0, ran.err
    assert nobodys.count("session", name) == 3


def test_a_ledger_that_holds_something_is_not_touched_unless_it_is_named(run, dump, kept):
    post_one_more(kept.service_url, kept.token)
    ran = run("restore", dump, *kept.where(), *kept.maker())
    assert ran.code == 1
    assert f"--overwrite {kept.name}" in ran.err
    assert "nothing was touched" in ran.err
    ran = run("restore", dump, *kept.where(), *kept.maker(), "--overwrite", "another")
    assert ran.code == 2
    assert kept.databases() == [kept.name]
    assert kept.count("session") == 4


def test_named_it_is_put_aside_and_kept_whole(run, dump, kept):
    post_one_more(kept.service_url, kept.token)
    ran = run("restore", dump, *kept.where(), *kept.maker(), "--overwrite", kept.name)
    assert ran.code == 0, ran.err
    live, aside = kept.databases()
    assert abs(kept.backed_up_at() - open_backup(dump).manifest.taken_at) <= timedelta(seconds=1)
    assert aside.startswith(f"{kept.name}_before_")
    assert f'DROP DATABASE "{aside}"' in ran.out
    assert (kept.count("session", live), kept.count("session", aside)) == (3, 4)
    post_one_more(kept.service_url, kept.token)
    assert kept.count("session", live) == 4


@pytest.mark.machine
def test_a_ledger_in_which_nothing_was_kept_yet_gives_way_without_being_named(
    run, dump, folder, migrated_folder
):
    ran = run("restore", dump, "--data-dir", migrated_folder)
    assert ran.code == 0, ran.err
    assert "DROP DATABASE" not in ran.out
    with start_server(folder) as server:
        assert rows_in(server.owner_url, "session") == 3
        names = "SELECT string_agg(datname, ' ') FROM pg_database WHERE datname LIKE 'bayledger%'"
        assert scalar(server.superuser_url, names) == "bayledger"


def test_a_ledger_in_use_is_left_alone(run, dump, kept):
    with psycopg.connect(kept.service_url):
        ran = run("restore", dump, *kept.where(), *kept.maker(), "--overwrite", kept.name)
    assert ran.code == 1
    assert "stop the service" in ran.err
    assert kept.databases() == [kept.name]


@pytest.mark.machine
def test_an_older_schema_is_brought_up_to_date(run, kept, tmp_path):
    assert run("migrate", "--to", "0004", "--yes", *kept.where(), "--database-url", kept.owner_url).code == 0
    run("backup", *kept.where(), "--to", tmp_path / "backups")
    name = f"{kept.name}_newer"
    ran = run("restore", only_dump(tmp_path / "backups"), *kept.where(), *kept.maker(), "--into", name)
    assert ran.code == 0, ran.err
    assert "answers were not compared: the schema is at 0004" in ran.out
    assert scalar(kept.url_of(name), "SELECT version_num FROM alembic_version") == REVISION
    assert kept.count("session", name) == 3


# ---- cut off


@pytest.mark.machine
def test_killed_in_the_middle_nothing_has_changed_and_the_next_run_does_it(run, dump, kept, tmp_path):
    post_one_more(kept.service_url, kept.token)
    words = ["restore", str(dump), *kept.where(), *kept.maker(), "--overwrite", kept.name]
    new = f"{kept.name}_restoring"
    with started(words, tmp_path) as process:
        assert wait_for(process, lambda: new in kept.databases())
        kill(process)
    assert kept.count("session") == 4
    assert kept.databases() == [kept.name, new]
    # Postgres needs a moment to notice that who talked to it is gone.
    with psycopg.connect(kept.superuser_url, autocommit=True) as above:
        above.execute(
            "SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = %s", (new,)
        )
    ran = run(*words)
    assert ran.code == 0, ran.err
    assert kept.count("session") == 3
    assert len(kept.databases()) == 2


def test_a_database_of_the_working_name_that_is_not_ours_is_not_dropped(run, dump, nobodys):
    execute(nobodys.superuser_url, f"CREATE DATABASE {nobodys.name}_restoring")
    ran = run("restore", dump, *nobodys.where(), *nobodys.maker(), "--into", nobodys.name)
    assert ran.code == 1
    assert "is not ours" in ran.err
    assert f"{nobodys.name}_restoring" in nobodys.databases()


def test_what_does_not_compare_does_not_take_the_place(run, dump, kept):
    rows = json.loads(dump.with_suffix(".json").read_text())["rows"]
    say_otherwise(dump, rows=rows | {"session": 7})
    ran = run("restore", dump, *kept.where(), *kept.maker(), "--overwrite", kept.name)
    assert ran.code == 1
    assert "rows.session is 3 where it was 7" in ran.err
    assert kept.databases() == [kept.name]
    assert kept.count("session") == 3


def test_a_dump_that_is_damaged_under_a_sum_that_agrees_leaves_nothing(run, dump, nobodys):
    dump.write_bytes(dump.read_bytes()[:-2000])
    say_otherwise(dump)
    ran = run("restore", dump, *nobodys.where(), *nobodys.maker(), "--into", nobodys.name)
    assert ran.code == 1
    assert "it could not be put back" in ran.err
    assert nobodys.databases() == []


# ---- what is refused


def test_a_damaged_file_is_refused_before_a_folder_is_made(run, dump, tmp_path):
    flip_a_bit(dump)
    ran = run("restore", dump, "--data-dir", tmp_path / "new")
    assert ran.code == 1
    assert "SHA-256 differs" in ran.err
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("end", [".json", ".sha256"])
def test_a_file_without_what_belongs_to_it_is_refused(run, dump, tmp_path, end):
    dump.with_suffix(end).unlink()
    ran = run("restore", dump, "--data-dir", tmp_path / "new")
    assert ran.code == 1
    assert f"{dump.stem}{end}" in ran.err
    assert "belong together" in ran.err


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"revision": "0999"}, "which this program does not know"),
        ({"format": 2}, "laid out by format 2"),
        ({"server_version": "99.1"}, "an older server cannot take it"),
        ({"dumped_by": "99.1"}, "pg_dump must not be older"),
    ],
)
def test_what_comes_from_a_newer_world_is_refused_with_the_way_out(run, dump, nobodys, changes, words):
    say_otherwise(dump, **changes)
    ran = run("restore", dump, *nobodys.where(), *nobodys.maker(), "--into", nobodys.name)
    assert ran.code == 1
    assert words in ran.err
    assert nobodys.databases() == []


def test_a_server_without_the_services_role_is_to_be_prepared_first(run, dump, nobodys, monkeypatch):
    monkeypatch.setattr("service.keeping.restoring.SERVICE", "nobody_here")
    ran = run("restore", dump, *nobodys.where(), *nobodys.maker(), "--into", nobodys.name)
    assert ran.code == 1
    assert "roles.sql" in ran.err


def test_no_room_to_look_is_said(dump, monkeypatch):
    say_otherwise(dump, size=10**15)
    with pytest.raises(KeepingError, match=r"no room.*TMPDIR"):
        prove(open_backup(dump))


# ---- across major versions


def bayledger(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own: which Postgres it finds is its environment's."""
    return subprocess.run(
        [sys.executable, "-m", "service", *map(str, words)],
        cwd=ROOT, env=clean_environment() | environment, capture_output=True, text=True, timeout=PATIENCE_S * 2,
        check=False,
    )  # fmt: skip


@pytest.mark.machine
def test_a_ledger_of_an_older_major_moves_to_the_newer_one_by_backup_and_restore(
    tmp_path, monkeypatch, folder
):
    older = next(
        one for one in folders_with(["pg_dump", "postgres"]) if f"/{OLDER_MAJOR}/" in str(one)
    )  # Debian's postgresql-15
    monkeypatch.setenv("PG_BIN", str(older))
    old = Path(os.path.realpath(folder)).with_name("old")
    with start_server(old) as server:
        assert server.version.startswith(f"{OLDER_MAJOR}.")
        assert bayledger("migrate", "--data-dir", old, PG_BIN=str(older)).returncode == 0
        measure_three_cars(server.owner_url, server.service_url)
        token = admin_token(server.owner_url)
        taken = bayledger("backup", "--data-dir", old, "--to", tmp_path / "backups", PG_BIN=str(older))
        assert taken.returncode == 0, taken.stderr
    monkeypatch.delenv("PG_BIN")
    moved = bayledger("restore", only_dump(tmp_path / "backups"), "--data-dir", folder)
    assert moved.returncode == 0, moved.stderr
    assert "3 of 3 answers are the same" in moved.stdout
    with start_server(folder) as server:
        assert int(server.version.split(".")[0]) > int(OLDER_MAJOR)
        post_one_more(server.service_url, token)
    back = bayledger("restore", only_dump(tmp_path / "backups"), "--check", PG_BIN=str(older))
    assert back.returncode == 0, back.stderr
