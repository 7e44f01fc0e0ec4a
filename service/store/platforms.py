"""Platforms: kinds of car."""

from dataclasses import asdict

from psycopg.rows import class_row

from service.domain.resources import Platform
from service.store.db import Connection

COLUMNS = """
    slug::text, name, aspiration, ignition, maker, model, generation, engine, displacement_l, transmission,
    driven_wheels, rated_power_kw, rpm_limit, charge_cooling, fuel_per_cycle, boost_ratio, platform_id, version
"""


def get_platform(conn: Connection, slug: str) -> Platform | None:
    """A platform by its slug."""
    with conn.cursor(row_factory=class_row(Platform)) as cursor:
        return cursor.execute(f"SELECT {COLUMNS} FROM platform WHERE slug = %s", (slug,)).fetchone()  # noqa: S608


def list_platforms(conn: Connection, *, after: str | None, limit: int, q: str | None) -> list[Platform]:
    """Platforms in the order of their slugs, from after a slug; `q` is sought in slug, name, maker, model and engine."""
    with conn.cursor(row_factory=class_row(Platform)) as cursor:
        return cursor.execute(
            f"""
            SELECT {COLUMNS}
            FROM   platform
            WHERE  (%(after)s::text IS NULL OR slug > %(after)s)
                   AND (%(q)s::text IS NULL
                        OR strpos(lower(concat_ws(' ', slug, name, maker, model, engine)), lower(%(q)s)) > 0)
            ORDER  BY slug
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"after": after, "limit": limit, "q": q},
        ).fetchall()


def add_platform(conn: Connection, platform: Platform) -> Platform:
    """Insert a platform; its slug must be new."""
    with conn.cursor(row_factory=class_row(Platform)) as cursor:
        added = cursor.execute(
            f"""
            INSERT INTO platform (slug, name, aspiration, ignition, maker, model, generation, engine, displacement_l,
                                  transmission, driven_wheels, rated_power_kw, rpm_limit, charge_cooling,
                                  fuel_per_cycle, boost_ratio)
            VALUES (%(slug)s, %(name)s, %(aspiration)s, %(ignition)s, %(maker)s, %(model)s, %(generation)s, %(engine)s,
                    %(displacement_l)s, %(transmission)s, %(driven_wheels)s, %(rated_power_kw)s, %(rpm_limit)s,
                    %(charge_cooling)s, %(fuel_per_cycle)s, %(boost_ratio)s)
            RETURNING {COLUMNS}
            """,  # noqa: S608
            asdict(platform),
        ).fetchone()
    assert added is not None
    return added


def save_platform(conn: Connection, platform: Platform) -> Platform | None:
    """Write a changed platform over the version it was read at; None where that is not the newest any more."""
    with conn.cursor(row_factory=class_row(Platform)) as cursor:
        return cursor.execute(
            f"""
            UPDATE platform SET
                   slug = %(slug)s, name = %(name)s, aspiration = %(aspiration)s, ignition = %(ignition)s,
                   maker = %(maker)s, model = %(model)s, generation = %(generation)s, engine = %(engine)s,
                   displacement_l = %(displacement_l)s, transmission = %(transmission)s,
                   driven_wheels = %(driven_wheels)s, rated_power_kw = %(rated_power_kw)s,
                   rpm_limit = %(rpm_limit)s, charge_cooling = %(charge_cooling)s,
                   fuel_per_cycle = %(fuel_per_cycle)s, boost_ratio = %(boost_ratio)s, version = version + 1
            WHERE  platform_id = %(platform_id)s AND version = %(version)s
            RETURNING {COLUMNS}
            """,  # noqa: S608
            asdict(platform),
        ).fetchone()


def bump_platform(conn: Connection, platform_id: int) -> None:
    """Mark that every answer about a platform may read differently now, in key order."""
    conn.execute(
        """
        WITH held AS (
            SELECT part_id FROM evidence_version WHERE platform_id = %(platform)s ORDER BY part_id FOR UPDATE
        )
        UPDATE evidence_version SET version = version + 1
        FROM   held
        WHERE  platform_id = %(platform)s AND evidence_version.part_id = held.part_id
        """,
        {"platform": platform_id},
    )
