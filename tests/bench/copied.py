"""A ledger filled by COPY and set-based SQL, ending as if every session of a plan had been posted over HTTP.

Every setup of the plan takes its life's rows (`lived.py`) with new keys. Raw samples stay the same bytes, as only what a
step of torque is worth differs; power and torque are multiplied by how many times a life's step that is.

Equal to a post are all rows, their keys, and the sequences. Figures that are multiplied here are computed from multiplied
samples there: they agree to `DOUBLES` relative, logarithms' slopes, which are near nought, to `SLOPES`, and curves, which
are kept as float32, to `CURVES`. When a row was written, and by which transaction, is what it is. No foreign key is checked while loading; the test that compares both does.
"""

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing import get_context
from operator import itemgetter
from typing import Any, LiteralString
from uuid import uuid5

import numpy as np
import psycopg
from numpy.typing import NDArray
from psycopg import sql

from service.domain.pairing import MATCHES
from service.ledger.post import NAMESPACE
from service.store.pairs import STOCK
from tests.bench.lived import WHO, CannotBeLoaded, Connection, Lived, LivedPair, one
from tests.bench.lives import PULLS, TORQUE_STEP
from tests.bench.planned import Plan, Shop, documents
from tests.bench.templates import before, templates

Ints = NDArray[np.int64]

AT_ONCE = 5000
"""Setups that go into the ledger by one statement: their raw samples are sorted in memory."""
SORT_MEMORY = "256MB"
WORTH_A_PROCESS = 50_000
"""Pulls from which on the sessions' fingerprints are worked out beside."""
SCALED = frozenset({"power_kw", "power_best_kw", "torque_nm", "torque_best_nm"})
"""Columns that are so many times a life's own; spreads and slopes are of logarithms or ratios, and stay."""
CLOCKS = frozenset({"created_at", "received_at"})
"""Columns left to their defaults."""
NUMBERED = {
    "vehicle": "vehicle_id", "history": "history_id", "car_change": "change_id", "session": "session_id",
    "setup": "setup_id", "pull": "pull_id", "finding": "finding_id",
}  # fmt: skip
"""The key of each table that gives out numbers."""
DOUBLES, CURVES = 1e-9, 1e-6
"""How near a loaded figure lies to a posted one, relative."""
SLOPES = 1e-12
"""The same of differences of logarithms, absolute."""


def load(superuser_url: str, shop: Shop, plan: Plan, of_lives: Lived) -> None:
    """Fill a ledger that knows the shop, and has neither cars nor sessions, with a plan."""
    with psycopg.connect(superuser_url) as conn, ExitStack() as beside:
        refuse_filled(conn)
        hashing = hashed_beside(beside, shop, plan)
        conn.execute("SET LOCAL session_replication_role = replica")  # no foreign key is looked up row by row
        conn.execute(f"SET LOCAL work_mem = '{SORT_MEMORY}'")
        for name, rows in of_lives.tables.items():
            copy_in(conn, name, rows)
        numbers = Numbers.of(plan)
        add_cars(conn, shop, plan)
        add_setups(conn, plan, of_lives)
        add_pairs(conn, plan, of_lives, numbers)
        add_findings(conn, plan, of_lives)
        add_sessions(conn, shop, plan, of_lives, hashing())
        for table, key in NUMBERED.items():
            advance(conn, table, key)


def hashed_beside(stack: ExitStack, shop: Shop, plan: Plan) -> Callable[[], list[bytes]]:
    """The fingerprints of all sessions, worked out by a process of its own while Postgres copies; a few, at once."""
    if plan.pulls < WORTH_A_PROCESS:
        found = hashes(shop, plan)
        return lambda: found
    process = stack.enter_context(ProcessPoolExecutor(1, mp_context=get_context("spawn")))
    return process.submit(hashes, shop, plan).result


def hashes(shop: Shop, plan: Plan) -> list[bytes]:
    """The fingerprint of each session's content."""
    return [hashlib.sha256(document).digest() for document in documents(shop, plan)]


def refuse_filled(conn: Connection) -> None:
    """The keys given here begin at one."""
    for table in ("vehicle", "session", "setup", "pull"):
        if one(conn, sql.SQL("SELECT EXISTS (SELECT FROM {})").format(sql.Identifier(table))):
            raise CannotBeLoaded(
                f"there is a {table} in this ledger already; load into one that knows the shop only"
            )


@dataclass(frozen=True, slots=True)
class Numbers:
    """Where the setups of a car stand in a plan: `setup[first[car] + n]` is that of the n-th state of the car's life."""

    first: Ints
    setup: Ints

    @classmethod
    def of(cls, plan: Plan) -> "Numbers":
        """Of a plan."""
        at = templates()
        first = before(np.add.reduceat(at.setups, at.first_session)[plan.life])
        car = plan.car[plan.of]
        setup = np.empty(plan.setup.size, dtype=np.int64)
        setup[first[car] + plan.setup - at.first_setup[at.first_session][plan.life[car]]] = np.arange(
            plan.setup.size
        )
        return cls(first, setup)


def copy_in(conn: Connection, table: str, rows: bytes) -> None:
    """A table's rows of the lives into a temporary one beside it."""
    name = sql.Identifier(f"lived_{table}")
    conn.execute(sql.SQL("CREATE TEMP TABLE {} (LIKE {}) ON COMMIT DROP").format(name, sql.Identifier(table)))
    with conn.cursor().copy(sql.SQL("COPY {} FROM STDIN (FORMAT binary)").format(name)) as copy:
        copy.write(rows)
    conn.execute(sql.SQL("ANALYZE {}").format(name))


def planned(
    conn: Connection, name: str, columns: Mapping[str, str], rows: Iterable[Sequence[object]]
) -> None:
    """A temporary table of the plan's own columns, in order."""
    shape = sql.SQL(", ").join(sql.SQL(f"{column} {kind}") for column, kind in columns.items())
    conn.execute(sql.SQL("CREATE TEMP TABLE {} ({}) ON COMMIT DROP").format(sql.Identifier(name), shape))
    write(conn, name, columns, rows)
    conn.execute(sql.SQL("ANALYZE {}").format(sql.Identifier(name)))


def write(conn: Connection, table: str, columns: Iterable[str], rows: Iterable[Sequence[object]]) -> None:
    """COPY rows into some columns of a table."""
    names = sql.SQL(", ").join(map(sql.Identifier, columns))
    with conn.cursor().copy(sql.SQL("COPY {} ({}) FROM STDIN").format(sql.Identifier(table), names)) as copy:
        for row in rows:
            copy.write_row(row)


def take_over(
    conn: Connection, table: str, given: Mapping[str, LiteralString], source: LiteralString
) -> sql.Composed:
    """An INSERT of every column of a table: as given, multiplied where it scales, else as the life has it."""
    columns = [
        name
        for (name,) in conn.execute(
            "SELECT attname FROM pg_attribute WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped",
            (table,),
        ).fetchall()
        if name not in CLOCKS
    ]
    values = [
        sql.SQL(given[name])
        if name in given
        else sql.SQL("life.{} * plan.times" if name in SCALED else "life.{}").format(sql.Identifier(name))
        for name in columns
    ]
    return sql.SQL("INSERT INTO {} ({}) OVERRIDING SYSTEM VALUE SELECT {} ").format(
        sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, columns)), sql.SQL(", ").join(values)
    ) + sql.SQL(source)


def add_cars(conn: Connection, shop: Shop, plan: Plan) -> None:
    """Vehicles, and what adding each of them tells."""
    slugs = [platform["slug"] for platform in shop.platforms]
    rows = (
        (n, tag, p + 1, slugs[p])
        for n, (tag, p) in enumerate(zip(plan.tag, plan.platform.tolist(), strict=True), 1)
    )
    kinds = {"vehicle_id": "integer", "tag": "text", "platform_id": "integer", "platform": "text"}
    planned(conn, "plan_car", kinds, rows)
    given: dict[str, LiteralString] = {name: f"plan.{name}" for name in ("vehicle_id", "tag", "platform_id")}
    source: LiteralString = (
        "FROM plan_car plan, (SELECT * FROM lived_vehicle LIMIT 1) life ORDER BY plan.vehicle_id"
    )
    conn.execute(take_over(conn, "vehicle", given, source))
    conn.execute("INSERT INTO car_change (vehicle_id) SELECT vehicle_id FROM plan_car ORDER BY vehicle_id")
    conn.execute(
        """
        INSERT INTO history (who, about, action, after)
        SELECT %s, 'vehicles/' || tag, 'added',
               jsonb_build_object('tag', tag, 'platform', platform, 'model_year', NULL, 'odometer_km', NULL,
                                  'check_car', false, 'vin', NULL)
        FROM   plan_car ORDER BY vehicle_id
        """,
        (WHO,),
    )


def add_setups(conn: Connection, plan: Plan, of_lives: Lived) -> None:
    """Setups with all that lies below them."""
    kinds = {
        "setup_id": "bigint", "lived": "bigint", "session_id": "bigint", "vehicle_id": "integer",
        "platform_id": "integer", "bay_id": "integer", "part_ids": "integer[]", "step": "double precision",
        "times": "double precision",
    }  # fmt: skip
    planned(conn, "plan_setup", kinds, setup_rows(plan, of_lives))
    conn.execute("ALTER TABLE plan_setup ADD PRIMARY KEY (setup_id)")
    statements = statements_of_setups(conn)
    for first in range(1, plan.setup.size + 1, AT_ONCE):
        for statement in statements:
            conn.execute(statement, {"first": first, "last": first + AT_ONCE - 1, "pulls": PULLS})
    columns = ("setup_id", "first", "torque_nm", "channels", "channel_values")
    write(conn, "setup_curve", columns, curve_rows(plan, of_lives))


def setup_rows(plan: Plan, of_lives: Lived) -> Iterator[tuple[object, ...]]:
    """The plan's own columns of each setup."""
    fitted = templates().fitted
    car = plan.car[plan.of]
    columns = zip(
        of_lives.setup_id[plan.setup].tolist(),
        (plan.of + 1).tolist(),
        (car + 1).tolist(),
        (plan.platform[car] + 1).tolist(),
        (plan.bay[plan.of] + 1).tolist(),
        (sorted((own[on] + 1).tolist()) for own, on in zip(plan.parts[car], fitted[plan.setup], strict=True)),
        plan.step.tolist(),
        (plan.step / TORQUE_STEP).tolist(),
        strict=True,
    )
    return ((n, *row) for n, row in enumerate(columns, 1))


def statements_of_setups(conn: Connection) -> list[sql.Composed]:
    """What is copied for a run of setups."""
    keys: dict[str, LiteralString] = {
        name: f"plan.{name}"
        for name in ("setup_id", "session_id", "vehicle_id", "platform_id", "bay_id", "part_ids")
    }
    pull_id: LiteralString = "(plan.setup_id - 1) * %(pulls)s + {}.n"
    run: LiteralString = "WHERE plan.setup_id BETWEEN %(first)s AND %(last)s ORDER BY plan.setup_id"
    states: LiteralString = f"FROM plan_setup plan JOIN lived_{{}} life ON life.setup_id = plan.lived {run}"
    pulls: LiteralString = (
        f"FROM plan_setup plan JOIN lived_pull life ON life.setup_id = plan.lived {run}, life.n"
    )
    raws: LiteralString = (
        "FROM plan_setup plan JOIN lived_pull pull ON pull.setup_id = plan.lived "
        f"JOIN lived_pull_raw life USING (pull_id) {run}, pull.n"
    )
    at: LiteralString = "array_position(life.channels, 'torque')"
    steps: LiteralString = f"life.steps[: {at} - 1] || plan.step || life.steps[{at} + 1 :]"
    return [
        take_over(conn, "setup", keys, states.format("setup")),
        take_over(conn, "setup_summary", keys, states.format("setup_summary")),
        take_over(conn, "pull", {"setup_id": "plan.setup_id", "pull_id": pull_id.format("life")}, pulls),
        take_over(conn, "pull_raw", {"pull_id": pull_id.format("pull"), "steps": steps}, raws),
        sql.SQL(
            "INSERT INTO setup_part (setup_id, part_id) SELECT setup_id, unnest(part_ids) FROM plan_setup plan "
        )
        + sql.SQL(run),
    ]


def curve_rows(plan: Plan, of_lives: Lived) -> Iterator[tuple[object, ...]]:
    """Each setup's mean curve, its torque multiplied."""
    times = plan.step / TORQUE_STEP
    for n, (setup, by) in enumerate(zip(plan.setup.tolist(), times.tolist(), strict=True), 1):
        curve = of_lives.curves[setup]
        if curve is not None:
            first, torque, channels, along = curve
            yield n, first, (torque * by).astype("<f4").tobytes(), channels, along


PAIR_COLUMNS = (
    "platform_id", "part_id", "against_id", "vehicle_id", "setup_with", "setup_without", "setup_again", "at",
    "same_session", "match", "gap_days", "again_share", "again_is_with", "held", "usable", "differs",
)  # fmt: skip


def add_pairs(conn: Connection, plan: Plan, of_lives: Lived, numbers: Numbers) -> None:
    """Pairs in the order in which the sessions came that made them, and the evidence's versions that these moved."""
    made = [
        row for life, pairs in of_lives.pairs.items() for row in pairs_of_life(plan, numbers, life, pairs)
    ]
    rows = sorted(made, key=itemgetter(0))
    write(conn, "pair", PAIR_COLUMNS, (row[1:] for row in rows))
    touched = {(row[1], row[2], row[0]) for row in rows}
    versions = Counter((platform, part) for platform, part, _ in touched)
    versions.update((platform, STOCK) for platform in (plan.platform[plan.car] + 1).tolist())
    columns = ("platform_id", "part_id", "version")
    write(conn, "evidence_version", columns, ((*key, versions[key]) for key in sorted(versions)))


def pairs_of_life(
    plan: Plan, numbers: Numbers, life: int, pairs: Sequence[LivedPair]
) -> Iterator[tuple[Any, ...]]:
    """The rows of a life's pairs, of every car that lives it; before each the session that made it."""
    cars = np.flatnonzero(plan.life == life)
    for pair in pairs:
        with_, without = (numbers.setup[numbers.first[cars] + place] for place in (pair.with_, pair.without))
        again = [None] * cars.size
        if pair.again is not None:
            again = (numbers.setup[numbers.first[cars] + pair.again] + 1).tolist()
        sessions = plan.of[with_], plan.of[without]
        started = [plan.started[session] for session in sessions]
        other_bay = plan.bay[sessions[0]] != plan.bay[sessions[1]]
        match = np.where(other_bay, MATCHES.index("other-bay"), MATCHES.index("other-day"))
        columns = zip(
            np.maximum(*sessions).tolist(),
            (plan.platform[cars] + 1).tolist(),
            (plan.parts[cars, pair.part] + 1).tolist(),
            (
                (plan.parts[cars, pair.against] + 1) if pair.against >= 0 else np.full(cars.size, STOCK)
            ).tolist(),
            (cars + 1).tolist(),
            (with_ + 1).tolist(),
            (without + 1).tolist(),
            again,
            [datetime.fromtimestamp(at, UTC) for at in np.maximum(*started).tolist()],
            [pair.same_session] * cars.size,
            [pair.match] * cars.size if pair.same_session else match.tolist(),
            ((started[0] - started[1]) / 86_400.0).tolist(),
            strict=True,
        )
        yield from ((*row, *pair.rest) for row in columns)


def add_findings(conn: Connection, plan: Plan, of_lives: Lived) -> None:
    """What the door says of each session."""
    columns = ("session_id", "setup_n", "pull_n", "code", "level", "message", "pointer")
    told = np.flatnonzero(np.isin(plan.session, list(of_lives.findings)))
    rows = ((n + 1, *finding) for n in told.tolist() for finding in of_lives.findings[int(plan.session[n])])
    write(conn, "finding", columns, rows)


def add_sessions(conn: Connection, shop: Shop, plan: Plan, of_lives: Lived, hashed: Sequence[bytes]) -> None:
    """Strap-downs, and what keeping each of them tells."""
    bays = [bay["slug"] for bay in shop.bays]
    rows = (
        (n, *row, uuid5(NAMESPACE, bays[row[2] - 1] + own.hex()), own)
        for n, (row, own) in enumerate(zip(session_columns(plan, of_lives), hashed, strict=True), 1)
    )
    kinds = {
        "session_id": "bigint", "lived": "bigint", "vehicle_id": "integer", "bay_id": "integer",
        "started_at": "timestamptz", "sequence": "bigint", "id": "uuid", "content_hash": "bytea",
    }  # fmt: skip
    planned(conn, "plan_session", kinds, rows)
    given: dict[str, LiteralString] = {name: f"plan.{name}" for name in kinds if name != "lived"}
    source: LiteralString = "FROM plan_session plan JOIN lived_session life ON life.session_id = plan.lived ORDER BY plan.session_id"
    conn.execute(take_over(conn, "session", given, source))
    conn.execute(
        "INSERT INTO car_change (vehicle_id) SELECT vehicle_id FROM plan_session ORDER BY session_id"
    )
    conn.execute(
        "INSERT INTO history (who, about, action) SELECT %s, 'sessions/' || id, 'posted' FROM plan_session "
        "ORDER BY session_id",
        (WHO,),
    )


def session_columns(plan: Plan, of_lives: Lived) -> Iterator[tuple[Any, ...]]:
    """The plan's own columns of each session."""
    return zip(
        of_lives.session_id[plan.session].tolist(),
        (plan.car + 1).tolist(),
        (plan.bay + 1).tolist(),
        [datetime.fromtimestamp(at, UTC) for at in plan.started.tolist()],
        plan.sequence.tolist(),
        strict=True,
    )


def advance(conn: Connection, table: str, key: str) -> None:
    """Set a table's sequence where posting would have left it."""
    conn.execute(
        sql.SQL("SELECT setval(pg_get_serial_sequence(%s, %s), max({})) FROM {}").format(
            sql.Identifier(key), sql.Identifier(table)
        ),
        (table, key),
    )
