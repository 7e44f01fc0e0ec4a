"""Slots: the places on a car where one part sits."""

from collections.abc import Sequence

from psycopg.rows import class_row

from service.domain.resources import Slot
from service.store.db import Connection


def list_slots(conn: Connection, *, after: int | None, limit: int) -> list[Slot]:
    """Slots in the order of air and fuel through the car, from after an ordinal."""
    with conn.cursor(row_factory=class_row(Slot)) as cursor:
        return cursor.execute(
            """
            SELECT slug::text, name, ordinal
            FROM   slot
            WHERE  (%(after)s::bigint IS NULL OR ordinal > %(after)s)
            ORDER  BY ordinal
            LIMIT  %(limit)s
            """,
            {"after": after, "limit": limit},
        ).fetchall()


def add_slot(conn: Connection, slot: Slot) -> Slot:
    """Insert a slot at the end; its slug must be new."""
    with conn.cursor(row_factory=class_row(Slot)) as cursor:
        added = cursor.execute(
            """
            INSERT INTO slot (slug, name, ordinal)
            SELECT %s, %s, coalesce(max(ordinal), 0) + 1 FROM slot
            RETURNING slug::text, name, ordinal
            """,
            (slot.slug, slot.name),
        ).fetchone()
    assert added is not None
    return added


def hold_slots(conn: Connection) -> None:
    """Hold the list of slots until the transaction ends, so that two new ones get two places in it."""
    conn.execute("SELECT pg_advisory_xact_lock(hashtext('slot'))")


def unknown_slots(conn: Connection, slugs: Sequence[str]) -> set[str]:
    """Those of these slots that there are not."""
    rows = conn.execute("SELECT slug::text FROM slot WHERE slug = ANY(%s)", (list(slugs),)).fetchall()
    return set(slugs) - {row[0] for row in rows}
