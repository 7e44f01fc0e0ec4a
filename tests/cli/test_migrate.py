"""`bayledger migrate` on a real database."""

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from service.cli.ledger import ROOT, newest_revision
from service.local import start_server
from tests.local.conftest import scalar

TABLES = "select count(*) from pg_tables where schemaname = 'public' and tablename <> 'alembic_version'"


def count_of_tables(folder) -> int:
    with start_server(folder) as server:
        return scalar(server.owner_url, TABLES)


def test_migrate_makes_the_schema_and_doing_it_twice_is_harmless(run, unmigrated_ledger):
    for _ in range(2):
        ran = run("migrate", "--data-dir", unmigrated_ledger)
        assert (ran.code, ran.out) == (0, "the schema is at head\n")
    assert count_of_tables(unmigrated_ledger) > 10


def test_show_marks_nothing_before_the_first_migration(run, unmigrated_ledger):
    before = run("migrate", "--show", "--data-dir", unmigrated_ledger).out
    assert "0001" in before
    assert "(current)" not in before


def test_show_marks_where_the_database_stands(run, ledger):
    shown = run("migrate", "--show", "--data-dir", ledger).out
    assert "0001" in shown
    assert "(current)" in shown


def test_going_back_is_refused_unless_it_is_meant(run, ledger):
    ran = run("migrate", "--to", "base", "--data-dir", ledger)
    assert ran.code == 2
    assert "--yes" in ran.err
    assert count_of_tables(ledger) > 10
    assert run("migrate", "--to", "base", "--yes", "--data-dir", ledger).code == 0
    assert count_of_tables(ledger) == 0


def test_an_unknown_revision_names_the_known_ones(run, ledger):
    ran = run("migrate", "--to", "nosuch", "--data-dir", ledger)
    assert ran.code == 1
    assert "0001" in ran.err


@pytest.mark.parametrize(
    "form", [str, lambda url: make_conninfo("", **conninfo_to_dict(url))], ids=["a URL", "keyword and value"]
)
def test_a_given_database_is_migrated_instead_of_an_own_one(run, unmigrated_ledger, tmp_path, form):
    with start_server(unmigrated_ledger) as server:
        ran = run("migrate", "--database-url", form(server.owner_url), "--data-dir", tmp_path / "other")
    assert ran.code == 0, ran.err
    assert not (tmp_path / "other").exists()
    assert count_of_tables(unmigrated_ledger) > 10


def test_a_database_that_does_not_answer_is_one_line(run, tmp_path):
    ran = run("migrate", "--database-url", "postgresql://nobody@127.0.0.1:1/none", "--data-dir", tmp_path)
    assert ran.code == 1
    assert len(ran.err.splitlines()) == 1
    assert "127.0.0.1" in ran.err


def test_the_newest_revision_read_from_the_files_is_alembics_own():
    configuration = Config()
    configuration.set_main_option("script_location", str(ROOT / "migrations"))
    assert newest_revision() == ScriptDirectory.from_config(configuration).get_current_head()


def test_two_revisions_that_build_on_one_another_have_one_newest(tmp_path, monkeypatch):
    versions = tmp_path / "migrations" / "versions"
    versions.mkdir(parents=True)
    (versions / "b.py").write_text('revision: str = "0001"\ndown_revision = None\n')
    (versions / "a.py").write_text('revision = "0002"\ndown_revision: str | None = "0001"\n')
    monkeypatch.setattr("service.cli.ledger.ROOT", tmp_path)
    assert newest_revision() == "0002"
    (versions / "c.py").write_text('revision = "0003"\ndown_revision = "0001"\n')
    assert newest_revision() is None, "two heads: let alembic say so"
