"""Modifications: when a part went on a car and came off, and what was paid."""

from dataclasses import asdict
from datetime import date

from psycopg.rows import class_row

from service.domain.resources import Modification
from service.store.db import Connection

COLUMNS = """
    vehicle.tag::text AS vehicle, part.slug::text AS part, fitted_on, removed_on, price_paid,
    modification.currency, modification.labour_hours, notes, modification_id, modification.version
"""


def get_modification(conn: Connection, tag: str, modification_id: int) -> Modification | None:
    """One modification of a car."""
    with conn.cursor(row_factory=class_row(Modification)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS}
            FROM   modification JOIN vehicle USING (vehicle_id) JOIN part USING (part_id)
            WHERE  vehicle.tag = %s AND modification_id = %s
            """,  # noqa: S608
            (tag, modification_id),
        ).fetchone()


def list_modifications(
    conn: Connection, tag: str, *, after: tuple[date, int] | None, limit: int
) -> list[Modification]:
    """A car's modifications in the order they were fitted, from after a (day, id)."""
    day, last_id = after or (None, None)
    with conn.cursor(row_factory=class_row(Modification)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS}
            FROM   modification JOIN vehicle USING (vehicle_id) JOIN part USING (part_id)
            WHERE  vehicle.tag = %(tag)s
                   AND (%(day)s::date IS NULL OR (fitted_on, modification_id) > (%(day)s, %(id)s::bigint))
            ORDER  BY fitted_on, modification_id
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"tag": tag, "day": day, "id": last_id, "limit": limit},
        ).fetchall()


def add_modification(conn: Connection, modification: Modification) -> Modification:
    """Insert a modification; its vehicle and part must be known."""
    with conn.cursor(row_factory=class_row(Modification)) as cursor:
        added = cursor.execute(
            f"""
            WITH modification AS (
                INSERT INTO modification (vehicle_id, part_id, fitted_on, removed_on, price_paid, currency,
                                          labour_hours, notes)
                SELECT vehicle_id, part_id, %(fitted_on)s, %(removed_on)s, %(price_paid)s, %(currency)s,
                       %(labour_hours)s, %(notes)s
                FROM   vehicle CROSS JOIN part
                WHERE  vehicle.tag = %(vehicle)s AND part.slug = %(part)s
                RETURNING *
            )
            SELECT {COLUMNS} FROM modification JOIN vehicle USING (vehicle_id) JOIN part USING (part_id)
            """,  # noqa: S608
            asdict(modification),
        ).fetchone()
    assert added is not None
    return added


def save_modification(conn: Connection, modification: Modification) -> Modification | None:
    """Write a changed modification over the version it was read at; None where that is not the newest any more."""
    with conn.cursor(row_factory=class_row(Modification)) as cursor:
        return cursor.execute(
            f"""
            WITH modification AS (
                UPDATE modification SET
                       part_id = part.part_id, fitted_on = %(fitted_on)s, removed_on = %(removed_on)s,
                       price_paid = %(price_paid)s, currency = %(currency)s, labour_hours = %(labour_hours)s,
                       notes = %(notes)s, version = modification.version + 1
                FROM   part
                WHERE  part.slug = %(part)s
                       AND modification_id = %(modification_id)s AND modification.version = %(version)s
                RETURNING modification.*
            )
            SELECT {COLUMNS} FROM modification JOIN vehicle USING (vehicle_id) JOIN part USING (part_id)
            """,  # noqa: S608
            asdict(modification),
        ).fetchone()


def overlapping(conn: Connection, modification: Modification) -> list[tuple[str, str, date, date | None]]:
    """(part, shared slot, fitted, removed) of a car's other modifications that sat in the same slot at the same time.

    A part taken off on the day the next went on does not overlap with it.
    """
    return conn.execute(
        """
        SELECT part.slug::text, min(other_slot.slot), other.fitted_on, other.removed_on
        FROM   modification AS this
               JOIN part_slot AS this_slot ON this_slot.part_id = this.part_id
               JOIN modification AS other ON other.vehicle_id = this.vehicle_id
                                             AND other.modification_id <> this.modification_id
               JOIN part_slot AS other_slot ON other_slot.part_id = other.part_id AND other_slot.slot = this_slot.slot
               JOIN part ON part.part_id = other.part_id
        WHERE  this.modification_id = %s
               AND other.fitted_on < coalesce(this.removed_on, 'infinity')
               AND this.fitted_on < coalesce(other.removed_on, 'infinity')
        GROUP  BY other.modification_id, part.slug
        ORDER  BY other.fitted_on, other.modification_id
        """,
        (modification.modification_id,),
    ).fetchall()
