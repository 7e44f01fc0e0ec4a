"""Corrections of a bay's figures over a period: kept, listed, taken back; and which sessions they touch."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.domain.bay_correction import Correction, Period
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class BayCorrection:
    """What was found to be wrong with a bay's figures of a period, who said so, and who took it back."""

    correction_id: int
    bay: str
    starts_at: datetime
    ends_at: datetime
    factor: float | None
    temperature_k: float | None
    pressure_kpa: float | None
    basis: dict[str, Any] | None
    reason: str
    made_at: datetime
    made_by: str
    undone_at: datetime | None
    undone_by: str | None
    undone_why: str | None
    version: int


COLUMNS = """
    correction_id, bay.slug::text AS bay, starts_at, ends_at, factor, temperature_k, pressure_kpa, basis, reason, made_at,
    made_by, undone_at, undone_by, undone_why, bay_correction.version
"""


def period_of(row: dict[str, Any]) -> Period:
    """A correction's period, from its row as JSON."""
    names = ("correction_id", "factor", "temperature_k", "pressure_kpa", "basis")
    starts, ends = (datetime.fromisoformat(row[name]) for name in ("starts_at", "ends_at"))
    return Period(starts, ends, Correction(**{name: row[name] for name in names}))


def hold_bay(conn: Connection, slug: str) -> int | None:
    """Hold a bay until the transaction ends, so that nothing is posted from it meanwhile; None where there is none."""
    row = conn.execute("SELECT bay_id FROM bay WHERE slug = %s FOR UPDATE", (slug,)).fetchone()
    return row and int(row[0])


def hold_bay_of_session(conn: Connection, id: UUID) -> None:
    """Hold a session's bay against a correction of its figures; before any car is held."""
    conn.execute(
        "SELECT FROM bay WHERE bay_id = (SELECT bay_id FROM session WHERE id = %s) FOR KEY SHARE", (id,)
    )


def periods_of_bay(conn: Connection, slug: str) -> tuple[Period, ...]:
    """A bay's corrections in force."""
    rows = conn.execute(
        """
        SELECT to_jsonb(bay_correction) FROM bay_correction JOIN bay USING (bay_id)
        WHERE  bay.slug = %s AND undone_at IS NULL
        """,
        (slug,),
    ).fetchall()
    return tuple(period_of(row[0]) for row in rows)


def overlapping(conn: Connection, bay_id: int, starts_at: datetime, ends_at: datetime) -> list[int]:
    """The corrections in force whose period shares a moment with this one."""
    rows = conn.execute(
        """
        SELECT correction_id FROM bay_correction
        WHERE  bay_id = %s AND undone_at IS NULL AND starts_at < %s AND ends_at > %s
        ORDER  BY starts_at
        """,
        (bay_id, ends_at, starts_at),
    ).fetchall()
    return [row[0] for row in rows]


def add_correction(conn: Connection, bay_id: int, values: dict[str, Any], who: str) -> int:
    """Keep a correction; answers its number."""
    row = conn.execute(
        """
        INSERT INTO bay_correction
               (bay_id, starts_at, ends_at, factor, temperature_k, pressure_kpa, basis, reason, made_by)
        VALUES (%(bay)s, %(starts_at)s, %(ends_at)s, %(factor)s, %(temperature_k)s, %(pressure_kpa)s, %(basis)s,
                %(reason)s, %(who)s)
        RETURNING correction_id
        """,
        {
            **dict.fromkeys(("factor", "temperature_k", "pressure_kpa")),
            **values,
            "basis": None if values.get("basis") is None else Jsonb(values["basis"]),
            "bay": bay_id,
            "who": who,
        },
    ).fetchone()
    assert row is not None
    return int(row[0])


def end_correction(conn: Connection, correction_id: int, who: str, why: str) -> None:
    """Take a correction back; it can still be read."""
    conn.execute(
        """
        UPDATE bay_correction SET undone_at = now(), undone_by = %s, undone_why = %s, version = version + 1
        WHERE  correction_id = %s
        """,
        (who, why, correction_id),
    )


def get_correction(conn: Connection, slug: str, correction_id: int) -> BayCorrection | None:
    """One correction of a bay."""
    with conn.cursor(row_factory=class_row(BayCorrection)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS} FROM bay_correction JOIN bay USING (bay_id)
            WHERE  bay.slug = %s AND correction_id = %s
            """,  # noqa: S608
            (slug, correction_id),
        ).fetchone()


def list_corrections(conn: Connection, slug: str, *, after: int | None, limit: int) -> list[BayCorrection]:
    """A bay's corrections in the order they were made, also those taken back, from after a number."""
    with conn.cursor(row_factory=class_row(BayCorrection)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS} FROM bay_correction JOIN bay USING (bay_id)
            WHERE  bay.slug = %(slug)s AND correction_id > coalesce(%(after)s, 0)
            ORDER  BY correction_id LIMIT %(limit)s
            """,  # noqa: S608
            {"slug": slug, "after": after, "limit": limit},
        ).fetchall()


def count_pulls(conn: Connection, correction_id: int) -> int:
    """How many pulls' figures rest on a correction."""
    row = conn.execute("SELECT count(*) FROM pull WHERE correction_id = %s", (correction_id,)).fetchone()
    assert row is not None
    return int(row[0])


def sessions_in(conn: Connection, bay_id: int, starts_at: datetime, ends_at: datetime) -> list[UUID]:
    """A bay's sessions with a pull that began in a period, oldest first; a pull without a time of its own began with
    its session."""
    rows = conn.execute(
        """
        SELECT   session.id
        FROM     session JOIN setup USING (session_id) JOIN pull USING (setup_id)
        WHERE    bay_id = %(bay)s AND coalesce(pull.started_at, session.started_at) >= %(starts)s
                 AND coalesce(pull.started_at, session.started_at) < %(ends)s
        GROUP BY session_id
        ORDER BY session_id
        """,
        {"bay": bay_id, "starts": starts_at, "ends": ends_at},
    ).fetchall()
    return [row[0] for row in rows]


def hold_cars(conn: Connection, ids: Sequence[UUID]) -> None:
    """Hold the cars of some sessions, in the order of their tags as an amendment does."""
    conn.execute(
        """
        SELECT FROM vehicle WHERE vehicle_id IN (SELECT vehicle_id FROM session WHERE id = ANY (%s))
        ORDER BY tag FOR NO KEY UPDATE
        """,
        (list(ids),),
    )


def mark_pulls(conn: Connection, rows: Sequence[tuple[int, int | None, float | None, float | None]]) -> None:
    """Write which correction pulls' figures rest on, given as (pull_id, correction, posted power [kW], torque [N.m])."""
    with conn.cursor() as cursor:
        cursor.executemany(
            """
            UPDATE pull SET correction_id = %s, posted_power_kw = %s, posted_torque_nm = %s WHERE pull_id = %s
            """,
            [(correction, power, torque, pull_id) for pull_id, correction, power, torque in rows],
        )
