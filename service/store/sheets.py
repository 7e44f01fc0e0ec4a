"""What a customer's sheet needs beside its sessions: who changed them since, their pair, and the bay's check cars."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg.rows import class_row

from service.store.db import Connection
from service.store.history import HistoryRow


def sessions_between(conn: Connection, first: UUID, last: UUID, most: int) -> list[UUID]:
    """The ids of sessions from one id to another, at most so many."""
    rows = conn.execute(
        "SELECT id FROM session WHERE id BETWEEN %s AND %s ORDER BY id LIMIT %s", (first, last, most)
    )
    return [row[0] for row in rows.fetchall()]


CHANGES = """
    WITH RECURSIVE
         sheet AS (SELECT 'sessions/' || id AS about FROM session WHERE id = ANY(%(sessions)s)),
         posted AS (
             SELECT min(history_id) AS first FROM history JOIN sheet USING (about) WHERE action = 'posted'
         ),
         of_sessions AS (
             SELECT history.* FROM history JOIN sheet
                    ON history.about = sheet.about OR starts_with(history.about, sheet.about || '/')
             WHERE  action <> 'posted'
         ),
         -- Every car the sessions ever stood under, so that moving one to another car never takes a change away.
         cars AS (
             SELECT vehicle.tag::text AS tag FROM session JOIN vehicle USING (vehicle_id) WHERE id = ANY(%(sessions)s)
             UNION
             SELECT before ->> 'vehicle' FROM of_sessions WHERE before ? 'vehicle'
         ),
         named AS (
             SELECT tag FROM cars
             UNION
             SELECT substr(before ->> 'about', length('vehicles/') + 1)
             FROM   history JOIN named ON about = 'vehicles/' || tag
             WHERE  action = 'renamed'
         ),
         of_cars AS (
             SELECT history.* FROM history JOIN named ON about = 'vehicles/' || tag JOIN posted ON history_id > first
             WHERE  action = 'changed' AND before ?| %(printed)s
         )
    SELECT history_id, at, who, about, action, before, after, reason FROM of_sessions
    UNION
    SELECT history_id, at, who, about, action, before, after, reason FROM of_cars
    ORDER  BY history_id
"""


def changes_of(conn: Connection, sessions: list[UUID], printed: list[str]) -> list[HistoryRow]:
    """Every change of these sessions, of what lies below them, and of the printed fields of their car since they were
    posted; oldest first."""
    with conn.cursor(row_factory=class_row(HistoryRow)) as cursor:
        return cursor.execute(CHANGES, {"sessions": sessions, "printed": printed}).fetchall()


def odometer_then(conn: Connection, vehicle_id: int, session: UUID) -> float | None:
    """The odometer of a car [km] as it stood in the ledger when a session was posted; None where it was not recorded."""
    row = conn.execute(
        """
        SELECT CASE WHEN later.before IS NULL THEN odometer_km
                    ELSE (later.before ->> 'odometer_km')::double precision END
        FROM   vehicle
               LEFT JOIN LATERAL (
                   SELECT before FROM history
                   WHERE  about = 'vehicles/' || tag AND action = 'changed' AND before ? 'odometer_km'
                          AND history_id > (SELECT min(history_id) FROM history
                                            WHERE about = 'sessions/' || %(session)s::uuid AND action = 'posted')
                   ORDER  BY history_id LIMIT 1
               ) later ON true
        WHERE  vehicle_id = %(vehicle)s
        """,
        {"vehicle": vehicle_id, "session": session},
    ).fetchone()
    return None if row is None else row[0]


def check_cars(conn: Connection) -> dict[int, str]:
    """The shop's check cars, by key, with their tags."""
    return dict(conn.execute("SELECT vehicle_id, tag::text FROM vehicle WHERE check_car").fetchall())


@dataclass(frozen=True, slots=True)
class SheetBay:
    """A bay with what was done to it last before a moment."""

    bay_id: int
    slug: str
    name: str
    kind: str
    event: str | None
    event_at: datetime | None


def bay_at(conn: Connection, slug: str, at: datetime) -> SheetBay:
    """A bay as it was at a moment."""
    with conn.cursor(row_factory=class_row(SheetBay)) as cursor:
        found = cursor.execute(
            """
            SELECT bay_id, slug::text, name, bay.kind, last.kind AS event, last.at AS event_at
            FROM   bay LEFT JOIN LATERAL (
                       SELECT kind, at FROM bay_event
                       WHERE  bay_event.bay_id = bay.bay_id AND at <= %(at)s AND kind <> 'other'
                       ORDER  BY at DESC LIMIT 1
                   ) last ON true
            WHERE  slug = %(slug)s
            """,
            {"slug": slug, "at": at},
        ).fetchone()
    assert found is not None
    return found


def events_of_bay(conn: Connection, bay_id: int) -> tuple[float, ...]:
    """When a bay's level may have stepped [days since 1970-01-01], ascending."""
    rows = conn.execute(
        "SELECT extract(epoch FROM at)::double precision / 86400 FROM bay_event WHERE bay_id = %s ORDER BY at",
        (bay_id,),
    )
    return tuple(row[0] for row in rows.fetchall())


def parts_of_setups(conn: Connection, setup_ids: list[int]) -> dict[str, dict[str, Any]]:
    """The parts fitted in some setups, by slug: name, slots, approval."""
    rows = conn.execute(
        """
        SELECT   part.slug::text, part.name, part.approval, array_agg(slot.slug::text ORDER BY ordinal) AS slots,
                 array_agg(slot.name ORDER BY ordinal) AS slot_names
        FROM     part JOIN part_slot USING (part_id) JOIN slot ON slot.slug = part_slot.slot
        WHERE    part_id IN (SELECT part_id FROM setup_part WHERE setup_id = ANY(%s))
        GROUP BY part.part_id
        """,
        (setup_ids,),
    )
    names = ("name", "approval", "slots", "slot_names")
    return {row[0]: dict(zip(names, row[1:], strict=True)) for row in rows.fetchall()}
