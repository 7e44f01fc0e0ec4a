"""Each rule of .importlinter is broken once, so that none of them can be a rule in name only."""

import shutil
import subprocess
import sys
from pathlib import Path

import grimp
import pytest
from importlinter.api import read_configuration
from importlinter.contracts.layers import LayersContract

from tests.setup.check import ROOT
from tests.setup.rooms import RoomContract

CONFIGURATION = read_configuration(str(ROOT / ".importlinter"))
RULES = {options["id"]: options for options in CONFIGURATION["contracts_options"]}

BREACHES = [
    ("cli", "service.cli.serve", "psycopg"),
    ("app", "service.app", "psycopg"),
    ("settings", "service.settings", "service.store.sessions"),
    ("settings", "service.settings", "flask"),
    ("api", "service.api.sessions", "psycopg"),
    ("api", "service.api.sessions", "numpy"),
    ("api", "service.api.sessions", "service.worker.refit"),
    ("schemas", "service.schemas.session", "flask"),
    ("schemas", "service.schemas.session", "psycopg"),
    ("schemas", "service.schemas.session", "service.store.sessions"),
    ("ledger", "service.ledger.post", "flask"),
    ("ledger", "service.ledger.post", "service.stats.pool"),
    ("answers", "service.answers.gain", "flask"),
    ("answers", "service.answers.gain", "service.schemas.gain"),
    ("worker", "service.worker.refit", "flask"),
    ("transfer", "service.transfer.sheet", "flask"),
    ("keeping", "service.keeping.shelf", "flask"),
    ("store", "service.store.sessions", "flask"),
    ("store", "service.store.sessions", "marshmallow"),
    ("store", "service.store.sessions", "service.stats.pool"),
    ("stats", "service.stats.pool", "psycopg"),
    ("stats", "service.stats.pool", "service.store.sessions"),
    ("stats", "service.stats.pool", "time"),
    ("domain", "service.domain.curve", "pandas"),
    ("domain", "service.domain.curve", "service.store.sessions"),
    ("domain", "service.domain.curve", "time"),
    ("domain", "service.domain.curve", "os.path"),
    ("tables", "service.tables.text", "httpx"),
    ("tables", "service.tables.text", "pathlib"),
    ("tables", "service.tables.text", "service.store.sessions"),
    ("local", "service.local.server", "flask"),
    ("local", "service.local.server", "service.settings"),
    ("bay", "service.bay.spool", "psycopg"),
    ("bay", "service.bay.spool", "service.store.sessions"),
    ("dashboard", "dashboard.build", "service.domain.units"),
    ("dashboard", "dashboard.build", "psycopg"),
    ("seed", "seed.shop", "service.domain.units"),
    ("seed", "seed.shop", "psycopg"),
    ("migrations", "migrations.env", "service.settings"),
    ("migrations", "migrations.env", "flask"),
]


def graph_of(*imports: tuple[str, str]) -> grimp.ImportGraph:
    """An import graph with just these imports."""
    graph = grimp.ImportGraph()
    for importer, imported in imports:
        for module in (importer, imported):
            if module not in graph.modules:
                graph.add_module(module, is_squashed="." not in module and module not in ("service", "seed"))
        graph.add_import(
            importer=importer, imported=imported, line_number=3, line_contents=f"import {imported}"
        )
    return graph


def rule(name: str) -> RoomContract:
    options = {key: value for key, value in RULES[name].items() if key not in ("id", "name", "type")}
    return RoomContract(name=name, session_options={}, contract_options=options)


@pytest.mark.parametrize(("name", "importer", "imported"), BREACHES)
def test_a_room_may_not_import_what_its_rule_does_not_list(name: str, importer: str, imported: str) -> None:
    check = rule(name).check(graph_of((importer, imported)), verbose=False)
    assert not check.kept
    assert [found.imported for found in check.metadata["breaches"]] == [imported]


def test_every_room_rule_is_broken_at_least_once_above() -> None:
    rooms = {name for name, options in RULES.items() if options["type"] == "room"}
    assert rooms == {name for name, _, _ in BREACHES}


@pytest.mark.parametrize(
    ("name", "importer", "imported"),
    [
        ("domain", "service.domain.curve", "numpy"),
        ("domain", "service.domain.curve", "dataclasses"),
        ("domain", "service.domain.curve", "service.domain.units"),
        ("stats", "service.stats.pool", "service.domain.records"),
        ("store", "service.store.sessions", "psycopg"),
        ("ledger", "service.ledger.post", "service.store.sessions"),
        ("answers", "service.answers.gain", "service.stats.pool"),
    ],
)
def test_a_room_may_import_what_its_rule_lists(name: str, importer: str, imported: str) -> None:
    assert rule(name).check(graph_of((importer, imported)), verbose=False).kept


def test_a_package_added_tomorrow_is_a_breach_until_a_rule_lists_it() -> None:
    assert not rule("domain").check(graph_of(("service.domain.curve", "brand_new")), verbose=False).kept


def test_a_name_that_only_begins_like_a_room_is_not_that_room() -> None:
    assert rule("domain").check(graph_of(("service.domainish", "flask")), verbose=False).kept


def floors(graph: grimp.ImportGraph) -> bool:
    options = {key: value for key, value in RULES["floors"].items() if key not in ("id", "name", "type")}
    session = CONFIGURATION["session_options"]
    return (
        LayersContract(name="floors", session_options=session, contract_options=options)
        .check(graph, False)
        .kept
    )


def whole_house(*more: tuple[str, str]) -> grimp.ImportGraph:
    graph = graph_of(("service.api", "service.ledger"), ("service.ledger", "service.store"), *more)
    if "service" not in graph.modules:
        graph.add_module("service")
    return graph


def test_the_floors_hold_for_an_upright_house() -> None:
    assert floors(whole_house())


def test_a_lower_floor_may_not_import_a_higher_one() -> None:
    assert not floors(whole_house(("service.store", "service.api")))


def test_the_write_side_and_the_read_side_do_not_know_each_other() -> None:
    assert not floors(whole_house(("service.ledger", "service.answers")))


def test_a_room_that_stands_on_no_floor_is_a_breach() -> None:
    assert not floors(whole_house(("service.annex", "service.store")))


def test_the_tool_itself_fails_on_a_breach_and_names_its_line(tmp_path: Path) -> None:
    for package in ("service", "service/domain", "dashboard", "seed", "migrations"):
        (tmp_path / package).mkdir()
        (tmp_path / package / "__init__.py").touch()
    shutil.copy(ROOT / ".importlinter", tmp_path)
    (tmp_path / "service/domain/curve.py").write_text('"""A breach."""\n\nimport flask\n')
    tool = Path(sys.executable).parent / "lint-imports"
    ran = subprocess.run([tool, "--no-cache", "--no-logo"], cwd=tmp_path, capture_output=True, text=True)
    assert ran.returncode == 1
    assert "service.domain.curve (line 3) imports flask: import flask" in ran.stdout
    assert "1 broken" in ran.stdout
