"""`bayledger import` and `bayledger export` as a person meets them."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator

import pytest

from service.cli import main
from tests.conftest import new_database
from tests.factories import a_shop
from tests.transfer.conftest import OwnLedger, closed, own_ledger
from tests.transfer.old_files import COMMA, MAPPING, row, write_csv

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def ledger(server) -> Iterator[OwnLedger]:
    """A ledger with the shop of twelve cars."""
    own = own_ledger(server, "commands")
    a_shop(own.client)
    yield own
    closed(own)


@pytest.fixture
def run(ledger, capsys, monkeypatch, tmp_path) -> Run:
    """Run the command on it, in this process."""
    for name in [name for name in os.environ if name.startswith("BAYLEDGER_")]:
        monkeypatch.delenv(name)
    monkeypatch.chdir(tmp_path)

    def run_it(*words: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main([str(word) for word in (*words, "--database-url", ledger.service_url)])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run_it


@pytest.fixture
def old(tmp_path):
    """An old file of three rows with its mapping beside it."""
    rows = [row(), row(fitted="wide one", kw="156,5"), row(car="stoat-99")]
    (tmp_path / "old.toml").write_text(COMMA + MAPPING, encoding="utf-8")
    return write_csv(tmp_path / "old.csv", rows)


def test_a_file_is_tried_then_imported_then_undone(run, old, tmp_path):
    code, out, err = run("import", old, "--mapping", "old.toml", "--dry-run", "--fates", "fates.csv")
    assert (code, err) == (0, "")
    assert "Tried only, nothing was kept: 2 accepted, 1 refused." in out
    assert len((tmp_path / "fates.csv").read_text().splitlines()) == 4
    code, out, _ = run("import", old, "--mapping", "old.toml", "--errors", "refused.csv")
    assert code == 0
    assert "2 accepted, 1 refused." in out
    assert "stoat-99" in (tmp_path / "refused.csv").read_text()
    assert "2 kept before" in run("import", old, "--mapping", "old.toml")[1]
    assert run("import", "--undo", "old")[0] == 2
    code, out, _ = run("import", "--undo", "old", "--reason", "a trial")
    assert (code, out) == (0, "1 of 1 sessions of old were struck.\n")
    assert run("import", "--redo", "old")[1] == "1 of 1 sessions of old were counted again.\n"


def test_of_very_many_rows_that_need_a_look_the_commonest_reasons_are_counted(run, old, tmp_path):
    rows = [row(fitted="wrong words") for _ in range(45)] + [row(fitted="others") for _ in range(5)]
    write_csv(tmp_path / "many.csv", rows)
    code, out, _ = run("import", "many.csv", "--mapping", "old.toml", "--dry-run")
    assert code == 0
    assert "and 10 rows more; --fates FILE lists every one." in out
    shown, summary = " ".join(out.split()).split("the commonest reasons, of all rows")
    assert shown.count("'wrong words' is not in [parts]") == 40
    assert re.search(r"45 parts: 'wrong words' is not in \[parts\].* 5 parts: 'others'", summary)
    assert "50 refused." in summary


def test_what_is_missing_is_asked_for(run, old):
    code, _, err = run("import", old)
    assert code == 2
    assert "--mapping is needed" in err
    code, _, err = run("import")
    assert code == 2
    assert "name the FILE" in err


@pytest.mark.parametrize("errors", ["refused.xlsx", "refused.XLSM"])
def test_refused_rows_are_written_as_text_alone(run, old, tmp_path, errors):
    code, _, err = run("import", old, "--mapping", "old.toml", "--errors", errors)
    assert code == 2
    assert "name a .csv file" in err
    assert not (tmp_path / errors).exists()


def test_a_bad_mapping_is_one_error_with_every_mistake(run, old, tmp_path):
    (tmp_path / "bad.toml").write_text("[every]\nclock = 12\n")
    code, _, err = run("import", old, "--mapping", "bad.toml")
    assert code == 1
    assert "every.clock = 12" in err
    assert "columns.date is missing" in err


def test_everything_goes_out_and_into_another_database(run, server, capsys):
    code, out, _ = run("export", "all.zip")
    assert code == 0
    assert out.startswith("all.zip: ")
    assert run("export", "all.zip")[0] == 1  # it is there already
    owner_url, url = new_database(server, "commanded")
    words = ["import", "all.zip", "--database-url", url, "--owner-database-url", owner_url]
    assert main(words) == 0
    capsys.readouterr()
    assert main(words) == 1
    assert "the ledger is not empty" in capsys.readouterr().err


def test_only_the_owner_of_the_schema_fills_a_ledger(run):
    assert run("export", "full.zip")[0] == 0
    code, _, err = run("import", "full.zip")
    assert code == 1
    assert "name it with --owner-database-url" in err
