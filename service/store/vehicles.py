"""Vehicles: one car each, by the shop's own tag."""

from dataclasses import asdict
from typing import Any

from psycopg.rows import kwargs_row

from service.domain.resources import Vehicle
from service.store.conditions import only_given
from service.store.db import Connection

COLUMNS = """
    vehicle.tag::text, platform.slug::text AS platform, vehicle.model_year, vehicle.odometer_km, vehicle.check_car,
    vehicle.vin_hash, vehicle.vehicle_id, vehicle.version, vehicle.erased_at,
    (SELECT other.tag::text FROM public.vehicle other WHERE other.vehicle_id = vehicle.merged_into) AS merged_into,
    ARRAY(SELECT other.tag::text FROM public.vehicle other WHERE other.merged_into = vehicle.vehicle_id
          ORDER BY other.tag) AS merged_from
"""


def vehicle_record(merged_from: list[str], **rest: Any) -> Vehicle:
    """A row as a record."""
    return Vehicle(merged_from=tuple(merged_from), **rest)


def own_tag(conn: Connection, tag: str) -> str:
    """The tag of the car that a tag stands for: another one where it was merged into that; the same if unknown."""
    row = conn.execute(
        """
        SELECT other.tag::text FROM vehicle JOIN vehicle other ON other.vehicle_id = vehicle.merged_into
        WHERE  vehicle.tag = %s
        """,
        (tag,),
    ).fetchone()
    return tag if row is None else str(row[0])


def get_vehicle(conn: Connection, tag: str) -> Vehicle | None:
    """A vehicle by its tag."""
    with conn.cursor(row_factory=kwargs_row(vehicle_record)) as cursor:
        return cursor.execute(
            f"SELECT {COLUMNS} FROM vehicle JOIN platform USING (platform_id) WHERE tag = %s",  # noqa: S608
            (tag,),
        ).fetchone()


def list_vehicles(
    conn: Connection, *, after: str | None, limit: int, q: str | None, platform: str | None
) -> list[Vehicle]:
    """Vehicles in the order of their tags, without aliases, from after a tag; `q` is sought in the tag."""
    narrowed = only_given(
        {
            "tag > %(after)s": after,
            "strpos(tag, lower(%(q)s)) > 0": q,
            "platform.slug = %(platform)s": platform,
        }
    )
    with conn.cursor(row_factory=kwargs_row(vehicle_record)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS}
            FROM   vehicle JOIN platform USING (platform_id)
            WHERE  merged_into IS NULL AND {narrowed}
            ORDER  BY tag
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"after": after, "limit": limit, "q": q, "platform": platform},
        ).fetchall()


def add_vehicle(conn: Connection, vehicle: Vehicle) -> Vehicle:
    """Insert a vehicle; its tag must be new and its platform known."""
    with conn.cursor(row_factory=kwargs_row(vehicle_record)) as cursor:
        added = cursor.execute(
            f"""
            WITH vehicle AS (
                INSERT INTO vehicle (tag, platform_id, model_year, odometer_km, check_car, vin_hash)
                SELECT %(tag)s, platform_id, %(model_year)s, %(odometer_km)s, %(check_car)s, %(vin_hash)s
                FROM   platform
                WHERE  slug = %(platform)s
                RETURNING *
            )
            SELECT {COLUMNS} FROM vehicle JOIN platform USING (platform_id)
            """,  # noqa: S608
            asdict(vehicle),
        ).fetchone()
    assert added is not None
    return added


def save_vehicle(conn: Connection, vehicle: Vehicle) -> Vehicle | None:
    """Write a changed vehicle over the version it was read at; None where that is not the newest any more."""
    with conn.cursor(row_factory=kwargs_row(vehicle_record)) as cursor:
        return cursor.execute(
            f"""
            WITH vehicle AS (
                UPDATE vehicle SET
                       tag = %(tag)s, platform_id = platform.platform_id, model_year = %(model_year)s,
                       odometer_km = %(odometer_km)s, check_car = %(check_car)s, vin_hash = %(vin_hash)s,
                       version = vehicle.version + 1
                FROM   platform
                WHERE  platform.slug = %(platform)s
                       AND vehicle_id = %(vehicle_id)s AND vehicle.version = %(version)s
                RETURNING vehicle.*
            )
            SELECT {COLUMNS} FROM vehicle JOIN platform USING (platform_id)
            """,  # noqa: S608
            asdict(vehicle),
        ).fetchone()


def count_sessions(conn: Connection, vehicle_id: int) -> int:
    """How many sessions a car has, its row held so that no other is being posted meanwhile."""
    conn.execute("SELECT 1 FROM vehicle WHERE vehicle_id = %s FOR NO KEY UPDATE", (vehicle_id,))
    row = conn.execute("SELECT count(*) FROM session WHERE vehicle_id = %s", (vehicle_id,)).fetchone()
    return int(row[0]) if row else 0


def platform_of(conn: Connection, vehicle_id: int) -> int:
    """The id of a car's platform."""
    row = conn.execute("SELECT platform_id FROM vehicle WHERE vehicle_id = %s", (vehicle_id,)).fetchone()
    assert row is not None
    return int(row[0])
