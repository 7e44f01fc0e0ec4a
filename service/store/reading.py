"""Reading what was measured: sessions with their setups and pulls, one pull's curve, pages of sessions."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from psycopg.rows import class_row

from service.domain.codec import EncodedTrace, decode_channels
from service.domain.derive import SetupFigures
from service.domain.engine import HasEngine
from service.store.conditions import only_given
from service.store.db import Connection, Later


@dataclass(frozen=True, slots=True)
class SessionRow(HasEngine):
    """A strap-down."""

    session_id: int
    id: UUID
    vehicle: str
    platform: str
    ignition: str
    aspiration: str
    charge_cooling: str | None
    fuel_per_cycle: float | None
    boost_ratio: float | None
    bay: str
    started_at: datetime
    operator: str | None
    gear: int | None
    ratio: float | None
    tyre_size: str | None
    tyre_pressure_kpa: float | None
    sequence: int | None
    clock: datetime | None
    received_at: datetime
    posted_by: str
    struck: str | None
    version: int


@dataclass(frozen=True, slots=True)
class SetupRow(SetupFigures):
    """A setup with its summary."""

    setup_id: int
    n: int
    label: str | None
    parts: list[dict[str, Any]]
    parts_known: str
    stock_checked: str
    ethanol: float | None
    octane: float | None
    octane_method: str | None
    spark_advance_deg: float | None
    lambda_probe: str | None
    struck: str | None
    doubts: list[str]


@dataclass(frozen=True, slots=True)
class PullRow:
    """One pull's scalars. Air and basis are as its bay's `correction` leaves them; its `recorded` holds them as they were
    posted."""

    pull_id: int
    setup_id: int
    n: int
    started_at: datetime | None
    temperature_c: float | None
    pressure_kpa: float | None
    humidity: float | None
    dew_point_c: float | None
    vapour_kpa: float | None
    coolant_c: float | None
    oil_c: float | None
    inlet_c: float | None
    inlet_end_c: float | None
    test: str | None
    ramp_rpm_s: float | None
    smoothing: Any
    source: str | None
    basis_standard: str | None
    basis_factor: float | None
    status: str
    reason: str | None
    best_of: int | None
    power_kw: float | None
    power_rpm: float | None
    torque_nm: float | None
    torque_rpm: float | None
    rpm_from: float | None
    rpm_to: float | None
    factor: float | None
    lambda_mean: float | None
    map_max_kpa: float | None
    struck: str | None
    posted_power_kw: float | None
    posted_torque_nm: float | None
    correction: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class FindingRow:
    """What a check said."""

    code: str
    level: str
    message: str
    pointer: str
    setup_n: int | None
    pull_n: int | None
    cleared_at: datetime | None
    cleared_by: str | None
    cleared_why: str | None


@dataclass(frozen=True, slots=True)
class SessionPair:
    """A pair in which one of a session's setups stands."""

    part: str
    against: str | None
    with_session: UUID
    with_n: int
    without_session: UUID
    without_n: int
    again_session: UUID | None
    again_n: int | None
    match: int
    held: bool
    usable: bool
    differs: list[dict[str, Any]]
    with_power_kw: float | None
    without_power_kw: float | None
    with_level: str | None
    without_level: str | None
    again_power_kw: float | None
    again_share: float | None
    again_is_with: bool | None


@dataclass(frozen=True, slots=True)
class WholeSession:
    """A session with everything that belongs to it."""

    session: SessionRow
    setups: list[SetupRow]
    pulls: list[PullRow]
    findings: list[FindingRow]
    pairs: list[SessionPair]


SESSION_COLUMNS = """
    session_id, session.id, vehicle.tag::text AS vehicle, platform.slug::text AS platform, ignition, aspiration,
    charge_cooling, fuel_per_cycle, boost_ratio, bay.slug::text AS bay,
    started_at, operator, gear, ratio, tyre_size, tyre_pressure_kpa, sequence, clock, received_at, posted_by, struck,
    session.version
"""
SESSION_TABLES = """
    session JOIN vehicle USING (vehicle_id) JOIN platform USING (platform_id) JOIN bay USING (bay_id)
"""


def ask_session(conn: Connection, id: UUID) -> Later[SessionRow | None]:
    """A session by its id."""
    query = f"SELECT {SESSION_COLUMNS} FROM {SESSION_TABLES} WHERE session.id = %s"  # noqa: S608
    return conn.cursor(row_factory=class_row(SessionRow)).execute(query, (id,)).fetchone


def get_session(conn: Connection, id: UUID) -> SessionRow | None:
    """A session by its id, now."""
    return ask_session(conn, id)()


def list_sessions(
    conn: Connection,
    *,
    before: tuple[datetime, int] | None,
    limit: int,
    vehicle: str | None = None,
    platform: str | None = None,
    bay: str | None = None,
    since: datetime | None = None,
) -> list[SessionRow]:
    """Sessions newest first, from before a (started_at, session_id); filters by tag, slugs and time."""
    at, key = before or (None, None)
    narrowed = only_given(
        {
            "(started_at, session_id) < (%(at)s, %(key)s)": at,
            "vehicle.tag = %(vehicle)s": vehicle,
            "platform.slug = %(platform)s": platform,
            "bay.slug = %(bay)s": bay,
            "started_at >= %(since)s": since,
        }
    )
    with conn.cursor(row_factory=class_row(SessionRow)) as cursor:
        return cursor.execute(
            f"""
            SELECT {SESSION_COLUMNS}
            FROM   {SESSION_TABLES}
            WHERE  {narrowed}
            ORDER  BY started_at DESC, session_id DESC
            LIMIT  %(limit)s
            """,  # noqa: S608
            {
                "at": at,
                "key": key,
                "vehicle": vehicle,
                "platform": platform,
                "bay": bay,
                "since": since,
                "limit": limit,
            },
        ).fetchall()


def setups_of_session(conn: Connection, id: UUID) -> Later[list[SetupRow]]:
    """The setups of a session in order."""
    cursor = conn.cursor(row_factory=class_row(SetupRow))
    return cursor.execute(
        """
        SELECT setup_id, n, label,
               coalesce((SELECT jsonb_agg(jsonb_build_object('part', part.slug, 'slot', setup_part.slot)
                                          ORDER BY part.slug COLLATE "C")
                         FROM   setup_part JOIN part USING (part_id)
                         WHERE  setup_part.setup_id = setup.setup_id), '[]') AS parts,
               parts_known, setup.stock_checked, ethanol, octane, octane_method, spark_advance_deg, lambda_probe, struck,
               pulls, best_of, level_standard, factor, temperature_c, pressure_kpa, vapour_kpa, power_kw,
               power_rpm, power_best_kw, power_spread, torque_nm, torque_rpm, torque_best_nm, torque_spread, doubts
        FROM   setup JOIN setup_summary USING (setup_id)
        WHERE  session_id = (SELECT session_id FROM session WHERE id = %s)
        ORDER  BY n
        """,
        (id,),
    ).fetchall


PULL_COLUMNS = """
    pull_id, setup_id, pull.n, started_at, pull.temperature_c + coalesce(fault.temperature_k, 0) AS temperature_c,
    pull.pressure_kpa + coalesce(fault.pressure_kpa, 0) AS pressure_kpa, humidity, dew_point_c, vapour_kpa, coolant_c,
    oil_c, inlet_c, inlet_end_c, test, ramp_rpm_s, smoothing, source,
    CASE WHEN fault.basis IS NULL THEN basis_standard ELSE fault.basis ->> 'standard' END AS basis_standard,
    CASE WHEN fault.basis IS NULL THEN basis_factor ELSE (fault.basis ->> 'factor')::double precision END
        AS basis_factor,
    status, pull.reason, best_of, power_kw, power_rpm, torque_nm, torque_rpm, rpm_from, rpm_to, pull.factor,
    lambda_mean, map_max_kpa, pull.struck, posted_power_kw, posted_torque_nm,
    CASE WHEN pull.correction_id IS NOT NULL THEN jsonb_build_object(
        'correction_id', correction_id, 'factor', fault.factor, 'temperature_k', fault.temperature_k,
        'pressure_kpa', fault.pressure_kpa, 'basis', fault.basis,
        'recorded', jsonb_build_object('temperature_c', pull.temperature_c, 'pressure_kpa', pull.pressure_kpa,
                                       'basis_standard', basis_standard, 'basis_factor', basis_factor)) END
        AS correction
"""
OF_A_BAY = "LEFT JOIN bay_correction fault USING (correction_id)"
"""What was found to be wrong with the bay's figures when a pull was run."""


def pulls_of_session(conn: Connection, id: UUID) -> Later[list[PullRow]]:
    """All pulls of a session, in order."""
    cursor = conn.cursor(row_factory=class_row(PullRow))
    return cursor.execute(
        f"""
        SELECT {PULL_COLUMNS}
        FROM   pull {OF_A_BAY} JOIN setup USING (setup_id)
        WHERE  session_id = (SELECT session_id FROM session WHERE id = %s)
        ORDER  BY setup.n, pull.n
        """,  # noqa: S608
        (id,),
    ).fetchall


def find_pull(conn: Connection, pull_id: int) -> tuple[PullRow, UUID, int] | None:
    """A pull with the session and setup number it belongs to."""
    with conn.cursor(row_factory=class_row(PullRow)) as cursor:
        pull = cursor.execute(
            f"SELECT {PULL_COLUMNS} FROM pull {OF_A_BAY} WHERE pull_id = %s",  # noqa: S608
            (pull_id,),
        ).fetchone()
    if pull is None:
        return None
    row = conn.execute(
        "SELECT session.id, setup.n FROM setup JOIN session USING (session_id) WHERE setup_id = %s",
        (pull.setup_id,),
    ).fetchone()
    assert row is not None
    return pull, row[0], row[1]


def channels_of_pulls(conn: Connection, pull_ids: list[int]) -> dict[int, dict[str, NDArray[np.float64]]]:
    """The raw channels of pulls, as they were posted, in SI."""
    rows = conn.execute(
        "SELECT pull_id, enc, channels, steps, samples, raw FROM pull_raw WHERE pull_id = ANY(%s)",
        (pull_ids,),
    ).fetchall()
    return {row[0]: decoded(*row[1:]) for row in rows}


def decoded(
    enc: int, names: list[str], steps: list[float], samples: int, raw: bytes
) -> dict[str, NDArray[np.float64]]:
    """One stored trace as its channels."""
    known = tuple(None if step != step else step for step in steps)
    return decode_channels(
        EncodedTrace(enc=enc, names=tuple(names), steps=known, samples=samples, raw=bytes(raw))
    )


def findings_of_session(conn: Connection, id: UUID) -> Later[list[FindingRow]]:
    """What the checks said about a session."""
    cursor = conn.cursor(row_factory=class_row(FindingRow))
    return cursor.execute(
        """
        SELECT code, level, message, pointer, setup_n, pull_n, cleared_at, cleared_by, cleared_why
        FROM   finding WHERE session_id = (SELECT session_id FROM session WHERE id = %s) ORDER BY finding_id
        """,
        (id,),
    ).fetchall


def pairs_of_session(conn: Connection, id: UUID) -> Later[list[SessionPair]]:
    """The before/after pairs in which a session's setups stand."""
    cursor = conn.cursor(row_factory=class_row(SessionPair))
    return cursor.execute(
        """
        WITH mine AS (SELECT setup_id FROM setup WHERE session_id = (SELECT session_id FROM session WHERE id = %s)),
             touched AS (
                 SELECT pair.* FROM pair JOIN mine ON setup_with = setup_id
                 UNION
                 SELECT pair.* FROM pair JOIN mine ON setup_without = setup_id
             )
        SELECT part.slug::text AS part, against.slug::text AS against,
               ws.id AS with_session, w.n AS with_n, os.id AS without_session, o.n AS without_n,
               rs.id AS again_session, r.n AS again_n, match, held, usable, differs,
               wm.power_kw AS with_power_kw, om.power_kw AS without_power_kw,
               wm.level_standard AS with_level, om.level_standard AS without_level,
               rm.power_kw AS again_power_kw, again_share, again_is_with
        FROM   touched
               JOIN part USING (part_id)
               LEFT JOIN part against ON against.part_id = against_id
               JOIN setup w ON w.setup_id = setup_with
               JOIN session ws ON ws.session_id = w.session_id
               JOIN setup_summary wm ON wm.setup_id = setup_with
               JOIN setup o ON o.setup_id = setup_without
               JOIN session os ON os.session_id = o.session_id
               JOIN setup_summary om ON om.setup_id = setup_without
               LEFT JOIN setup r ON r.setup_id = setup_again
               LEFT JOIN session rs ON rs.session_id = r.session_id
               LEFT JOIN setup_summary rm ON rm.setup_id = setup_again
        ORDER  BY part, against NULLS FIRST, match, ws.started_at, w.n, o.n
        """,
        (id,),
    ).fetchall
