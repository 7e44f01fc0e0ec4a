"""What is measured beside the ledger answers the same as the ledger: over HTTP as shown, and to the last digits inside."""

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask import Flask

from service.answers.cache import Kept
from service.answers.pairs_gain import Asked, PairsGain, pairs_gain
from service.domain.measures import Measure
from service.local import LocalServer
from service.schemas.answer_documents import rounded
from service.store.db import Connection
from service.store.evidence import find_question
from service.store.settings import shop_in_force
from tests.api.conftest import filled, over
from tests.bench.rivals import all_rivals, files, finding
from tests.bench.rivals.awkward import PART, PARTS, PLATFORM, fill
from tests.bench.rivals.in_pandas import OverParquet
from tests.bench.rivals.in_sqlite import InSQLite
from tests.bench.rivals.known import known_of
from tests.bench.rivals.rival import Curve, Rival, Scalars
from tests.conftest import Client
from tests.tokens import as_the_service, new_token

LAST_DIGITS = 1e-9
"""Answers worked out from the same float64 in another order differ by less [%]."""
NAMES = (
    "SQLite, the same tables",
    *(
        f"{who} over {what}"
        for what in ("Parquet", "Parquet as posted")
        for who in ("Polars", "DuckDB", "pandas")
    ),
    "pandas over CSV",
)


@pytest.fixture(scope="module")
def ledger_url(built_app: Flask, server: LocalServer, stoats_template: str) -> str:
    """A database with the awkward cars."""
    return filled(built_app, server, "awkward", "stoats", fill)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the files go."""
    return tmp_path_factory.mktemp("rivals")


@pytest.fixture(scope="module")
def rivals(ledger_url: str, folder: Path) -> Iterator[dict[str, Rival]]:
    """All of them, by name."""
    with all_rivals(ledger_url, folder, csv=True) as opened:
        assert [rival.name for rival in opened] == list(NAMES)
        yield {rival.name: rival for rival in opened}


@pytest.fixture
def line(ledger_url: str) -> Iterator[Connection]:
    """A connection to that database."""
    with as_the_service(ledger_url) as conn:
        yield conn


@pytest.fixture
def counter(built_app: Flask, line: Connection) -> Iterator[Client]:
    """A client that reads there."""
    app = over(built_app, line)
    with line.transaction(force_rollback=True):
        yield Client(app.test_client(), new_token(line, scope="read", name="counter"))


def own(conn: Connection, part: str) -> PairsGain:
    """The ledger's own answer, before it is rounded."""
    question = find_question(conn, PLATFORM, part, None)
    assert question is not None
    measure, shop = Measure("peak_power"), shop_in_force(conn)
    asked = Asked(measure, shop["standard"], 0.9, None, None, curve=True, pairs=False)
    return pairs_gain(conn, question, asked, shop, Kept(1))


def percent(log: Any) -> Any:
    """A gain in logs as percent."""
    return 100 * np.expm1(log)


def unlike(found: Scalars | None, ledger: PairsGain) -> list[str]:
    """In what the scalars differ from the ledger's."""
    pooled = ledger.pooled
    if found is None or pooled is None:
        return [] if found is pooled else ["answered at all"]
    ours = [pooled.mean, *(pooled.interval or ()), *(pooled.next_interval or ())]
    theirs = [found.typical_percent, *(found.interval_percent or ()), *(found.next_car_percent or ())]
    far = len(ours) != len(theirs) or not np.allclose(
        theirs, percent(np.array(ours)), rtol=0, atol=LAST_DIGITS
    )
    return ["figures"] * far + ["cars"] * (found.cars != ledger.cars)


def unlike_curve(found: Curve | None, ledger: PairsGain) -> list[str]:
    """In what the curve differs from the ledger's."""
    ours = ledger.curve
    if found is None or ours is None:
        return [] if found is ours else ["drawn at all"]
    if not (np.array_equal(found.rpm, ours.rpm) and np.array_equal(found.cars, ours.cars)):
        return ["speeds or cars"]
    names = {
        "typical": ours.mean,
        "low": ours.low,
        "high": ours.high,
        "next_low": ours.next_low,
        "next_high": ours.next_high,
    }
    return [
        name
        for name, log in names.items()
        if not np.allclose(
            getattr(found, f"{name}_percent"), percent(log), rtol=0, atol=LAST_DIGITS, equal_nan=True
        )
    ]


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("name", NAMES)
def test_every_rival_answers_as_the_ledger_does(rivals, line, name, part):
    ledger, rival = own(line, part), rivals[name]
    assert ledger.cars >= 1
    assert unlike(rival.scalars(PLATFORM, part), ledger) == []
    assert unlike_curve(rival.curve(PLATFORM, part), ledger) == []


@pytest.mark.parametrize("name", NAMES)
def test_what_a_rival_answers_is_what_the_ledger_shows_over_http(rivals, counter, name):
    shown = counter.get(f"/v1/typical-gain?platform={PLATFORM}&part={PART}&model=false").json
    scalars, curve = rivals[name].scalars(PLATFORM, PART), rivals[name].curve(PLATFORM, PART)
    told = shown["pairs_only"]
    assert scalars.cars == shown["evidence"]["cars"]
    assert rounded(scalars.typical_percent) == told["typical_percent"]
    assert [rounded(end) for end in scalars.interval_percent] == told["interval_percent"]
    assert [rounded(end) for end in scalars.next_car_percent] == told["next_car_percent"]
    assert curve.rpm.tolist() == shown["curve"]["rpm"]
    assert curve.cars.tolist() == shown["curve"]["cars"]
    for side in ("typical", "low", "high", "next_low", "next_high"):
        # Four digits are shown.
        theirs = getattr(curve, f"{side}_percent")
        assert theirs == pytest.approx(
            np.array(shown["curve"][f"{side}_percent"], float), rel=6e-4, nan_ok=True
        )


def test_nobody_answers_where_nothing_was_compared(rivals):
    for rival in rivals.values():
        assert rival.scalars(PLATFORM, "never-fitted") is None
        assert rival.curve(PLATFORM, "never-fitted") is None


def test_the_ledger_holds_every_awkward_case(line):
    """Else the other tests would not say much."""
    pair = "FROM pair JOIN part USING (part_id) WHERE part.slug = %s AND against_id = 0"
    found = line.execute(
        f"SELECT DISTINCT match, held, usable, setup_again IS NOT NULL {pair}", (PART,)
    ).fetchall()
    assert {match for match, *_ in found} == {0, 1, 2, 3, 4, 5}
    assert {(held, usable) for _, held, usable, _ in found} == {
        (a, b) for a in (True, False) for b in (True, False)
    }
    most = line.execute(
        f"SELECT max(n) FROM (SELECT count(*) AS n {pair} GROUP BY vehicle_id) AS of_car", (PART,)
    ).fetchone()
    assert most is not None
    assert most[0] > finding.PAIRS_PER_CAR
    assert line.execute("SELECT count(*) > 0 FROM pair WHERE against_id <> 0").fetchone() == (True,)
    levels = {
        level for (level,) in line.execute("SELECT DISTINCT level_standard FROM setup_summary").fetchall()
    }
    assert {"any", "observed", "din-70020"} <= levels


WRONG: dict[str, Callable[..., Any]] = {
    # Each rule of finding, and what would be there without it.
    "repeats": lambda setups, with_, without: (
        np.full(len(with_), finding.NOBODY),
        np.full(len(with_), np.nan),
        np.ones(len(with_), bool),
    ),
    "doubted": lambda setups, with_, without, again, same: np.zeros(len(with_), bool),
    "matches": lambda setups, with_, without, gap, same, aba: np.zeros(len(with_), int),
    "held": lambda setups, with_, without, part, known, same: np.ones(len(with_), bool),
    "one_footing": lambda setups, a, b: np.ones(len(a), bool),
    "place_within": lambda group: np.zeros(len(group), int),
}


@pytest.mark.parametrize("rule", WRONG)
def test_a_rival_that_breaks_a_rule_is_found_out(rivals, line, monkeypatch, rule):
    monkeypatch.setattr(finding, rule, WRONG[rule])
    found = rivals["pandas over Parquet"].scalars(PLATFORM, PART)
    assert unlike(found, own(line, PART)) != []


def test_a_file_with_one_wrong_figure_is_found_out(line, tmp_path):
    known = known_of(line)
    files.write_sqlite(line, tmp_path / "setups.sqlite")
    sqlite = InSQLite(tmp_path / "setups.sqlite", known)
    assert unlike(sqlite.scalars(PLATFORM, PART), own(line, PART)) == []
    sqlite.close()
    with_one = "UPDATE setup_summary SET power_kw = power_kw * 1.000001 WHERE setup_id = (SELECT min(setup_with) FROM pair WHERE usable AND against_id = 0)"
    with sqlite3.connect(tmp_path / "setups.sqlite") as file:
        assert file.execute(with_one).rowcount == 1
    spoiled = InSQLite(tmp_path / "setups.sqlite", known)
    assert unlike(spoiled.scalars(PLATFORM, PART), own(line, PART)) == ["figures"]
    spoiled.close()


def test_a_curve_with_one_wrong_figure_is_found_out(line, tmp_path, monkeypatch):
    rows = list(files.posted_setups(line))
    pair = line.execute(
        "SELECT min(setup_with) FROM pair WHERE usable AND against_id = 0 AND same_session"
    ).fetchone()
    assert pair is not None
    (row,) = (row for row in rows if row["setup_id"] == pair[0])
    torque = np.frombuffer(row["curve"], "<f4").copy()
    torque[60] *= 1.00001
    row["curve"] = torque.tobytes()
    monkeypatch.setattr(files, "posted_setups", lambda conn, by_platform: iter(rows))
    files.write_parquet(line, tmp_path / "setups.parquet")
    spoiled = OverParquet(tmp_path / "setups.parquet", known_of(line))
    assert unlike(spoiled.scalars(PLATFORM, PART), own(line, PART)) == []
    assert "typical" in unlike_curve(spoiled.curve(PLATFORM, PART), own(line, PART))


@pytest.mark.parametrize("by_platform", [True, False])
def test_the_order_and_the_row_groups_of_the_file_change_no_answer(line, tmp_path, by_platform):
    path = tmp_path / "setups.parquet"
    files.write_parquet(line, path, by_platform=by_platform, row_group=7, compression="lz4", split=True)
    rival = OverParquet(path, known_of(line))
    assert unlike(rival.scalars(PLATFORM, PART), own(line, PART)) == []
    assert unlike_curve(rival.curve(PLATFORM, PART), own(line, PART)) == []


def test_files_hold_every_posted_setup_and_their_size_is_told(rivals, line, folder):
    (setups,) = line.execute("SELECT count(*) FROM setup_summary").fetchone() or (0,)
    assert len(list(files.posted_setups(line))) == setups
    sizes = {rival.name: rival.disk_bytes for rival in rivals.values()}
    assert sizes["DuckDB over Parquet"] == (folder / "setups.parquet").stat().st_size
    assert sizes["SQLite, the same tables"] == (folder / "derived.sqlite").stat().st_size
    assert sizes["pandas over CSV"] == (folder / "setups.csv").stat().st_size
    assert [field.name for field in fields(Scalars)] == [
        "typical_percent",
        "interval_percent",
        "next_car_percent",
        "cars",
    ]
