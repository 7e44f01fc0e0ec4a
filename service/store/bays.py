"""Bays, one dynamometer each, and what was done to them."""

from dataclasses import asdict
from datetime import datetime

from psycopg.rows import class_row

from service.domain.resources import Bay, BayEvent
from service.store.db import Connection

COLUMNS = "slug::text, name, kind, rollers, site, altitude_m, bay_id, version"
EVENT_COLUMNS = "bay.slug::text AS bay, at, bay_event.kind, note, bay_event_id, bay_event.version"


def get_bay(conn: Connection, slug: str) -> Bay | None:
    """A bay by its slug."""
    with conn.cursor(row_factory=class_row(Bay)) as cursor:
        return cursor.execute(f"SELECT {COLUMNS} FROM bay WHERE slug = %s", (slug,)).fetchone()  # noqa: S608


def list_bays(conn: Connection, *, after: str | None, limit: int) -> list[Bay]:
    """Bays in the order of their slugs, from after a slug."""
    with conn.cursor(row_factory=class_row(Bay)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS}
            FROM   bay
            WHERE  (%(after)s::text IS NULL OR slug > %(after)s)
            ORDER  BY slug
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"after": after, "limit": limit},
        ).fetchall()


def add_bay(conn: Connection, bay: Bay) -> Bay:
    """Insert a bay; its slug must be new."""
    with conn.cursor(row_factory=class_row(Bay)) as cursor:
        added = cursor.execute(
            f"""
            INSERT INTO bay (slug, name, kind, rollers, site, altitude_m)
            VALUES (%(slug)s, %(name)s, %(kind)s, %(rollers)s, %(site)s, %(altitude_m)s)
            RETURNING {COLUMNS}
            """,  # noqa: S608
            asdict(bay),
        ).fetchone()
    assert added is not None
    return added


def save_bay(conn: Connection, bay: Bay) -> Bay | None:
    """Write a changed bay over the version it was read at; None where that is not the newest any more."""
    with conn.cursor(row_factory=class_row(Bay)) as cursor:
        return cursor.execute(
            f"""
            UPDATE bay SET
                   slug = %(slug)s, name = %(name)s, kind = %(kind)s, rollers = %(rollers)s, site = %(site)s,
                   altitude_m = %(altitude_m)s, version = version + 1
            WHERE  bay_id = %(bay_id)s AND version = %(version)s
            RETURNING {COLUMNS}
            """,  # noqa: S608
            asdict(bay),
        ).fetchone()


def get_event(conn: Connection, slug: str, bay_event_id: int) -> BayEvent | None:
    """One event of a bay."""
    with conn.cursor(row_factory=class_row(BayEvent)) as cursor:
        return cursor.execute(
            f"""
            SELECT {EVENT_COLUMNS}
            FROM   bay_event JOIN bay USING (bay_id)
            WHERE  bay.slug = %s AND bay_event_id = %s
            """,  # noqa: S608
            (slug, bay_event_id),
        ).fetchone()


def list_events(
    conn: Connection, slug: str, *, after: tuple[datetime, int] | None, limit: int
) -> list[BayEvent]:
    """A bay's events in the order they happened, from after a (moment, id)."""
    moment, last_id = after or (None, None)
    with conn.cursor(row_factory=class_row(BayEvent)) as cursor:
        return cursor.execute(
            f"""
            SELECT {EVENT_COLUMNS}
            FROM   bay_event JOIN bay USING (bay_id)
            WHERE  bay.slug = %(slug)s
                   AND (%(moment)s::timestamptz IS NULL OR (at, bay_event_id) > (%(moment)s, %(id)s::bigint))
            ORDER  BY at, bay_event_id
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"slug": slug, "moment": moment, "id": last_id, "limit": limit},
        ).fetchall()


def add_event(conn: Connection, event: BayEvent) -> BayEvent:
    """Insert an event; its bay must be known."""
    with conn.cursor(row_factory=class_row(BayEvent)) as cursor:
        added = cursor.execute(
            f"""
            WITH bay_event AS (
                INSERT INTO bay_event (bay_id, at, kind, note)
                SELECT bay_id, %(at)s, %(kind)s, %(note)s FROM bay WHERE slug = %(bay)s
                RETURNING *
            )
            SELECT {EVENT_COLUMNS} FROM bay_event JOIN bay USING (bay_id)
            """,  # noqa: S608
            asdict(event),
        ).fetchone()
    assert added is not None
    return added


def save_event(conn: Connection, event: BayEvent) -> BayEvent | None:
    """Write a changed event over the version it was read at; None where that is not the newest any more."""
    with conn.cursor(row_factory=class_row(BayEvent)) as cursor:
        return cursor.execute(
            f"""
            WITH bay_event AS (
                UPDATE bay_event SET at = %(at)s, kind = %(kind)s, note = %(note)s, version = version + 1
                WHERE  bay_event_id = %(bay_event_id)s AND version = %(version)s
                RETURNING *
            )
            SELECT {EVENT_COLUMNS} FROM bay_event JOIN bay USING (bay_id)
            """,  # noqa: S608
            asdict(event),
        ).fetchone()
