"""The whole history, or some cars' of it, as the history model reads it: one row a setup, in columns."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from psycopg.pq import TransactionStatus

from service.domain.correction import BASE_STANDARD, STANDARDS
from service.domain.derive import ANY_STANDARD, OBSERVED, UNKNOWN, best_of_shrink
from service.domain.engine import Engine
from service.domain.history import (
    BEST_OF_UNKNOWN,
    BayFacts,
    CarFacts,
    Catalogue,
    Floats,
    History,
    Ints,
    PartFacts,
    PlatformFacts,
)
from service.domain.levels import strap_down_ratios
from service.domain.measures import Measure
from service.domain.pairing import OF_THE_LEVEL
from service.store.db import Connection, Later, together

LEVELS: tuple[str | None, ...] = (None, ANY_STANDARD, OBSERVED, UNKNOWN, *STANDARDS)
"""A level by its code: a column of numbers is read at once."""


@dataclass(frozen=True, slots=True)
class Past:
    """A history, and what each row's stored power or torque was multiplied by to stand where its value stands; a curve
    of the row is brought there by the same."""

    history: History
    ratio: Floats


@contextmanager
def reading_once(conn: Connection) -> Iterator[None]:
    """All that is read within this is of one moment; within a transaction of the caller's it is as that one is.

    Reading a whole history, and working on it meanwhile, outlasts what a question may take, so those limits do not hold here.
    """
    if conn.info.transaction_status is not TransactionStatus.IDLE:
        yield
        return
    conn.execute(
        "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL statement_timeout = 0; "
        "SET LOCAL idle_in_transaction_session_timeout = 0"
    )
    try:
        yield
    finally:
        if not conn.broken:
            conn.rollback()


WHOLE: dict[str, str] = {
    "setup_id": "setup_id",
    "vehicle_id": "session.vehicle_id",
    "platform_id": "platform_id",
    "session_id": "session_id",
    "n": "n",
    "bay_id": "session.bay_id",
    "complete": "complete::int",
    "stock": "(stock AND setup.stock_checked IN ('verified', 'declared'))::int",
    "doubted": "(doubts <> '{}')::int",
    "level": "coalesce(array_position(%(levels)s::text[], level_standard), 1) - 1",
    "pulls": "pulls",
    "of_how_many": "coalesce(best_of, 0)",
    "recorded": "coalesce(best_of_recorded, false)::int",
    "spread_df": "spread_df",
}
"""Columns of whole numbers, none of them null."""
MEASURED: dict[str, str] = {
    "at": "extract(epoch FROM started_at) / 86400",
    "figure": "CASE WHEN %(torque)s THEN torque_nm ELSE power_kw END",
    "spread_ss": "spread_ss",
    "slope": "power_slope",
    "inlet_c": "inlet_c",
    "ethanol": "ethanol",
    "factor": "factor",
    "temperature_c": "temperature_c",
    "pressure_kpa": "pressure_kpa",
    "vapour_kpa": "vapour_kpa",
}
"""Columns of figures, NaN where one is not known."""

FOUND = [
    *(f"({column})::bigint AS {name}" for name, column in WHOLE.items()),
    *(f"coalesce(({column})::double precision, 'NaN') AS {name}" for name, column in MEASURED.items()),
]
SETUP_COLUMNS = {**dict.fromkeys(WHOLE, ">i8"), **dict.fromkeys(MEASURED, ">f8")}
FITTED_COLUMNS = {"setup_id": ">i8", "part_id": ">i8"}
"""Columns and what their elements are on the line."""

COUNTING = """
    FROM   setup_summary JOIN setup USING (setup_id) JOIN session USING (session_id)
    WHERE  counts AND (power_kw > 0 OR torque_nm > 0) AND doubts <@ %(of_the_level)s::text[]
"""
OF_CARS = " AND session.vehicle_id = ANY(%(cars)s)"

Columns = Mapping[str, NDArray[Any]]
"""Arrays of one length, by name."""


def past(conn: Connection, measure: Measure, standard: str) -> Past:
    """Every setup that counts and is not doubted but for its level; for a peak."""
    return read(conn, COUNTING, parameters(measure), standard)


def past_of(conn: Connection, measure: Measure, standard: str, vehicle_ids: Collection[int]) -> Past:
    """The same of some cars."""
    return read(conn, COUNTING + OF_CARS, {**parameters(measure), "cars": sorted(vehicle_ids)}, standard)


def read(conn: Connection, which: str, values: dict[str, Any], standard: str) -> Past:
    """The history of the setups that an SQL clause picks."""
    with together(conn):
        asked, engines = ask_columns(conn, which, values), ask_engines(conn)
        setups, fitted = asked()
        order = np.lexsort([setups[name] for name in ("n", "session_id", "at", "vehicle_id")])
        in_order = {name: column[order] for name, column in setups.items()}
        return past_from(in_order, fitted, engines(), standard)


def parameters(measure: Measure) -> dict[str, Any]:
    """What the questions take."""
    return {
        "torque": measure.quantity == "torque",
        "of_the_level": sorted(OF_THE_LEVEL),
        "levels": list(LEVELS),
    }


HEADER_BYTES = 20
ELEMENT = np.dtype([("bytes", ">i4"), ("value", "V8")])
"""An array as Postgres sends it (`array_send` in its source): number of dimensions, flags, kind, length and first place,
four bytes each; then every element after its length. Ours have one dimension, eight bytes an element and no null."""


def ask_columns(conn: Connection, which: str, values: dict[str, Any]) -> Later[tuple[Columns, Columns]]:
    """(setups, fitted): columns of the setups in no order, and which part was fitted in which.

    Each column is one array on the line: a hundred thousand rows are not looked at one by one. All of it is one
    statement, so that no setup is read without its parts.
    """
    cursor = conn.cursor(binary=True).execute(
        f"""
        WITH found AS (SELECT {", ".join(FOUND)}, part_ids {which}),
             fitted AS (SELECT setup_id, unnest(part_ids)::bigint AS part_id FROM found)
        SELECT * FROM (SELECT {arrays_of(SETUP_COLUMNS)} FROM found) of_setups,
                      (SELECT {arrays_of(FITTED_COLUMNS)} FROM fitted) of_parts
        """,  # noqa: S608
        values,
    )

    def columns() -> tuple[Columns, Columns]:
        sent = cursor.fetchone() or ()
        of_setups, of_parts = sent[: len(SETUP_COLUMNS)], sent[len(SETUP_COLUMNS) :]
        return read_columns(SETUP_COLUMNS, of_setups), read_columns(FITTED_COLUMNS, of_parts)

    return columns


def arrays_of(columns: Mapping[str, str]) -> str:
    """The SQL of columns as arrays in the form they have on the line."""
    return ", ".join(f"array_send(array_agg({name}))" for name in columns)


def read_columns(columns: Mapping[str, str], sent: Sequence[bytes | None]) -> Columns:
    """Columns from their arrays, by name; of no rows Postgres makes no array."""
    return {
        name: np.frombuffer(raw or b"", ELEMENT, offset=HEADER_BYTES if raw else 0)["value"]
        .view(kind)
        .astype(kind[1:])
        for (name, kind), raw in zip(columns.items(), sent, strict=True)
    }


def ask_engines(conn: Connection) -> Later[dict[int, Engine]]:
    """The engine of every platform."""
    cursor = conn.execute(
        "SELECT platform_id, ignition, aspiration, charge_cooling, fuel_per_cycle, boost_ratio FROM platform"
    )
    return lambda: {id: Engine(*engine) for id, *engine in cursor.fetchall()}


def past_from(rows: Columns, fitted: Columns, engines: dict[int, Engine], standard: str) -> Past:
    """Rows in order, brought to a standard; those that can be compared with nothing are left out."""
    ratio, levelled = to_standard(rows, engines, standard)
    part_start, part_id = parts_of_rows(rows["setup_id"], fitted)
    of_how_many = rows["of_how_many"]
    means = of_how_many == 0
    logs = np.log(np.where(rows["figure"] > 0, rows["figure"] * ratio / shrinks(of_how_many), np.nan))
    history = History(
        **{
            name: rows[name]
            for name in ("setup_id", "vehicle_id", "platform_id", "session_id", "bay_id", "at")
        },
        part_start=part_start,
        part_id=part_id,
        complete=rows["complete"] == 1,
        levelled=levelled,
        stock=rows["stock"] == 1,
        pulls=rows["pulls"],
        best_of=np.where(means | (rows["recorded"] == 1), of_how_many, BEST_OF_UNKNOWN),
        spread_ss=np.where(means, rows["spread_ss"], 0.0),
        spread_df=np.where(means, rows["spread_df"], 0),
        slope=rows["slope"],
        inlet_c=rows["inlet_c"],
        ethanol=rows["ethanol"],
        value=logs,
    )
    kept = np.flatnonzero(np.isfinite(ratio))
    return Past(history.take(kept), ratio[kept])


def shrinks(of_how_many: Ints) -> Floats:
    """What the summaries of peaks-only records were multiplied by, to stand for a mean; the model corrects them itself,
    with the spread that it finds."""
    counts, places = np.unique(of_how_many, return_inverse=True)
    return np.array([best_of_shrink(int(n)) if n else 1.0 for n in counts])[places]


def parts_of_rows(setup_ids: Ints, fitted: Columns) -> tuple[Ints, Ints]:
    """(starts, parts): the parts of each setup, in the order of the setups and ascending in each."""
    order = np.argsort(setup_ids)
    place = order[np.searchsorted(setup_ids, fitted["setup_id"], sorter=order)]
    starts = np.concatenate(([0], np.cumsum(np.bincount(place, minlength=len(setup_ids)))))
    return starts, fitted["part_id"][np.lexsort((fitted["part_id"], place))]


class Side(NamedTuple):
    """A setup's level and air."""

    level_standard: str | None
    factor: float | None
    temperature_c: float | None
    pressure_kpa: float | None
    vapour_kpa: float | None


def to_standard(
    rows: Columns, engines: Mapping[int, Engine], standard: str
) -> tuple[Floats, NDArray[np.bool_]]:
    """(ratio, levelled) of each row; NaN for one that can be compared with nothing.

    Most strap-downs stand at the base standard with nothing doubted; only the others are looked at one by one.
    """
    level, sessions = rows["level"], rows["session_id"]
    known_air = np.isfinite(rows["temperature_c"] + rows["pressure_kpa"] + rows["vapour_kpa"])
    at_base = (level == LEVELS.index(ANY_STANDARD)) & known_air & (standard == BASE_STANDARD)
    plain = (at_base | (level == LEVELS.index(standard))) & (rows["doubted"] == 0)
    ratio, levelled = np.ones(len(level)), plain.copy()
    starts = np.flatnonzero(np.diff(sessions, prepend=-1))
    ends = np.append(starts, len(sessions))[1:]
    looked_at = ~np.logical_and.reduceat(plain, starts) if len(starts) else plain
    sides = sides_of(rows) if looked_at.any() else []
    doubted, platforms = (rows["doubted"] == 1).tolist(), rows["platform_id"].tolist()
    for start, end in zip(starts[looked_at].tolist(), ends[looked_at].tolist(), strict=True):
        engine = engines[platforms[start]]
        found = strap_down_ratios(sides[start:end], doubted[start:end], standard, engine)
        for place, one in enumerate(found, start):
            ratio[place], levelled[place] = (np.nan, False) if one is None else one
    return ratio, levelled


def sides_of(rows: Columns) -> list[Side]:
    """Every row as `strap_down_ratios` takes it."""
    levels = [LEVELS[code] for code in rows["level"].tolist()]
    figures = (
        np.where(np.isnan(rows[name]), None, rows[name]).tolist()  # type: ignore[call-overload]
        for name in Side._fields[1:]
    )
    return list(map(Side, levels, *figures))


def catalogue(conn: Connection) -> Catalogue:
    """What all ids mean."""
    with together(conn):
        platforms = conn.execute("SELECT platform_id, slug::text, name, aspiration FROM platform")
        parts = conn.execute(
            """
            SELECT   part_id, part.slug::text, name, coalesce(string_agg(slot::text, '+' ORDER BY slot::text COLLATE "C"), ''),
                     variant_of
            FROM     part LEFT JOIN part_slot USING (part_id)
            GROUP BY part_id
            """
        )
        bays = conn.execute(
            """
            SELECT bay_id, slug::text, name, kind,
                   ARRAY(SELECT (extract(epoch FROM at) / 86400)::double precision FROM bay_event
                         WHERE  bay_event.bay_id = bay.bay_id ORDER BY at)
            FROM   bay
            """
        )
        cars = conn.execute("SELECT vehicle_id, tag::text, check_car FROM vehicle")
        return Catalogue(
            platforms={id: PlatformFacts(*rest) for id, *rest in platforms.fetchall()},
            parts={id: PartFacts(*rest) for id, *rest in parts.fetchall()},
            bays={
                id: BayFacts(slug, name, kind, tuple(events))
                for id, slug, name, kind, events in bays.fetchall()
            },
            cars={id: CarFacts(*rest) for id, *rest in cars.fetchall()},
        )


def cars_of(conn: Connection, vehicle_ids: Collection[int]) -> dict[int, CarFacts]:
    """What the ids of some cars mean."""
    rows = conn.execute(
        "SELECT vehicle_id, tag::text, check_car FROM vehicle WHERE vehicle_id = ANY(%s)",
        (sorted(vehicle_ids),),
    )
    return {id: CarFacts(*rest) for id, *rest in rows.fetchall()}
