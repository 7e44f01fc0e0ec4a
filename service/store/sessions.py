"""Keeping a posted session: what was measured, and what is derived from it, in the caller's one transaction."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import numpy as np
from psycopg.rows import class_row, kwargs_row

from service.domain.bay_correction import Period
from service.domain.derive import METHOD, SetupSummary
from service.domain.records import Finding, Part, PlatformFacts, PostedSession, PostedSetup
from service.store.bay_corrections import period_of
from service.store.db import Connection, Later, as_json, records


@dataclass(frozen=True, slots=True)
class LockedCar:
    """A vehicle whose row is held until the transaction ends, so that no other post looks for its pairs."""

    vehicle_id: int
    tag: str
    platform_slug: str
    merged_into: str | None
    platform: PlatformFacts


def ask_car(conn: Connection, tag: str) -> Later[LockedCar | None]:
    """Hold a vehicle's row, then read its platform, of which a change holds its cars; None where there is none such.
    FOR NO KEY UPDATE lets foreign keys pass."""
    conn.execute("SELECT FROM vehicle WHERE tag = %s FOR NO KEY UPDATE", (tag,))
    cursor = conn.execute(
        """
        SELECT vehicle_id, tag::text, slug::text,
               (SELECT own.tag::text FROM vehicle own WHERE own.vehicle_id = vehicle.merged_into), platform_id, aspiration, ignition, rpm_limit, rated_power_kw,
               charge_cooling, fuel_per_cycle, boost_ratio
        FROM   vehicle JOIN platform USING (platform_id)
        WHERE  tag = %s
        """,
        (tag,),
    )

    def car() -> LockedCar | None:
        row = cursor.fetchone()
        return row and LockedCar(row[0], row[1], row[2], row[3], PlatformFacts(*row[4:]))

    return car


def lock_car(conn: Connection, tag: str) -> LockedCar | None:
    """Hold a vehicle's row, now."""
    return ask_car(conn, tag)()


@dataclass(frozen=True, slots=True)
class PostingBay:
    """The bay a session came from, and the spread of its recent pulls."""

    bay_id: int
    altitude_m: float | None
    kind: str
    spread_ss: float
    spread_df: int
    corrections: tuple[Period, ...]


RECENT_SETUPS = 200
"""A bay's own pull spread is taken from this many of its newest setups (our choice)."""


def ask_posting_bay(conn: Connection, slug: str) -> Later[PostingBay | None]:
    """A bay by slug with the pooled sum of squares of its recent setups; None where there is no such bay.

    A set whose pulls disagree does not widen the spread by which the next one is judged.
    """
    cursor = conn.cursor(row_factory=kwargs_row(posting_bay))
    return cursor.execute(
        f"""
        SELECT bay_id, altitude_m, kind, spread_ss, spread_df,
               (SELECT jsonb_agg(to_jsonb(bay_correction)) FROM bay_correction
                WHERE  bay_correction.bay_id = bay.bay_id AND undone_at IS NULL) AS corrections
        FROM   bay
               CROSS JOIN LATERAL (
                   SELECT coalesce(sum(spread_ss), 0) AS spread_ss, coalesce(sum(spread_df), 0) AS spread_df
                   FROM   (SELECT spread_ss, spread_df FROM setup_summary
                           WHERE  setup_summary.bay_id = bay.bay_id AND counts AND NOT doubts @> '{{pulls-disagree}}'
                           ORDER  BY setup_id DESC LIMIT {RECENT_SETUPS}) recent
               ) spread
        WHERE  slug = %(bay)s
        """,  # noqa: S608
        {"bay": slug},
    ).fetchone


def posting_bay(corrections: list[dict[str, Any]] | None, **rest: Any) -> PostingBay:
    """A row with its corrections in force as periods."""
    return PostingBay(corrections=tuple(map(period_of, corrections or ())), **rest)


def plan_once(conn: Connection) -> None:
    """Until the transaction ends, take the plan of a statement that was planned before.

    Left to itself the server plans a post's questions anew each time, because it finds a span of time cheaper once it
    knows which: in a ledger of a million pulls that took three times as long as answering them.
    """
    conn.execute("SET LOCAL plan_cache_mode = force_generic_plan")


def hold_bay(conn: Connection, slug: str) -> None:
    """Hold a bay against a correction of its figures until the transaction ends; other posts pass.

    To be held before any car: a correction holds its bay, then the cars.
    """
    conn.execute("SELECT FROM bay WHERE slug = %s FOR KEY SHARE", (slug,))


def ask_parts(conn: Connection, slugs: Collection[str], cars: Collection[str] = ()) -> Later[dict[str, Part]]:
    """The known parts among these slugs, and those ever fitted to some cars (by tag), with their slots; by the slug that
    was asked for, one that was merged into another as that other."""
    cursor = conn.execute(
        """
        WITH wanted AS (
            SELECT part_id FROM part WHERE slug = ANY((SELECT %(slugs)s::text[])::text[])
            UNION
            SELECT unnest(part_ids)
            FROM   vehicle JOIN session USING (vehicle_id) JOIN setup USING (session_id)
            WHERE  tag = ANY((SELECT %(cars)s::text[])::text[])
        )
        SELECT   called.slug::text, own.part_id, own.slug::text, array_agg(slot::text)
        FROM     wanted
                 JOIN part called USING (part_id)
                 JOIN part own ON own.part_id = coalesce(called.merged_into, called.part_id)
                 JOIN part_slot ON part_slot.part_id = own.part_id
        GROUP BY called.part_id, own.part_id
        """,
        {"slugs": sorted(slugs), "cars": sorted(cars)},
    )
    return lambda: {called: Part(id, slug, frozenset(slots)) for called, id, slug, slots in cursor.fetchall()}


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


@dataclass(frozen=True, slots=True)
class AddedSession:
    """What the ledger itself put to a session: its keys and its times as they will be read back."""

    session_id: int
    started_at: datetime
    clock: datetime | None
    received_at: datetime
    setup_ids: list[int]


SETUP_VALUES = (
    "n", "label", "part_ids", "parts_known", "stock_checked", "ethanol", "octane", "octane_method",
    "spark_advance_deg", "lambda_probe",
)  # fmt: skip
ADD_SESSION = f"""
    WITH strapped AS (
        INSERT INTO session (id, vehicle_id, bay_id, started_at, operator, gear, ratio, tyre_size,
                             tyre_pressure_kpa, sequence, clock, content_hash, posted_by)
        VALUES (%(id)s, %(vehicle)s, %(bay)s, %(started_at)s, %(operator)s, %(gear)s, %(ratio)s, %(tyre_size)s,
                %(tyre_pressure)s, %(sequence)s, %(clock)s, %(hash)s, %(who)s)
        RETURNING session_id, started_at, clock, received_at
    ), states AS (
        INSERT INTO setup (session_id, {", ".join(SETUP_VALUES)})
        SELECT strapped.session_id, {", ".join(f"posted.{name}" for name in SETUP_VALUES)}
        FROM   strapped, json_populate_recordset(NULL::setup, %(setups)s) AS posted
        RETURNING setup_id, n
    ), fitted AS (
        INSERT INTO setup_part (setup_id, part_id, slot)
        SELECT setup_id, part_id, slot
        FROM   states JOIN json_to_recordset(%(fitted)s) AS posted (n smallint, part_id integer, slot text) USING (n)
    )
    SELECT session_id, started_at, clock, received_at, ARRAY(SELECT setup_id FROM states ORDER BY n) AS setup_ids
    FROM   strapped
"""  # noqa: S608


def add_session(
    conn: Connection,
    session: PostedSession,
    *,
    id: UUID,
    vehicle_id: int,
    bay_id: int,
    parts: Mapping[str, Part],
    content_hash: bytes,
    who: str,
) -> Later[AddedSession]:
    """Insert the strap-down with the states the car was in, their parts and slots; answers their keys."""
    values = {
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
        "setups": as_json(setup_row(setup, parts) for setup in session.setups),
        "fitted": as_json(
            {"n": setup.n, "part_id": parts[posted.slug].part_id, "slot": posted.slot}
            for setup in session.setups
            for posted in setup.parts
        ),
    }
    cursor = conn.cursor(row_factory=class_row(AddedSession)).execute(ADD_SESSION, values)

    def added() -> AddedSession:
        row = cursor.fetchone()
        assert row is not None
        return row

    return added


def setup_row(setup: PostedSetup, parts: Mapping[str, Part]) -> dict[str, object]:
    """One state of the car, by column."""
    return {
        "n": setup.n,
        "label": setup.label,
        "part_ids": sorted(parts[posted.slug].part_id for posted in setup.parts),
        "parts_known": setup.parts_known,
        "stock_checked": setup.stock_checked,
        "ethanol": setup.ethanol,
        "octane": setup.octane,
        "octane_method": setup.octane_method,
        "spark_advance_deg": setup.spark_advance_deg,
        "lambda_probe": setup.lambda_probe,
    }


def add_fitted(conn: Connection, setup_id: int, fitted: Sequence[tuple[int, str | None]]) -> None:
    """Name a setup's new parts and slots for the foreign keys."""
    if fitted:
        conn.execute(
            """
            INSERT INTO setup_part (setup_id, part_id, slot)
            SELECT %s, part, slot FROM unnest(%s::integer[], %s::text[]) AS fitted (part, slot)
            """,
            (setup_id, [part for part, _ in fitted], [slot for _, slot in fitted]),
        )


def known(value: float | None) -> float | None:
    """NaN means not known; the table says NULL."""
    return None if value is None or value != value else float(value)


SUMMARY_VALUES = (
    "pulls", "best_of", "level_standard", "factor", "temperature_c", "pressure_kpa", "vapour_kpa", "power_kw",
    "power_rpm", "power_best_kw", "torque_nm", "torque_rpm", "torque_best_nm", "coolant_c", "oil_c", "inlet_c",
    "lambda_mean", "map_max_kpa", "ramp_rpm_s", "spread_ss", "spread_df", "power_spread", "torque_spread", "speed_ratio",
    "power_slope", "best_of_recorded",
)  # fmt: skip
SUMMARY_KEYS = (
    "setup_id", "vehicle_id", "platform_id", "bay_id", "n_parts", "stock", "complete", "counts", "stock_checked", "doubts", "method",
)  # fmt: skip
SUMMARY_COLUMNS = SUMMARY_KEYS + SUMMARY_VALUES
CURVE_COLUMNS = ("setup_id", "first", "torque_nm", "channels", "channel_values")
KEEP_SUMMARIES = f"""
    WITH summaries AS (
        INSERT INTO setup_summary {records("setup_summary", SUMMARY_COLUMNS)}
        ON CONFLICT (setup_id) DO UPDATE SET {", ".join(f"{c} = excluded.{c}" for c in SUMMARY_COLUMNS[1:])}
        RETURNING vehicle_id
    ), told AS (
        INSERT INTO car_change (vehicle_id) SELECT DISTINCT vehicle_id FROM summaries
    )
    INSERT INTO setup_curve {records("setup_curve", CURVE_COLUMNS)}
    ON CONFLICT (setup_id) DO UPDATE SET {", ".join(f"{c} = excluded.{c}" for c in CURVE_COLUMNS[1:])}
"""  # noqa: S608


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
    """Write (or write anew) the summaries and mean curves of setups, and tell whoever follows that their car changed."""
    curves = [curve_row(keys.setup_id, summary) for keys, summary in rows]
    kept = as_json(summary_row(*row) for row in rows), as_json(row for row in curves if row is not None)
    conn.execute(KEEP_SUMMARIES, kept)
    gone = [keys.setup_id for (keys, _), row in zip(rows, curves, strict=True) if row is None]
    if gone:
        conn.execute("DELETE FROM setup_curve WHERE setup_id = ANY(%s)", (gone,))


def summary_row(keys: SummaryKeys, summary: SetupSummary) -> dict[str, object]:
    """One setup's summary, by column."""
    row: dict[str, object] = {name: getattr(keys, name) for name in SUMMARY_KEYS if name != "method"}
    row["method"] = METHOD
    row.update({name: getattr(summary, name) for name in SUMMARY_VALUES})
    return row


def curve_row(setup_id: int, summary: SetupSummary) -> dict[str, object] | None:
    """The known stretch of a mean curve and of what was recorded along it, as float32; None where nothing is known."""
    if summary.grid is None:
        return None
    known_at = np.flatnonzero(np.isfinite(summary.grid))
    if not len(known_at):
        return None
    first, last = int(known_at[0]), int(known_at[-1])
    reach = slice(first, last + 1)
    return {
        "setup_id": setup_id,
        "first": first,
        "torque_nm": summary.grid[reach].astype("<f4").tobytes(),
        "channels": list(summary.channels),
        "channel_values": b"".join(grid[reach].astype("<f4").tobytes() for grid in summary.channels.values()),
    }


FINDING_VALUES = ("setup_n", "pull_n", "code", "level", "message", "pointer")
ADD_FINDINGS = "INSERT INTO finding " + records("finding", ("session_id", *FINDING_VALUES))


def add_findings(conn: Connection, session_id: int, findings: Sequence[Finding]) -> None:
    """Keep what the checks at the door said."""
    if findings:
        rows = [
            {"session_id": session_id, **{name: getattr(f, name) for name in FINDING_VALUES}}
            for f in findings
        ]
        conn.execute(ADD_FINDINGS, (as_json(rows),))


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
