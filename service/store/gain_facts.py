"""What the ledger knows around a part on a platform, beside its gain: parts it may be held against, repeated pulls."""

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from psycopg.rows import class_row

from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class Relative:
    """A part that a customer may ask about beside another one; cars of the platform, with pairs that count.

    is_variant: another revision of the same part; same_slot: it can take its place; calibration: it is one.
    """

    slug: str
    name: str
    price: Decimal | None
    currency: str | None
    is_variant: bool
    same_slot: bool
    calibration: bool
    cars: int
    cars_against: int


def relatives(conn: Connection, platform_id: int, part_id: int) -> list[Relative]:
    """Variants, parts of the same slot and calibrations, those with the most cars first.

    `cars` were measured with and without the relative itself, `cars_against` with the one in the other's place.
    """
    with conn.cursor(row_factory=class_row(Relative)) as cursor:
        return cursor.execute(
            """
            WITH others AS (
                SELECT other.*,
                       coalesce(other.part_id = own.variant_of OR other.variant_of = own.part_id
                                OR other.variant_of = own.variant_of, false) AS is_variant,
                       EXISTS (SELECT FROM part_slot a JOIN part_slot b USING (slot)
                               WHERE a.part_id = own.part_id AND b.part_id = other.part_id) AS same_slot,
                       EXISTS (SELECT FROM part_slot
                               WHERE part_slot.part_id = other.part_id AND slot = 'calibration') AS calibration
                FROM   part own JOIN part other ON other.part_id <> own.part_id
                WHERE  own.part_id = %(part)s
            ), measured AS (
                SELECT   others.part_id,
                         count(DISTINCT vehicle_id) FILTER (WHERE pair.part_id = others.part_id AND against_id = 0) AS cars,
                         count(DISTINCT vehicle_id) FILTER (WHERE pair.part_id = %(part)s) AS cars_against
                FROM     others
                         JOIN pair ON pair.platform_id = %(platform)s AND usable
                              AND (pair.part_id, against_id) IN ((others.part_id, 0), (%(part)s, others.part_id))
                GROUP BY others.part_id
            )
            SELECT   slug::text, name, price, currency, is_variant, same_slot, calibration,
                     coalesce(cars, 0) AS cars, coalesce(cars_against, 0) AS cars_against
            FROM     others LEFT JOIN measured USING (part_id)
            WHERE    merged_into IS NULL AND (is_variant OR same_slot OR calibration)
            ORDER BY cars DESC, slug
            """,
            {"platform": platform_id, "part": part_id},
        ).fetchall()


def version_around(conn: Connection, platform_id: int) -> str:
    """Moves with every part's own facts and with the evidence about any part of the platform."""
    row = conn.execute(
        """
        SELECT concat_ws('.', (SELECT sum(version) FROM part),
                         (SELECT sum(version) FROM evidence_version WHERE platform_id = %s))
        """,
        (platform_id,),
    ).fetchone()
    assert row is not None
    return str(row[0])


def fitting_notes(conn: Connection, part_id: int) -> str | None:
    """What is written down about fitting a part."""
    row = conn.execute("SELECT fitting_notes FROM part WHERE part_id = %s", (part_id,)).fetchone()
    return row[0] if row else None


@dataclass(frozen=True, slots=True)
class Repeats:
    """What repeated pulls did in some setups: the longest series; over series of three or more the mean slope of ln
    power from one pull to the next and how many there were; the mean rise of inlet air within a pull [K]."""

    longest: int
    slope: float | None
    series: int
    inlet_rise_c: float | None


def repeats_of(conn: Connection, setup_ids: Collection[int]) -> Repeats:
    """The repeated pulls of these setups, those that count."""
    with conn.cursor(row_factory=class_row(Repeats)) as cursor:
        found = cursor.execute(
            """
            WITH asked AS (SELECT * FROM setup_summary WHERE setup_id = ANY(%(setups)s) AND best_of IS NULL)
            SELECT coalesce(max(pulls), 0) AS longest, avg(power_slope) AS slope, count(power_slope) AS series,
                   (SELECT avg(inlet_end_c - inlet_c)
                    FROM   pull
                    WHERE  setup_id = ANY(%(setups)s) AND status = 'accepted' AND struck IS NULL) AS inlet_rise_c
            FROM   asked
            """,
            {"setups": list(setup_ids)},
        ).fetchone()
    assert found is not None
    return found
