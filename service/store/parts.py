"""Parts and the slots they fill."""

from dataclasses import asdict
from typing import Any

from psycopg.rows import kwargs_row
from psycopg.types.json import Jsonb

from service.domain.resources import PartSheet
from service.store.db import Connection

COLUMNS = """
    part.slug::text, part.name,
    (SELECT array_agg(slot::text ORDER BY slot.ordinal, slot.slug)
     FROM   part_slot JOIN slot ON slot.slug = part_slot.slot
     WHERE  part_slot.part_id = part.part_id) AS slots,
    (SELECT origin.slug::text FROM part AS origin WHERE origin.part_id = part.variant_of) AS variant_of,
    part.price, part.currency, part.price_date, part.labour_hours, part.fitting_notes, part.approval,
    part.part_id, part.version,
    (SELECT other.slug::text FROM part AS other WHERE other.part_id = part.merged_into) AS merged_into,
    ARRAY(SELECT other.slug::text FROM part AS other WHERE other.merged_into = part.part_id ORDER BY other.slug)
        AS merged_from
"""


def part_sheet(slots: list[str] | None, merged_from: list[str], **rest: Any) -> PartSheet:
    """A row with its lists as tuples."""
    return PartSheet(slots=tuple(slots or ()), merged_from=tuple(merged_from), **rest)


def own_slug(conn: Connection, slug: str) -> str:
    """The slug of the part that a slug stands for: another one where it was merged into that; the same if unknown."""
    row = conn.execute(
        """
        SELECT other.slug::text FROM part JOIN part other ON other.part_id = part.merged_into WHERE part.slug = %s
        """,
        (slug,),
    ).fetchone()
    return slug if row is None else str(row[0])


def get_part(conn: Connection, slug: str) -> PartSheet | None:
    """A part by its slug."""
    with conn.cursor(row_factory=kwargs_row(part_sheet)) as cursor:
        return cursor.execute(f"SELECT {COLUMNS} FROM part WHERE slug = %s", (slug,)).fetchone()  # noqa: S608


def list_parts(
    conn: Connection, *, after: str | None, limit: int, q: str | None, slot: str | None
) -> list[PartSheet]:
    """Parts in the order of their slugs, without aliases, from after a slug; `q` is sought in slug and name."""
    with conn.cursor(row_factory=kwargs_row(part_sheet)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS}
            FROM   part
            WHERE  merged_into IS NULL AND (%(after)s::text IS NULL OR slug > %(after)s)
                   AND (%(q)s::text IS NULL OR strpos(lower(concat_ws(' ', slug, name)), lower(%(q)s)) > 0)
                   AND (%(slot)s::text IS NULL OR EXISTS (
                        SELECT FROM part_slot WHERE part_slot.part_id = part.part_id AND slot = %(slot)s))
            ORDER  BY slug
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"after": after, "limit": limit, "q": q, "slot": slot},
        ).fetchall()


def parameters(part: PartSheet) -> dict[str, Any]:
    """A part as query parameters."""
    return {**asdict(part), "approval": None if part.approval is None else Jsonb(part.approval)}


def add_part(conn: Connection, part: PartSheet) -> PartSheet:
    """Insert a part with its slots; its slug must be new, its slots and its origin known."""
    row = conn.execute(
        """
        INSERT INTO part (slug, name, variant_of, price, currency, price_date, labour_hours, fitting_notes, approval)
        VALUES (%(slug)s, %(name)s, (SELECT part_id FROM part WHERE slug = %(variant_of)s), %(price)s, %(currency)s,
                %(price_date)s, %(labour_hours)s, %(fitting_notes)s, %(approval)s)
        RETURNING part_id
        """,
        parameters(part),
    ).fetchone()
    assert row is not None
    put_slots(conn, row[0], part.slots)
    added = get_part(conn, part.slug)
    assert added is not None
    return added


def save_part(conn: Connection, part: PartSheet) -> PartSheet | None:
    """Write a changed part over the version it was read at; None where that is not the newest any more."""
    done = conn.execute(
        """
        UPDATE part SET
               slug = %(slug)s, name = %(name)s,
               variant_of = (SELECT part_id FROM part WHERE slug = %(variant_of)s),
               price = %(price)s, currency = %(currency)s, price_date = %(price_date)s,
               labour_hours = %(labour_hours)s, fitting_notes = %(fitting_notes)s, approval = %(approval)s,
               version = version + 1
        WHERE  part_id = %(part_id)s AND version = %(version)s
        """,
        parameters(part),
    )
    if done.rowcount == 0:
        return None
    put_slots(conn, part.part_id, part.slots)
    return get_part(conn, part.slug)


def put_slots(conn: Connection, part_id: int, slots: tuple[str, ...]) -> None:
    """Make these the slots of a part."""
    conn.execute("DELETE FROM part_slot WHERE part_id = %s AND slot <> ALL(%s)", (part_id, list(slots)))
    conn.execute(
        "INSERT INTO part_slot (part_id, slot) SELECT %s, unnest(%s::text[]) ON CONFLICT DO NOTHING",
        (part_id, list(slots)),
    )


def origins_of(conn: Connection, slug: str) -> set[str]:
    """The parts that a part was made from, back to the first."""
    rows = conn.execute(
        """
        WITH RECURSIVE origin AS (
            SELECT slug, variant_of FROM part WHERE slug = %s
            UNION
            SELECT part.slug, part.variant_of FROM part JOIN origin ON part.part_id = origin.variant_of
        )
        SELECT slug::text FROM origin
        """,
        (slug,),
    ).fetchall()
    return {row[0] for row in rows}


def bump_part(conn: Connection, part_id: int) -> None:
    """Mark on every platform that the answers about this part may read differently now, in key order."""
    conn.execute(
        """
        WITH held AS (
            SELECT platform_id FROM evidence_version WHERE part_id = %(part)s ORDER BY platform_id FOR UPDATE
        )
        UPDATE evidence_version SET version = version + 1
        FROM   held
        WHERE  evidence_version.platform_id = held.platform_id AND part_id = %(part)s
        """,
        {"part": part_id},
    )


def hold_cars_with(conn: Connection, part_id: int) -> list[tuple[int, int]]:
    """(vehicle, platform) of every car measured with a part, held until the transaction ends, in key order."""
    return conn.execute(
        """
        SELECT vehicle_id, platform_id
        FROM   vehicle
        WHERE  vehicle_id IN (SELECT session.vehicle_id
                              FROM   setup_part JOIN setup USING (setup_id) JOIN session USING (session_id)
                              WHERE  setup_part.part_id = %s)
        ORDER  BY vehicle_id
        FOR    NO KEY UPDATE
        """,
        (part_id,),
    ).fetchall()


def hold_part(conn: Connection, part_id: int) -> None:
    """Hold a part until the transaction ends: a post that lists it waits."""
    conn.execute("SELECT 1 FROM part WHERE part_id = %s FOR UPDATE", (part_id,))
