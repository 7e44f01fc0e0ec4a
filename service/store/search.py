"""What is called so: questions, kinds of car, parts and cars, by words of their names.

A word is found in a name where it stands in it, one of fewer than three letters only where a word of the name begins
with it. Spelling is forgiven on demand: `near` is the word similarity by trigrams (pg_trgm) from which a word of four letters or
more counts as found; None forgives nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from psycopg.rows import class_row

from service.store.db import Connection
from service.store.evidence import STOCK_CAR


@dataclass(frozen=True, slots=True)
class FoundQuestion:
    """A part on a kind of car, and what was measured of it; no cars where nothing was."""

    platform: str
    platform_name: str
    part: str
    part_name: str
    against: str | None
    against_name: str | None
    cars: int
    pairs: int
    last: datetime | None


@dataclass(frozen=True, slots=True)
class FoundPlatform:
    """A kind of car, and how many stock cars of it were measured."""

    platform: str
    name: str
    stock_cars: int


@dataclass(frozen=True, slots=True)
class FoundPart:
    """A part of which nothing was measured on any kind of car."""

    part: str
    name: str


@dataclass(frozen=True, slots=True)
class FoundCar:
    """A car by its tag."""

    tag: str
    platform: str
    platform_name: str


def mask_of(said: str) -> str:
    """SQL: which of the words stand in a name, one bit a word; only constants of this module are put in."""
    spoken = f"' ' || translate(lower({said}), '-_/,', '    ')"
    return f"""(
        SELECT coalesce(bit_or(bit), 0) FROM word, (SELECT {spoken} AS said) AS name
        WHERE  strpos(said, CASE WHEN length(word) < 3 THEN ' ' || word ELSE word END) > 0
               OR (length(word) >= 4 AND word_similarity(word, said) >= %(near)s::real)
    )"""  # noqa: S608


PART_CALLED = """concat_ws(' ', part.slug, part.name, (
    SELECT string_agg(alias.slug || ' ' || alias.name, ' ') FROM part alias WHERE alias.merged_into = part.part_id))"""
"""What a part is called, and what was merged into it."""
NAMES = f"""
    WITH word AS (SELECT word, 1 << (place - 1)::integer AS bit
                  FROM   unnest(%(words)s::text[]) WITH ORDINALITY AS typed (word, place)),
    platform_name AS MATERIALIZED (
        SELECT platform_id, slug::text AS platform, name AS platform_name,
               {mask_of("concat_ws(' ', slug, name, maker, model, generation, engine)")} AS mask
        FROM   platform
    ),
    part_name AS MATERIALIZED (
        SELECT part_id, slug::text AS part, name AS part_name, {mask_of(PART_CALLED)} AS mask
        FROM   part
        WHERE  merged_into IS NULL
    )
"""  # noqa: S608
EVERY_WORD = "(SELECT bit_or(bit) FROM word)"


def find_questions(
    conn: Connection, words: Sequence[str], *, near: float | None, measured: bool, limit: int
) -> list[FoundQuestion]:
    """Parts on kinds of car in whose names every word stands, those with the most cars first.

    `measured` answers those with evidence. Otherwise those without, where both the part and the kind of car are named.
    """
    with conn.cursor(row_factory=class_row(FoundQuestion)) as cursor:
        return cursor.execute(
            f"""
            {NAMES},
            named AS (
                SELECT platform_id, part_id, platform, platform_name, part, part_name
                FROM   platform_name CROSS JOIN part_name
                WHERE  platform_name.mask | part_name.mask = {EVERY_WORD}
                       AND (%(measured)s OR (platform_name.mask > 0 AND part_name.mask > 0))
            ),
            counted AS (
                SELECT   platform_id, part_id, against_id, count(DISTINCT vehicle_id) AS cars, count(*) AS pairs,
                         max(at) AS last
                FROM     named JOIN pair USING (platform_id, part_id)
                WHERE    usable
                GROUP BY platform_id, part_id, against_id
            )
            SELECT    platform, platform_name, part, part_name, against.slug::text AS against,
                      against.name AS against_name, coalesce(cars, 0) AS cars, coalesce(pairs, 0) AS pairs, last
            FROM      named
                      LEFT JOIN counted USING (platform_id, part_id)
                      LEFT JOIN part against ON against.part_id = against_id
            WHERE     %(measured)s = (cars IS NOT NULL)
            ORDER BY  cars DESC NULLS LAST, pairs DESC, platform, part, coalesce(against.slug, '')
            LIMIT     %(limit)s
            """,  # noqa: S608
            {"words": list(words), "near": near, "measured": measured, "limit": limit},
        ).fetchall()


def find_platforms(
    conn: Connection, words: Sequence[str], *, near: float | None, limit: int
) -> list[FoundPlatform]:
    """Kinds of car in whose names every word stands, by name."""
    with conn.cursor(row_factory=class_row(FoundPlatform)) as cursor:
        return cursor.execute(
            f"""
            {NAMES}
            SELECT   platform, platform_name AS name,
                     (SELECT count(DISTINCT vehicle_id) FROM setup_summary
                      WHERE  setup_summary.platform_id = platform_name.platform_id AND {STOCK_CAR}) AS stock_cars
            FROM     platform_name
            WHERE    mask = {EVERY_WORD}
            ORDER BY name, platform
            LIMIT    %(limit)s
            """,  # noqa: S608
            {"words": list(words), "near": near, "limit": limit},
        ).fetchall()


def find_unmeasured_parts(
    conn: Connection, words: Sequence[str], *, near: float | None, limit: int
) -> list[FoundPart]:
    """Parts in whose names every word stands and of which nothing usable was measured, by name."""
    with conn.cursor(row_factory=class_row(FoundPart)) as cursor:
        return cursor.execute(
            f"""
            {NAMES}
            SELECT   part, part_name AS name
            FROM     part_name
            WHERE    mask = {EVERY_WORD}
                     AND NOT EXISTS (SELECT FROM pair WHERE pair.part_id = part_name.part_id AND usable)
            ORDER BY name, part
            LIMIT    %(limit)s
            """,  # noqa: S608
            {"words": list(words), "near": near, "limit": limit},
        ).fetchall()


def find_cars(conn: Connection, beginning: str, *, limit: int) -> list[FoundCar]:
    """Cars whose tag, or that of an alias of theirs, begins so, by tag."""
    with conn.cursor(row_factory=class_row(FoundCar)) as cursor:
        return cursor.execute(
            """
            SELECT   DISTINCT own.tag::text, slug::text AS platform, name AS platform_name
            FROM     vehicle called
                     JOIN vehicle own ON own.vehicle_id = coalesce(called.merged_into, called.vehicle_id)
                     JOIN platform ON platform.platform_id = own.platform_id
            WHERE    starts_with(called.tag::text, %(beginning)s)
            ORDER BY tag
            LIMIT    %(limit)s
            """,
            {"beginning": beginning, "limit": limit},
        ).fetchall()
