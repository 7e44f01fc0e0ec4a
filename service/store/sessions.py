"""Keeping a posted session: what was measured, and what is derived from it, in the caller's one transaction."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, LiteralString
from uuid import UUID

import numpy as np
from psycopg import Cursor
from psycopg.rows import class_row

from service.domain.codec import encode_channels
from service.domain.derive import METHOD, DerivedPull, SetupSummary
from service.domain.records import Finding, Part, PlatformFacts, PostedPull, PostedSession, PostedSetup
from service.store.db import Connection, Later, as_records, records


@dataclass(frozen=True, slots=True)
class LockedCar:
    """A vehicle whose row is held until the transaction ends, so that no other post looks for its pairs."""

    vehicle_id: int
    tag: str
    platform: PlatformFacts
    rpm_limit: float | None


def ask_car(conn: Connection, tag: str) -> Later[LockedCar | None]:
    """Hold a vehicle's row; None where there is no such vehicle. FOR NO KEY UPDATE lets foreign keys pass."""
    cursor = conn.execute(
        """
        SELECT vehicle_id, tag::text, platform_id, aspiration, ignition, rpm_limit, rated_power_kw
        FROM   vehicle JOIN platform USING (platform_id)
        WHERE  tag = %s
        FOR    NO KEY UPDATE OF vehicle
        """,
        (tag,),
    )

    def car() -> LockedCar | None:
        row = cursor.fetchone()
        return row and LockedCar(row[0], row[1], PlatformFacts(*row[2:]), row[5])

    return car


def lock_car(conn: Connection, tag: str) -> LockedCar | None:
    """Hold a vehicle's row, now."""
    return ask_car(conn, tag)()


@dataclass(frozen=True, slots=True)
class PostingBay:
    """The bay a session came from, and the spread of its recent pulls."""

    bay_id: int
    spread_ss: float
    spread_df: int


RECENT_SETUPS = 200
"""A bay's own pull spread is taken from this many of its newest setups (our choice)."""


def ask_posting_bay(conn: Connection, slug: str) -> Later[PostingBay | None]:
    """A bay by slug with the pooled sum of squares of its recent setups; None where there is no such bay."""
    cursor = conn.cursor(row_factory=class_row(PostingBay))
    return cursor.execute(
        """
        WITH recent AS (
            SELECT spread_ss, spread_df FROM setup_summary JOIN bay USING (bay_id)
            WHERE  bay.slug = %(bay)s AND counts
            ORDER  BY setup_id DESC LIMIT %(recent)s
        )
        SELECT bay_id, coalesce((SELECT sum(spread_ss) FROM recent), 0) AS spread_ss,
               coalesce((SELECT sum(spread_df) FROM recent), 0) AS spread_df
        FROM   bay WHERE slug = %(bay)s
        """,
        {"bay": slug, "recent": RECENT_SETUPS},
    ).fetchone


def ask_parts(conn: Connection, slugs: Sequence[str]) -> Later[dict[str, Part]]:
    """The known parts among these slugs, with their slots."""
    cursor = conn.execute(
        """
        SELECT   part_id, part.slug::text, array_agg(slot::text)
        FROM     part JOIN part_slot USING (part_id)
        WHERE    part.slug = ANY(%s)
        GROUP BY part_id
        """,
        (list(slugs),),
    )
    return lambda: {slug: Part(id, slug, frozenset(slots)) for id, slug, slots in cursor.fetchall()}


def parts_named(conn: Connection, slugs: Sequence[str]) -> dict[str, Part]:
    """The known parts among these slugs, now."""
    return ask_parts(conn, slugs)()


@dataclass(frozen=True, slots=True)
class KeptSession:
    """A session that is in the ledger already."""

    session_id: int
    id: UUID
    content_hash: bytes
    bay_id: int


def ask_kept(conn: Connection, id: UUID | None, bay: str, content_hash: bytes) -> Later[KeptSession | None]:
    """The session kept under this id, or with this content from this bay."""
    cursor = conn.cursor(row_factory=class_row(KeptSession))
    return cursor.execute(
        """
        SELECT session_id, id, content_hash, bay_id FROM session
        WHERE  id = %(id)s
               OR (bay_id = (SELECT bay_id FROM bay WHERE slug = %(bay)s) AND content_hash = %(hash)s)
        ORDER  BY id = %(id)s DESC LIMIT 1
        """,
        {"id": id, "bay": bay, "hash": content_hash},
    ).fetchone


def add_session(
    conn: Connection,
    session: PostedSession,
    *,
    id: UUID,
    vehicle_id: int,
    bay_id: int,
    content_hash: bytes,
    who: str,
) -> Later[int]:
    """Insert the strap-down itself; answers its key."""
    return first_number(
        conn.cursor(),
        """
        INSERT INTO session (id, vehicle_id, bay_id, started_at, operator, gear, ratio, tyre_size,
                             tyre_pressure_kpa, sequence, clock, content_hash, posted_by)
        VALUES (%(id)s, %(vehicle)s, %(bay)s, %(started_at)s, %(operator)s, %(gear)s, %(ratio)s, %(tyre_size)s,
                %(tyre_pressure)s, %(sequence)s, %(clock)s, %(hash)s, %(who)s)
        RETURNING session_id
        """,
        {
            "id": id,
            "vehicle": vehicle_id,
            "bay": bay_id,
            "started_at": session.started_at,
            "operator": session.operator,
            "gear": session.gear,
            "ratio": session.ratio,
            "tyre_size": session.tyre_size,
            "tyre_pressure": session.tyre_pressure_kpa,
            "sequence": session.sequence,
            "clock": session.clock,
            "hash": content_hash,
            "who": who,
        },
    )


def first_number(cursor: Cursor[Any], query: LiteralString, values: Mapping[str, object]) -> Later[int]:
    """Send a statement that answers one number."""
    cursor.execute(query, values)

    def number() -> int:
        row = cursor.fetchone()
        assert row is not None
        return int(row[0])

    return number


def add_setup(conn: Connection, session: UUID, setup: PostedSetup, parts: Mapping[str, Part]) -> Later[int]:
    """Insert one state of the car into the session of this id; answers its key. Its parts: `add_fitted`."""
    return first_number(
        conn.cursor(),
        """
        INSERT INTO setup (session_id, n, label, part_ids, parts_known, stock_checked, ethanol, octane,
                           octane_method, spark_advance_deg)
        VALUES ((SELECT session_id FROM session WHERE id = %(session)s), %(n)s, %(label)s, %(parts)s, %(parts_known)s,
                %(stock_checked)s, %(ethanol)s, %(octane)s, %(octane_method)s, %(spark)s)
        RETURNING setup_id
        """,
        {
            "session": session,
            "n": setup.n,
            "label": setup.label,
            "parts": sorted(parts[posted.slug].part_id for posted in setup.parts),
            "parts_known": setup.parts_known,
            "stock_checked": setup.stock_checked,
            "ethanol": setup.ethanol,
            "octane": setup.octane,
            "octane_method": setup.octane_method,
            "spark": setup.spark_advance_deg,
        },
    )


def add_fitted(conn: Connection, setup_id: int, fitted: Sequence[tuple[int, str | None]]) -> None:
    """Name a setup's parts and slots for the foreign keys."""
    if fitted:
        conn.execute(
            """
            INSERT INTO setup_part (setup_id, part_id, slot)
            SELECT %s, part, slot FROM unnest(%s::integer[], %s::text[]) AS fitted (part, slot)
            """,
            (setup_id, [part for part, _ in fitted], [slot for _, slot in fitted]),
        )


PULL_COLUMNS = (
    "setup_id", "n", "started_at", "temperature_c", "pressure_kpa", "humidity", "dew_point_c", "vapour_kpa",
    "coolant_c", "oil_c", "inlet_c", "inlet_end_c", "test", "ramp_rpm_s", "smoothing", "source", "basis_standard",
    "basis_factor", "status", "reason", "best_of", "power_kw", "power_rpm", "torque_nm", "torque_rpm", "rpm_from",
    "rpm_to", "factor", "lambda_mean", "map_max_kpa",
)  # fmt: skip
ADD_PULLS = "INSERT INTO pull " + records("pull", PULL_COLUMNS)


def known(value: float | None) -> float | None:
    """NaN means not known; the table says NULL."""
    return None if value is None or value != value else float(value)


def pull_row(setup_id: int, pull: PostedPull, derived: DerivedPull) -> dict[str, object]:
    """One pull's scalars, by column."""
    return {
        "setup_id": setup_id,
        "n": pull.n,
        "started_at": pull.started_at,
        "temperature_c": pull.temperature_c,
        "pressure_kpa": pull.pressure_kpa,
        "humidity": pull.humidity,
        "dew_point_c": pull.dew_point_c,
        "vapour_kpa": derived.vapour_kpa,
        "coolant_c": pull.coolant_c,
        "oil_c": pull.oil_c,
        "inlet_c": pull.inlet_c,
        "inlet_end_c": pull.inlet_end_c,
        "test": pull.test,
        "ramp_rpm_s": pull.ramp_rpm_s,
        "smoothing": pull.smoothing,
        "source": pull.source,
        "basis_standard": pull.basis_standard,
        "basis_factor": pull.basis_factor,
        "status": pull.status,
        "reason": pull.reason,
        "best_of": pull.best_of,
        "power_kw": known(derived.observed.power_kw),
        "power_rpm": known(derived.observed.power_rpm),
        "torque_nm": known(derived.observed.torque_nm),
        "torque_rpm": known(derived.observed.torque_rpm),
        "rpm_from": derived.rpm_from,
        "rpm_to": derived.rpm_to,
        "factor": derived.factor,
        "lambda_mean": derived.lambda_mean,
        "map_max_kpa": derived.map_max_kpa,
    }


def add_pulls(conn: Connection, rows: Sequence[tuple[int, PostedPull, DerivedPull]]) -> None:
    """Insert the scalars and the raw samples of several pulls, given as (setup_id, pull, derived)."""
    conn.execute(ADD_PULLS, as_records(pull_row(*row) for row in rows))
    raws = [raw_row(setup_id, pull) for setup_id, pull, _ in rows if pull.channels]
    if raws:
        conn.execute(
            """
            INSERT INTO pull_raw (pull_id, enc, channels, steps, samples, raw)
            SELECT pull_id, enc, channels, steps, samples, raw
            FROM   json_to_recordset(%s) AS posted (setup_id bigint, n smallint, enc smallint, channels text[],
                                                    steps double precision[], samples integer, raw bytea)
                   JOIN pull USING (setup_id, n)
            """,
            as_records(raws),
        )


def raw_row(setup_id: int, pull: PostedPull) -> dict[str, object]:
    """The raw channels of a pull as one compressed value, and where the pull stands."""
    trace = encode_channels(pull.channels, {name: pull.steps.get(name) for name in pull.channels})
    return {
        "setup_id": setup_id,
        "n": pull.n,
        "enc": trace.enc,
        "channels": trace.names,
        "steps": ["NaN" if step is None else step for step in trace.steps],
        "samples": trace.samples,
        "raw": trace.raw,
    }


SUMMARY_VALUES = (
    "pulls", "best_of", "level_standard", "factor", "temperature_c", "pressure_kpa", "vapour_kpa", "power_kw",
    "power_rpm", "power_best_kw", "torque_nm", "torque_rpm", "torque_best_nm", "coolant_c", "oil_c", "inlet_c",
    "lambda_mean", "map_max_kpa", "ramp_rpm_s", "spread_ss", "spread_df", "power_spread", "torque_spread",
)  # fmt: skip
SUMMARY_KEYS = (
    "setup_id", "vehicle_id", "platform_id", "bay_id", "n_parts", "stock", "complete", "counts", "stock_checked", "doubts", "method",
)  # fmt: skip
SUMMARY_COLUMNS = SUMMARY_KEYS + SUMMARY_VALUES
KEEP_SUMMARIES = (
    f"INSERT INTO setup_summary {records('setup_summary', SUMMARY_COLUMNS)} ON CONFLICT (setup_id) DO UPDATE SET "
    + ", ".join(f"{c} = excluded.{c}" for c in SUMMARY_COLUMNS[1:])
)


@dataclass(frozen=True, slots=True)
class SummaryKeys:
    """Where a summary belongs and whether it counts."""

    setup_id: int
    vehicle_id: int
    platform_id: int
    bay_id: int
    n_parts: int
    stock: bool
    complete: bool
    counts: bool
    stock_checked: str
    doubts: list[str]


def keep_summaries(conn: Connection, rows: Sequence[tuple[SummaryKeys, SetupSummary]]) -> None:
    """Write (or write anew) the summaries and mean curves of setups."""
    conn.execute(KEEP_SUMMARIES, as_records(summary_row(*row) for row in rows))
    curves = [curve_row(keys.setup_id, summary) for keys, summary in rows]
    conn.execute(KEEP_CURVES, as_records(row for row in curves if row is not None))
    gone = [keys.setup_id for (keys, _), row in zip(rows, curves, strict=True) if row is None]
    if gone:
        conn.execute("DELETE FROM setup_curve WHERE setup_id = ANY(%s)", (gone,))


def summary_row(keys: SummaryKeys, summary: SetupSummary) -> dict[str, object]:
    """One setup's summary, by column."""
    row: dict[str, object] = {name: getattr(keys, name) for name in SUMMARY_KEYS if name != "method"}
    row["method"] = METHOD
    row.update({name: getattr(summary, name) for name in SUMMARY_VALUES})
    return row


KEEP_CURVES = (
    f"INSERT INTO setup_curve {records('setup_curve', ('setup_id', 'first', 'torque_nm'))} "
    "ON CONFLICT (setup_id) DO UPDATE SET first = excluded.first, torque_nm = excluded.torque_nm"
)


def curve_row(setup_id: int, summary: SetupSummary) -> dict[str, object] | None:
    """The known stretch of a mean curve as float32; None where nothing is known."""
    if summary.grid is None:
        return None
    known_at = np.flatnonzero(np.isfinite(summary.grid))
    if not len(known_at):
        return None
    first, last = int(known_at[0]), int(known_at[-1])
    stretch = summary.grid[first : last + 1].astype("<f4").tobytes()
    return {"setup_id": setup_id, "first": first, "torque_nm": stretch}


FINDING_VALUES = ("setup_n", "pull_n", "code", "level", "message", "pointer")
ADD_FINDINGS = "INSERT INTO finding " + records("finding", ("session_id", *FINDING_VALUES))


def add_findings(conn: Connection, session_id: int, findings: Sequence[Finding]) -> None:
    """Keep what the checks at the door said."""
    if findings:
        rows = [
            {"session_id": session_id, **{name: getattr(f, name) for name in FINDING_VALUES}}
            for f in findings
        ]
        conn.execute(ADD_FINDINGS, as_records(rows))


def ask_parts_by_invoice(conn: Connection, tag: str, on: datetime) -> Later[set[str]]:
    """The parts that the car's modifications say were fitted on a day."""
    cursor = conn.execute(
        """
        SELECT part.slug::text
        FROM   modification JOIN part USING (part_id) JOIN vehicle USING (vehicle_id)
        WHERE  tag = %(car)s AND fitted_on < %(day)s::date AND (removed_on IS NULL OR removed_on > %(day)s::date)
        """,
        {"car": tag, "day": on},
    )
    return lambda: {row[0] for row in cursor.fetchall()}
