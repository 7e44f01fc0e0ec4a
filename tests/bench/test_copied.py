"""A loaded ledger is the one that posting the same sessions leaves: every table, every row, every key, every sequence."""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import psycopg
import pytest
from psycopg import sql

from service.local import LocalServer
from tests.bench import kept
from tests.bench.copied import CURVES, DOUBLES, SLOPES, load
from tests.bench.lived import FILLED, CannotBeLoaded, Lived, fill_shop, lived, post_plan, posting
from tests.bench.lives import ASKED_POSTED, LIVES, PATTERNS, STOCK_LIVES, USUAL, new_post, posted_car
from tests.bench.planned import (
    ASKED,
    ASKED_PLATFORMS,
    FEWEST_BAYS,
    Cars,
    Plan,
    Shop,
    bench_bays,
    in_order,
    parts_for,
    plan_of,
    shop_of,
    visits,
)
from tests.bench.templates import templates
from tests.conftest import new_database

pytestmark = pytest.mark.slow

CLOCKS = {"created_at", "received_at", "at", "made_at", "xid"}
"""Columns that say when, or in which transaction, a row was written."""
MEASURED = {("pair", "at")}
"""One of these names that says when a car was measured."""
SLOPING = {"power_slope"}
LIVED = (0, 1, 3, 4, 5, 7, 8, 11, 12, 20, STOCK_LIVES[0])
"""Lives of both engines: a part added, taken off again, replaced, several at once; a second visit; a note, a doubt."""
STOCK_CARS = 14
"""Cars without parts on one of two platforms: enough for the door to hold the others against them."""
PLATFORMS = (ASKED.index(ASKED_POSTED), ASKED_PLATFORMS + 1)
"""One of each engine."""


def sample() -> tuple[Shop, Plan]:
    """Two cars of every life, and stock cars, on two platforms and in two bays."""
    rng = np.random.default_rng(5)
    usual = [life for life in LIVED if life < USUAL]
    life = np.array([*[STOCK_LIVES[0]] * STOCK_CARS, *usual, *usual])
    tags = [posted_car(n) for n in range(life.size)]
    platform = np.array(PLATFORMS)[templates().engine[life]]
    cars = Cars(tags, platform, life, parts_for(life, rng), bench_bays(2))
    shop = shop_of(FEWEST_BAYS)
    return replace(shop, platforms=shop.platforms[: max(PLATFORMS) + 1]), in_order([visits(cars, rng)])


@dataclass(frozen=True)
class Both:
    """Two ledgers of the same sessions, what the lives came to that one of them was made from, and the addresses of both
    as service and owner."""

    posted: psycopg.Connection[Any]
    loaded: psycopg.Connection[Any]
    of_lives: Lived
    doors: list[tuple[str, str]]


def above(server: LocalServer, owner_url: str) -> str:
    """A database's address as the superuser."""
    name = urlsplit(owner_url).path
    return server.superuser_url.replace("/bayledger?", f"{name}?")


@pytest.fixture(scope="module")
def both(server: LocalServer) -> Iterator[Both]:
    shop, plan = sample()
    owner, service = new_database(server, "bench_shop")
    fill_shop(service, owner, shop)
    made = {
        name: new_database(server, f"bench_{name}", "bench_shop") for name in ("lives", "posted", "loaded")
    }
    owner, service = made["lives"]
    of_lives = lived(service, owner, above(server, owner), LIVED)
    owner, service = made["posted"]
    post_plan(service, owner, shop, plan)
    load(above(server, made["loaded"][0]), shop, plan, of_lives)
    with (
        psycopg.connect(above(server, made["posted"][0]), autocommit=True) as posted,
        psycopg.connect(above(server, made["loaded"][0]), autocommit=True) as loaded,
    ):
        yield Both(
            posted,
            loaded,
            of_lives,
            [(service, owner) for owner, service in (made["posted"], made["loaded"])],
        )


def rows_of(conn: psycopg.Connection[Any], table: str) -> list[dict[str, Any]]:
    """A table's rows in the order of their keys, without clocks."""
    found = conn.execute(
        """
        SELECT attname, attnum = ANY (indkey) FROM pg_attribute JOIN pg_index ON indrelid = attrelid AND indisprimary
        WHERE  attrelid = %s::regclass AND attnum > 0 ORDER BY attnum
        """,
        (table,),
    ).fetchall()
    names = [name for name, _ in found if name not in CLOCKS or (table, name) in MEASURED]
    keys = [name for name, is_key in found if is_key and name in names]
    query = sql.SQL("SELECT {} FROM {} ORDER BY {}").format(
        sql.SQL(", ").join(map(sql.Identifier, names)),
        sql.Identifier(table),
        sql.SQL(", ").join(map(sql.Identifier, keys)),
    )
    return [dict(zip(names, row, strict=True)) for row in conn.execute(query).fetchall()]


def tables_of(conn: psycopg.Connection[Any]) -> list[str]:
    """Every table of the ledger but that of the tokens: posting needed one more."""
    rows = conn.execute(
        "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace"
    )
    return sorted(name for (name,) in rows.fetchall() if name != "token")


def differences(posted: list[dict[str, Any]], loaded: list[dict[str, Any]]) -> list[tuple[str, Any, Any]]:
    """(column, posted, loaded) wherever two tables' rows are not the same; ("rows", ...) where one has more."""
    if len(posted) != len(loaded):
        return [("rows", len(posted), len(loaded))]
    return [
        (column, value, other[column])
        for one, other in zip(posted, loaded, strict=True)
        for column, value in one.items()
        if not same(column, value, other[column])
    ]


def same(column: str, posted: Any, loaded: Any) -> bool:
    """Whether two values are equal, figures to within their tolerance."""
    if column == "torque_nm" and isinstance(posted, bytes):
        curves = np.frombuffer(posted, "<f4"), np.frombuffer(loaded, "<f4")
        return curves[0].shape == curves[1].shape and np.allclose(
            *curves, rtol=CURVES, atol=0.0, equal_nan=True
        )
    if isinstance(posted, float) and isinstance(loaded, float):
        return math.isclose(posted, loaded, rel_tol=DOUBLES, abs_tol=SLOPES if column in SLOPING else 0.0)
    return bool(posted == loaded)


def unlike(both: Both) -> dict[str, list[tuple[str, Any, Any]]]:
    """The first differences of each table that is not the same in both."""
    found = {
        table: differences(rows_of(both.posted, table), rows_of(both.loaded, table))
        for table in tables_of(both.posted)
    }
    return {table: wrong[:5] for table, wrong in found.items() if wrong}


def test_every_table_of_a_loaded_ledger_is_that_of_a_posted_one(both: Both) -> None:
    assert unlike(both) == {}
    assert all(rows_of(both.loaded, table) for table in FILLED)


def test_what_is_posted_next_comes_to_the_same_in_both(both: Both) -> None:
    """The door finds the same company there, and has nothing to say of it."""
    said = len(rows_of(both.loaded, "finding"))
    for url, owner in both.doors:
        with posting(url, owner) as post:
            for number in range(3):
                post("/v1/sessions", new_post(number, setups=2))
    assert unlike(both) == {}
    assert len(rows_of(both.loaded, "finding")) == said


def test_every_sequence_stands_where_posting_left_it(both: Both) -> None:
    query = "SELECT sequencename, last_value FROM pg_sequences WHERE sequencename <> 'token_token_id_seq' ORDER BY 1"
    assert both.loaded.execute(query).fetchall() == both.posted.execute(query).fetchall()


def test_the_sample_holds_what_can_befall_a_car(both: Both) -> None:
    """Else the two ledgers could be equal for want of anything that differs."""
    kinds = "SELECT DISTINCT match, held, usable, against_id <> 0, setup_again IS NOT NULL FROM pair"
    found = set(both.loaded.execute(kinds).fetchall())
    assert {match for match, *_ in found} == {0, 1, 3, 4}
    for place in range(1, 5):
        assert {kind[place] for kind in found} == {True, False}
    assert {row["level"] for row in rows_of(both.loaded, "finding")} == {"doubtful", "note"}
    stock = Counter(row["platform_id"] for row in rows_of(both.loaded, "setup_summary") if row["stock"])
    assert max(stock.values()) > 8


def test_a_figure_that_is_off_in_the_ninth_digit_is_seen(both: Both) -> None:
    rows = rows_of(both.posted, "setup_summary")
    off = [{**rows[0], "power_kw": rows[0]["power_kw"] * (1.0 + 2.0 * DOUBLES)}, *rows[1:]]
    assert [column for column, *_ in differences(rows, off)] == ["power_kw"]
    curves = rows_of(both.posted, "setup_curve")
    raised = (np.frombuffer(curves[0]["torque_nm"], "<f4") * np.float32(1.00001)).tobytes()
    assert [column for column, *_ in differences(curves, [{**curves[0], "torque_nm": raised}, *curves[1:]])]


def test_a_ledger_with_cars_in_it_is_not_loaded(both: Both) -> None:
    shop, plan = sample()
    with pytest.raises(CannotBeLoaded, match="there is a vehicle in this ledger already"):
        load(both.loaded.info.dsn, shop, plan, both.of_lives)


def test_what_is_asked_about_is_the_same_in_every_size() -> None:
    """Of each asked car: its life, parts, and every session's bay, time and torque."""

    def asked(plan: Plan) -> set[tuple[Any, ...]]:
        rows = zip(plan.of.tolist(), plan.setup.tolist(), plan.step.tolist(), strict=True)
        return {
            (tag, setup, step, int(plan.bay[of]), int(plan.started[of]), *plan.parts[plan.car[of]].tolist())
            for of, setup, step in rows
            if (tag := plan.tag[plan.car[of]]).startswith("asked-")
        }

    small, large = plan_of(8_000)[1], plan_of(60_000)[1]
    assert asked(small) == asked(large)
    assert abs(small.pulls - 8_000) <= 60
    assert abs(large.pulls - 60_000) <= 60


def test_no_bay_has_two_cars_at_once_or_one_life_twice_on_a_day() -> None:
    plan = plan_of(60_000)[1]
    places = list(zip(plan.bay.tolist(), plan.started.tolist(), strict=True))
    assert len(set(places)) == len(places)
    days = list(
        zip(plan.bay.tolist(), (plan.started // 86_400).tolist(), plan.life[plan.car].tolist(), strict=True)
    )
    assert len(set(days)) == len(days)


def test_a_history_that_the_disk_cannot_hold_is_not_begun(tmp_path: Path) -> None:
    with pytest.raises(kept.NoRoom, match="are needed: name another folder"):
        kept.build(10**9, tmp_path / "ledger")
    assert not (tmp_path / "ledger").exists()


def test_lives_befall_cars_of_every_pattern_and_engine() -> None:
    usual = LIVES[:USUAL]
    assert {(life.sessions, life.engine) for life in usual} == {
        (sessions, engine) for _, sessions in PATTERNS for engine in (0, 1)
    }
