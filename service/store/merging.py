"""Merging one car, or one part, that was recorded under two names: what was moved, and moving it back."""

from collections.abc import Sequence
from dataclasses import dataclass
from uuid import UUID

from psycopg.rows import class_row

from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class VehicleMerge:
    """A merge in force: the sessions and modifications that it moved."""

    merge_id: int
    from_id: int
    into_id: int
    sessions: list[int]
    modifications: list[int]


@dataclass(frozen=True, slots=True)
class PartMerge:
    """A merge in force: the setups, modifications and variants that it moved."""

    merge_id: int
    from_id: int
    into_id: int
    setups: list[int]
    modifications: list[int]
    variants: list[int]


def vehicle_merge_of(conn: Connection, vehicle_id: int) -> VehicleMerge | None:
    """The merge by which a car became an alias; None where it is a car of its own."""
    with conn.cursor(row_factory=class_row(VehicleMerge)) as cursor:
        return cursor.execute(
            """
            SELECT merge_id, from_id, into_id, sessions, modifications FROM vehicle_merge
            WHERE  from_id = %s AND undone_at IS NULL
            """,
            (vehicle_id,),
        ).fetchone()


def part_merge_of(conn: Connection, part_id: int) -> PartMerge | None:
    """The merge by which a part became an alias; None where it is a part of its own."""
    with conn.cursor(row_factory=class_row(PartMerge)) as cursor:
        return cursor.execute(
            """
            SELECT merge_id, from_id, into_id, setups, modifications, variants FROM part_merge
            WHERE  from_id = %s AND undone_at IS NULL
            """,
            (part_id,),
        ).fetchone()


def move_sessions(
    conn: Connection, from_id: int, into_id: int, only: Sequence[int] | None
) -> dict[int, UUID]:
    """Put a car's sessions, all or of these, under another; answers those that were moved."""
    rows = conn.execute(
        """
        UPDATE session SET vehicle_id = %(into)s
        WHERE  vehicle_id = %(from)s AND (%(only)s::bigint[] IS NULL OR session_id = ANY (%(only)s))
        RETURNING session_id, id
        """,
        {"into": into_id, "from": from_id, "only": None if only is None else list(only)},
    ).fetchall()
    return dict(sorted(rows))


def move_modifications(conn: Connection, from_id: int, into_id: int, only: Sequence[int] | None) -> list[int]:
    """Put a car's modifications, all or of these, under another; answers those that were moved."""
    rows = conn.execute(
        """
        UPDATE modification SET vehicle_id = %(into)s, version = version + 1
        WHERE  vehicle_id = %(from)s AND (%(only)s::integer[] IS NULL OR modification_id = ANY (%(only)s))
        RETURNING modification_id
        """,
        {"into": into_id, "from": from_id, "only": None if only is None else list(only)},
    ).fetchall()
    return sorted(row[0] for row in rows)


def keep_vehicle_merge(
    conn: Connection, from_id: int, into_id: int, sessions: Sequence[int], modifications: Sequence[int]
) -> None:
    """Make a car the alias of another, and keep what was moved by it."""
    conn.execute(
        "INSERT INTO vehicle_merge (from_id, into_id, sessions, modifications) VALUES (%s, %s, %s, %s)",
        (from_id, into_id, list(sessions), list(modifications)),
    )
    conn.execute("UPDATE vehicle SET merged_into = %s WHERE vehicle_id = %s", (into_id, from_id))
    bump_vehicles(conn, from_id, into_id)


def end_vehicle_merge(conn: Connection, merge: VehicleMerge) -> None:
    """Make an alias a car of its own again."""
    conn.execute("UPDATE vehicle_merge SET undone_at = now() WHERE merge_id = %s", (merge.merge_id,))
    conn.execute("UPDATE vehicle SET merged_into = NULL WHERE vehicle_id = %s", (merge.from_id,))
    bump_vehicles(conn, merge.from_id, merge.into_id)


def bump_vehicles(conn: Connection, *vehicle_ids: int) -> None:
    """Move cars to their next versions."""
    conn.execute("UPDATE vehicle SET version = version + 1 WHERE vehicle_id = ANY (%s)", (list(vehicle_ids),))


def setups_with_both(conn: Connection, one: int, other: int) -> list[str]:
    """The addresses of the setups that list two parts."""
    rows = conn.execute(
        """
        SELECT '/v1/sessions/' || session.id || '/setups/' || setup.n
        FROM   setup_part JOIN setup_part beside USING (setup_id) JOIN setup USING (setup_id) JOIN session USING (session_id)
        WHERE  setup_part.part_id = %s AND beside.part_id = %s
        ORDER  BY session_id, setup.n
        """,
        (one, other),
    ).fetchall()
    return [row[0] for row in rows]


def move_setups(
    conn: Connection, from_id: int, into_id: int, only: Sequence[int] | None
) -> list[tuple[int, UUID, int]]:
    """Let setups, all or of these, carry one part in another's place; answers (setup, session, number) of each."""
    rows = conn.execute(
        """
        WITH moved AS (
            DELETE FROM setup_part
            WHERE  part_id = %(from)s AND (%(only)s::bigint[] IS NULL OR setup_id = ANY (%(only)s))
            RETURNING setup_id, slot
        ), fitted AS (
            INSERT INTO setup_part (setup_id, part_id, slot) SELECT setup_id, %(into)s, slot FROM moved
        )
        UPDATE setup SET part_ids = sort(array_replace(part_ids, %(from)s, %(into)s))
        FROM   moved, session
        WHERE  moved.setup_id = setup.setup_id AND session.session_id = setup.session_id
        RETURNING setup.setup_id, session.id, setup.n
        """,
        {"into": into_id, "from": from_id, "only": None if only is None else list(only)},
    ).fetchall()
    return sorted(rows)


def move_fitted(conn: Connection, from_id: int, into_id: int, only: Sequence[int] | None) -> list[int]:
    """Let modifications, all or of these, name one part in another's place; answers those that were changed."""
    rows = conn.execute(
        """
        UPDATE modification SET part_id = %(into)s, version = version + 1
        WHERE  part_id = %(from)s AND (%(only)s::integer[] IS NULL OR modification_id = ANY (%(only)s))
        RETURNING modification_id
        """,
        {"into": into_id, "from": from_id, "only": None if only is None else list(only)},
    ).fetchall()
    return sorted(row[0] for row in rows)


def move_variants(conn: Connection, from_id: int, into_id: int, only: Sequence[int] | None) -> list[int]:
    """Let variants, all or of these, be of one part in another's place; answers those that were changed."""
    rows = conn.execute(
        """
        UPDATE part SET variant_of = %(into)s, version = version + 1
        WHERE  variant_of = %(from)s AND (%(only)s::integer[] IS NULL OR part_id = ANY (%(only)s))
        RETURNING part_id
        """,
        {"into": into_id, "from": from_id, "only": None if only is None else list(only)},
    ).fetchall()
    return sorted(row[0] for row in rows)


def keep_part_merge(
    conn: Connection,
    from_id: int,
    into_id: int,
    setups: Sequence[int],
    modifications: Sequence[int],
    variants: Sequence[int],
) -> None:
    """Make a part the alias of another, and keep what was moved by it."""
    conn.execute(
        """
        INSERT INTO part_merge (from_id, into_id, setups, modifications, variants) VALUES (%s, %s, %s, %s, %s)
        """,
        (from_id, into_id, list(setups), list(modifications), list(variants)),
    )
    conn.execute("UPDATE part SET merged_into = %s WHERE part_id = %s", (into_id, from_id))
    bump_parts(conn, from_id, into_id)


def end_part_merge(conn: Connection, merge: PartMerge) -> None:
    """Make an alias a part of its own again."""
    conn.execute("UPDATE part_merge SET undone_at = now() WHERE merge_id = %s", (merge.merge_id,))
    conn.execute("UPDATE part SET merged_into = NULL WHERE part_id = %s", (merge.from_id,))
    bump_parts(conn, merge.from_id, merge.into_id)


def bump_parts(conn: Connection, *part_ids: int) -> None:
    """Move parts to their next versions."""
    conn.execute("UPDATE part SET version = version + 1 WHERE part_id = ANY (%s)", (list(part_ids),))
