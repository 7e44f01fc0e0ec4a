"""Forgetting who a car is. The one thing the service cannot do by itself: a function of the schema's owner does it."""

from service.store.db import Connection


def erase_vehicle(conn: Connection, vehicle_id: int, neutral: str) -> None:
    """Erase a car's identity for good, and put its measurements under a neutral tag (migrations/sql/0004)."""
    conn.execute("SELECT erase_vehicle(%s, %s)", (vehicle_id, neutral))


def sessions_of(conn: Connection, vehicle_id: int) -> list[str]:
    """The addresses of a car's sessions in the history."""
    rows = conn.execute(
        "SELECT 'sessions/' || id FROM session WHERE vehicle_id = %s ORDER BY session_id", (vehicle_id,)
    ).fetchall()
    return [row[0] for row in rows]


def tags_of(conn: Connection, vehicle_id: int) -> list[str]:
    """Every tag a car has and had, its aliases' too, but for those that another car has now."""
    rows = conn.execute(
        """
        WITH RECURSIVE known AS (
            SELECT tag::text AS name FROM vehicle WHERE vehicle_id = %(vehicle)s OR merged_into = %(vehicle)s
            UNION
            SELECT substr(before ->> 'about', length('vehicles/') + 1)
            FROM   history JOIN known ON about = 'vehicles/' || name
            WHERE  action = 'renamed'
        )
        SELECT name FROM known
        WHERE  NOT EXISTS (SELECT FROM vehicle
                           WHERE tag = name AND coalesce(merged_into, vehicle_id) <> %(vehicle)s)
        ORDER  BY name
        """,
        {"vehicle": vehicle_id},
    ).fetchall()
    return [row[0] for row in rows]


def parts_of_pairs(conn: Connection, vehicle_id: int) -> list[int]:
    """The parts that a car's pairs speak of."""
    rows = conn.execute("SELECT DISTINCT part_id FROM pair WHERE vehicle_id = %s", (vehicle_id,)).fetchall()
    return [row[0] for row in rows]
