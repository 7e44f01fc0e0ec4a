"""Everything out, and in again: a second ledger answers as the first, and a spoiled file leaves an empty ledger empty."""

import csv
import hashlib
import io
import json
import math
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pyarrow.parquet as parquet
import pytest

from service.store.readiness import REVISION
from service.transfer.columns import from_cell
from service.transfer.dictionary import LEFT_OUT, LEFT_OUT_COLUMNS, TABLES
from service.transfer.errors import TransferError
from service.transfer.export import MANIFEST, export
from service.transfer.posting import silent
from service.transfer.restore import read_rows, restore
from tests.transfer.conftest import RISKY, TWIN

TOLERANCE = 1e-9
OF_THE_MOMENT = {"as_of", "seconds"}
"""What an answer says of when it was asked."""


def differences(one: Any, other: Any, at: str = "") -> Iterator[str]:
    """Where two answers differ, by more than the tolerance where they are figures."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in {*one, *other} - OF_THE_MOMENT:
            yield from differences(one.get(name), other.get(name), f"{at}/{name}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for place, (a, b) in enumerate(zip(one, other, strict=True)):
            yield from differences(a, b, f"{at}/{place}")
    elif type(one) is float and type(other) is float:
        if not math.isclose(one, other, rel_tol=TOLERANCE, abs_tol=TOLERANCE):
            yield f"{at}: {one} {other}"
    elif one != other:
        yield f"{at}: {one} {other}"


def questions(ask: Callable[[str], Any]) -> Iterator[str]:
    """Every kind of question a ledger answers, about what it holds."""
    evidence = ask("/v1/evidence?limit=8")["items"]
    assert len(evidence) >= 5
    yield from ("/v1/evidence", "/v1/outliers", "/v1/bay-agreement", "/v1/model", "/v1/settings", "/v1/slots")
    yield from (
        "/v1/history?limit=500",
        "/v1/sessions?limit=500",
        "/v1/parts?limit=500",
        "/v1/vehicles?limit=500",
    )
    for one in evidence:
        for standard in ("sae-j1349", "iso-1585"):
            asked = f"part={one['part']}&platform={one['platform']}&standard={standard}"
            yield f"/v1/typical-gain?{asked}&measure=peak_power"
            yield f"/v1/typical-gain?{asked}&measure=peak_torque&units=us&context=as-usually-fitted"
        yield f"/v1/build-estimate?platform={one['platform']}&parts={one['part']}&baseline=200"
    for platform in (one["slug"] for one in ask("/v1/platforms")["items"]):
        yield f"/v1/platforms/{platform}/stock-spread?measure=peak_power&value=150"
        yield f"/v1/platforms/{platform}/part-choice?measure=peak_power"
        yield f"/v1/platforms/{platform}/stock-curve"
    for bay in (one["slug"] for one in ask("/v1/bays")["items"]):
        yield from (f"/v1/bays/{bay}/corrections", f"/v1/bays/{bay}/events", f"/v1/bays/{bay}/days")
    for session in ask("/v1/sessions?limit=500")["items"][::4]:
        address = f"/v1/sessions/{session['id']}"
        yield from (
            address,
            f"{address}/sheet",
            f"{address}/review",
            f"/v1/history?about=sessions/{session['id']}",
        )
        for setup in ask(address)["setups"]:
            yield f"{address}/setups/{setup['n']}/curve"
            yield f"/v1/pulls/{setup['pulls'][0]['id']}"
        yield f"/v1/vehicles/{session['vehicle']}/states"
        yield f"/v1/vehicles/{session['vehicle']}/modifications"


def test_every_answer_of_the_second_ledger_is_the_firsts(first, second):
    def ask(path: str) -> Any:
        return first.client.get(path).json

    wrong, asked = [], 0
    for path in questions(ask):
        one, other = first.client.get(path), second.client.get(path)
        asked += 1
        assert one.status_code in (200, 404), (path, one.json)
        wrong += (
            [f"{path} {one.status_code} {other.status_code}"] if one.status_code != other.status_code else []
        )
        wrong += [f"{path} {said}" for said in differences(one.json, other.json)]
    assert wrong == []
    assert asked > 100


def test_a_gain_compared_has_figures_in_it(first):
    """The comparison above would also hold for two ledgers that know nothing."""
    best = first.client.get("/v1/evidence?limit=1").json["items"][0]
    answer = first.client.get(f"/v1/typical-gain?part={best['part']}&platform={best['platform']}").json
    assert answer["typical"] is not None
    assert answer["pairs_only"]["typical_percent"] is not None
    assert len(answer["curve"]["typical"]) > 10


def test_the_fit_in_use_comes_with_it(first, second):
    fits = [one.client.get("/v1/model").json for one in (first, second)]
    assert fits[0]["fit"]["id"] == fits[1]["fit"]["id"] is not None


def test_the_second_ledger_goes_on_where_the_first_was(first, second):
    body = {"slug": "newer", "name": "Newer", "slots": ["air-filter"]}
    assert second.client.post("/v1/parts", body).status_code == 201
    with psycopg.connect(second.owner_url, autocommit=True) as owner:
        highest, newer = owner.execute(
            "SELECT max(part_id) FILTER (WHERE slug <> 'newer'), max(part_id) FROM part"
        ).fetchone()
        owner.execute("DELETE FROM part_slot WHERE part_id = %s", (newer,))
        owner.execute("DELETE FROM part WHERE part_id = %s", (newer,))
    assert newer == highest + 1


@pytest.mark.parametrize(("table", "own"), [(one.name, one.own) for one in TABLES if one.own])
def test_the_numbers_of_every_table_go_on_in_the_second_ledger(second, table, own):
    with psycopg.connect(second.owner_url) as owner:
        (highest,) = owner.execute(f"SELECT max({own}) FROM {table}").fetchone()
        (following,) = owner.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, %s))", (table, own)
        ).fetchone()
        owner.execute("SELECT setval(pg_get_serial_sequence(%s, %s), %s, false)", (table, own, following))
    assert following > (highest or 0)


def test_a_merge_comes_apart_in_the_second_ledger_as_it_would_in_the_first(first, second):
    assert (
        second.client.get(f"/v1/vehicles/{TWIN}").json["merged_into"]
        == first.client.get(f"/v1/vehicles/{TWIN}").json["merged_into"]
    )
    apart = second.client.post(f"/v1/vehicles/{TWIN}/unmerge", {"reason": "two cars"})
    assert (apart.status_code, apart.json["merged_into"]) == (200, None)


def cells_of(path: Path, table: str) -> list[dict[str, str]]:
    """A table's rows as a spreadsheet would open them."""
    csv.field_size_limit(1 << 28)
    with zipfile.ZipFile(path) as zipped:
        return list(csv.DictReader(io.StringIO(zipped.read(f"{table}.csv").decode())))


def test_no_cell_is_run_by_a_spreadsheet(exported):
    texts = {
        (table.name, one.name) for table in TABLES for one in table.columns if one.kind in ("text", "json")
    }
    risky = [
        (table.name, name, cell)
        for table in TABLES
        for cells in cells_of(exported, table.name)
        for name, cell in cells.items()
        if (table.name, name) in texts and cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    ]
    assert risky == []
    assert any(cells["struck"] == f"'{RISKY}" for cells in cells_of(exported, "pull"))
    assert any(cells["label"] == "'-5 of oil" for cells in cells_of(exported, "setup"))


def test_text_and_parquet_hold_the_same(exported, tmp_path):
    with zipfile.ZipFile(exported) as zipped:
        zipped.extractall(tmp_path)
        for table in TABLES:
            from_text = list(read_rows(zipped, table))
            columns = parquet.read_table(tmp_path / f"{table.name}.parquet")
            assert columns.num_rows == len(from_text)
            for one in table.columns:
                said = [str(row[one.name]) if one.kind == "uuid" else row[one.name] for row in from_text]
                assert columns.column(one.name).to_pylist() == said, (table.name, one.name)


def test_a_stranger_finds_the_samples_of_a_pull_as_they_were_posted(first, exported):
    cells = next(row for row in cells_of(exported, "pull_raw") if row["torque"])
    answered = first.client.get(f"/v1/pulls/{cells['pull_id']}?units=si").json["curve"]
    for name in ("rpm", "torque"):
        assert json.loads(cells[name]) == pytest.approx(answered[name], rel=1e-5)


def test_the_dictionary_names_every_column_of_the_schema(first):
    with psycopg.connect(first.owner_url) as owner:
        rows = owner.execute(
            """
            SELECT table_name, column_name FROM information_schema.columns
            WHERE  table_schema = 'public' AND table_name IN (SELECT tablename FROM pg_tables WHERE schemaname = 'public')
            """
        ).fetchall()
    there = {row for row in rows if row[0] not in LEFT_OUT}
    told = {(table.name, one.name) for table in TABLES for one in table.columns}
    packed = {(table, name) for table, names in LEFT_OUT_COLUMNS.items() for name in names}
    assert there - told == packed
    as_lists = {name for name in told - there if name[0] in ("pull_raw", "setup_curve")}
    assert told - there == as_lists
    assert {row[0] for row in rows} >= set(LEFT_OUT)


def test_the_dictionary_stands_beside_the_tables(exported):
    told = cells_of(exported, "dictionary")
    power = next(one for one in told if (one["table"], one["column"]) == ("pull", "power_kw"))
    assert (power["unit"], power["meaning"], power["null_means"]) == (
        "kW",
        "peak power, observed",
        "not known",
    )
    assert all(one["meaning"] for one in told)


def test_no_secret_and_no_identification_goes_out(first, exported, tmp_path):
    with zipfile.ZipFile(exported) as zipped:
        everything = b"".join(zipped.read(name) for name in zipped.namelist())
        assert not {"token.csv", "kept_answer.csv"} & set(zipped.namelist())
    assert str(first.client.token).encode() not in everything
    assert all(row["vin_hash"] == "" for row in cells_of(exported, "vehicle"))
    with psycopg.connect(first.service_url, autocommit=True) as connection:
        hashed = {
            row[0].hex()
            for row in connection.execute("SELECT vin_hash FROM vehicle WHERE vin_hash IS NOT NULL")
        }
        export(connection, tmp_path / "hashed.zip", hashes=True, progress=silent)
    assert {
        row["vin_hash"][2:] for row in cells_of(tmp_path / "hashed.zip", "vehicle") if row["vin_hash"]
    } == hashed


def test_the_manifest_says_what_was_written(exported):
    with zipfile.ZipFile(exported) as zipped:
        manifest = json.loads(zipped.read(MANIFEST))
        for table in manifest["tables"]:
            for form in ("csv", "parquet"):
                content = zipped.read(table[form]["name"])
                assert hashlib.sha256(content).hexdigest() == table[form]["sha256"]
                assert len(content) == table[form]["bytes"]
    assert manifest["revision"] == REVISION
    (fit,) = manifest["fits"]
    assert fit["setups"] > 20


def changed(path: Path, target: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """A copy of an export with its files changed, or left out where None comes back."""
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as into:
        for name in source.namelist():
            content = change(name, source.read(name))
            if content is not None:
                into.writestr(name, content)
    return target


def with_manifest(**changes: Any) -> Callable[[str, bytes], bytes]:
    def change(name: str, content: bytes) -> bytes:
        return json.dumps({**json.loads(content), **changes}).encode() if name == MANIFEST else content

    return change


def is_empty(owner: psycopg.Connection[Any]) -> bool:
    """Whether nothing of an export is in a ledger, and its slots are those it began with."""
    rows = sum(
        owner.execute(f"SELECT count(*) FROM {table.name}").fetchone()[0]
        for table in TABLES
        if table.name != "slot"
    )
    return rows == 0 and owner.execute("SELECT count(*) > 10 FROM slot").fetchone() == (True,)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            lambda name, content: content.replace(b"odd", b"mad") if name == "part.csv" else content,
            "part.csv is not what was written",
        ),
        (lambda name, content: None if name == "pair.csv" else content, "pair.csv is missing"),
        (lambda name, content: None if name == MANIFEST else content, "no manifest.json"),
        (with_manifest(revision="0001"), "revision '0001', this ledger is of"),
        (with_manifest(format=0), "format 0, this program reads"),
        (with_manifest(tables=[]), "the table session is missing"),
        (lambda name, content: b"{" if name == MANIFEST else content, "manifest.json is damaged"),
    ],
)
def test_a_damaged_or_older_export_is_refused_before_anything_is_written(
    exported, tmp_path, empty_ledger, change, words
):
    spoiled = changed(exported, tmp_path / "spoiled.zip", change)
    with pytest.raises(TransferError, match=words):
        restore(empty_ledger, spoiled, silent)
    assert is_empty(empty_ledger)


def test_half_an_export_is_refused(exported, tmp_path, empty_ledger):
    (tmp_path / "half.zip").write_bytes(exported.read_bytes()[:-5000])
    with pytest.raises(TransferError, match="damaged or no export"):
        restore(empty_ledger, tmp_path / "half.zip", silent)
    assert is_empty(empty_ledger)


def test_an_import_that_fails_half_way_leaves_the_ledger_empty(exported, empty_ledger):
    def fail_late(doing: str, done: int, of: int | None) -> None:
        if doing == "importing" and done == len(TABLES) - 2:
            raise RuntimeError("the disk is full")

    with pytest.raises(RuntimeError):
        restore(empty_ledger, exported, fail_late)
    assert is_empty(empty_ledger)


def test_a_ledger_that_holds_something_is_left_alone(exported, empty_ledger):
    empty_ledger.execute("INSERT INTO bay (slug, name, kind) VALUES ('mine', 'Mine', 'hub')")
    with pytest.raises(TransferError, match="the ledger is not empty: bay hold something already"):
        restore(empty_ledger, exported, silent)
    assert empty_ledger.execute("SELECT slug::text FROM bay").fetchall() == [("mine",)]


def test_an_empty_cell_is_null_and_an_empty_text_is_not():
    assert from_cell("text", "") is None
    assert from_cell("text", "'") == ""
