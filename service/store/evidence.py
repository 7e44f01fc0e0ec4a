"""What an answer rests on: the question's own facts and version, its pairs, its curves, a platform's stock cars."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, NamedTuple

from psycopg.rows import class_row

from service.domain.engine import HasEngine
from service.store.db import Connection, Later


@dataclass(frozen=True, slots=True)
class Question(HasEngine):
    """Which part on which platform against what, what it costs, and the version of the evidence."""

    platform_id: int
    platform: str
    platform_name: str
    aspiration: str
    ignition: str
    charge_cooling: str | None
    fuel_per_cycle: float | None
    boost_ratio: float | None
    part_id: int
    part: str
    part_name: str
    price: Decimal | None
    currency: str | None
    price_date: date | None
    labour_hours: float | None
    approval: dict[str, Any] | None
    against_id: int
    against_name: str | None
    slots: list[str]
    version: str


def find_question(conn: Connection, platform: str, part: str, against: str | None) -> Question | None:
    """The question's facts; None where a slug is unknown. `against` None means without the part."""
    return ask_question(conn, platform, part, against)()


def ask_question(conn: Connection, platform: str, part: str, against: str | None) -> Later[Question | None]:
    """The same, to be fetched."""
    cursor = conn.cursor(row_factory=class_row(Question))
    return cursor.execute(
        """
        SELECT platform.platform_id, platform.slug::text AS platform, platform.name AS platform_name, aspiration,
               ignition, charge_cooling, fuel_per_cycle, boost_ratio, part.part_id, part.slug::text AS part, part.name AS part_name, part.price, part.currency,
               part.price_date, part.labour_hours, part.approval,
               coalesce(other.part_id, 0) AS against_id, other.name AS against_name,
               ARRAY(SELECT slot::text FROM part_slot WHERE part_slot.part_id = part.part_id ORDER BY slot) AS slots,
               -- Where nothing is known here the answer says where else it is, so it moves with all of that.
               concat_ws('.', platform.version, part.version, other.version,
                         (SELECT coalesce(sum(version), 0) FROM evidence_version
                          WHERE  evidence_version.part_id = part.part_id)) AS version
        FROM   platform
               CROSS JOIN part called
               JOIN part ON part.part_id = coalesce(called.merged_into, called.part_id)
               LEFT JOIN part called_other ON called_other.slug = %(against)s
               LEFT JOIN part other ON other.part_id = coalesce(called_other.merged_into, called_other.part_id)
        WHERE  platform.slug = %(platform)s AND called.slug = %(part)s
               AND (%(against)s::text IS NULL OR other.part_id IS NOT NULL)
        """,
        {"platform": platform, "part": part, "against": against},
    ).fetchone


class Side(NamedTuple):
    """One side of a pair: its setup and what its summary says."""

    setup_id: int
    bay_id: int
    n_parts: int
    complete: bool
    pulls: int
    best_of: int | None
    level_standard: str | None
    factor: float | None
    temperature_c: float | None
    pressure_kpa: float | None
    vapour_kpa: float | None
    power_kw: float | None
    power_rpm: float | None
    torque_nm: float | None
    torque_rpm: float | None
    spread_ss: float
    spread_df: int


class PairRow(NamedTuple):
    """A pair with both sides, and the repeat of one of them where there was one (A-B-A)."""

    vehicle_id: int
    same_session: bool
    match: int
    held: bool
    usable: bool
    gap_days: float
    at: datetime
    again_share: float | None
    again_is_with: bool | None
    with_: Side
    without: Side
    again: Side | None


def side_columns(alias: str) -> str:
    """The summary columns of one side, in the order of Side."""
    return ", ".join(f"{alias}.{name}" for name in Side._fields)


class Totals(NamedTuple):
    """How many comparisons speak to a question, read or not, and the days between which the usable ones lie."""

    pairs: int
    left_out: int
    like_for_like: int
    first: datetime | None
    last: datetime | None


PAIRS_PER_CAR = 5
"""Comparisons of one car that are read: its best. A check car's grow with the square of its sessions (our choice)."""
WIDTH = len(Side._fields)
HEAD = 9
PAIRS = f"""
    WITH asked AS (
        SELECT pair.*,
               row_number() OVER (
                   PARTITION BY pair.vehicle_id
                   ORDER BY usable DESC, match, held DESC, abs(gap_days), setup_with, setup_without
               ) AS place,
               count(*) OVER () AS pairs,
               count(*) FILTER (WHERE NOT usable) OVER () AS left_out,
               count(*) FILTER (WHERE held AND usable AND match <= %(nearest)s) OVER () AS like_for_like,
               min(at) FILTER (WHERE usable) OVER () AS first,
               max(at) FILTER (WHERE usable) OVER () AS last
        FROM   pair
        WHERE  pair.platform_id = %(platform)s AND pair.part_id = %(part)s AND pair.against_id = %(against)s
               AND (NOT %(alone)s OR EXISTS (
                   SELECT FROM setup_summary beside
                   WHERE  setup_id = setup_without AND complete AND n_parts = (pair.against_id <> 0)::integer))
    )
    SELECT asked.vehicle_id, same_session, match, held, usable, gap_days, at, again_share, again_is_with,
           {side_columns("w")}, {side_columns("o")}, {side_columns("r")},
           pairs, left_out, like_for_like, first, last
    FROM   asked
           JOIN setup_summary w ON w.setup_id = setup_with
           JOIN setup_summary o ON o.setup_id = setup_without
           LEFT JOIN setup_summary r ON r.setup_id = setup_again
    WHERE  place <= %(per_car)s
    ORDER  BY asked.vehicle_id, place
"""  # noqa: S608


def pairs_of_question(
    conn: Connection, platform_id: int, part_id: int, against_id: int, *, alone: bool, nearest: int
) -> tuple[list[PairRow], Totals]:
    """Each car's best pairs (usable, nearest match, held, nearest in time first), and how many there are in all.

    `alone` keeps the pairs of otherwise stock cars; matches up to `nearest` are like for like.
    """
    about = {
        "platform": platform_id,
        "part": part_id,
        "against": against_id,
        "alone": alone,
        "nearest": nearest,
        "per_car": PAIRS_PER_CAR,
    }
    rows = conn.cursor(binary=True).execute(PAIRS, about, prepare=True).fetchall()
    totals = Totals(*rows[0][-len(Totals._fields) :]) if rows else Totals(0, 0, 0, None, None)
    return [pair_row(row) for row in rows], totals


def pair_row(row: tuple[Any, ...]) -> PairRow:
    """A flat row as a pair with its sides."""
    with_, without, again = (row[HEAD + i * WIDTH : HEAD + (i + 1) * WIDTH] for i in range(3))
    repeat = None if again[0] is None else Side._make(again)
    return PairRow._make((*row[:HEAD], Side._make(with_), Side._make(without), repeat))


class StockRow(NamedTuple):
    """One setup of a stock car; `session` is its id."""

    vehicle_id: int
    vehicle: str
    session: str
    started_at: datetime
    stock_checked: str
    doubts: list[str]
    setup_id: int
    bay_id: int
    best_of: int | None
    level_standard: str | None
    factor: float | None
    temperature_c: float | None
    pressure_kpa: float | None
    vapour_kpa: float | None
    power_kw: float | None
    torque_nm: float | None


def stock_setups(conn: Connection, platform_id: int) -> list[StockRow]:
    """Every counted setup of a platform's cars with nothing fitted, a car's newest last."""
    cursor = conn.cursor(binary=True)
    rows = cursor.execute(
        """
        SELECT s.vehicle_id, vehicle.tag::text, session.id::text, session.started_at, s.stock_checked, doubts, s.setup_id,
               s.bay_id, best_of, level_standard, factor, temperature_c, pressure_kpa, vapour_kpa, power_kw, torque_nm
        FROM   setup_summary s
               JOIN setup USING (setup_id)
               JOIN session USING (session_id)
               JOIN vehicle ON vehicle.vehicle_id = s.vehicle_id
        WHERE  s.platform_id = %s AND s.stock AND s.counts
        ORDER  BY s.vehicle_id, session.started_at, setup.n
        """,
        (platform_id,),
        prepare=True,
    ).fetchall()
    return [StockRow(*row) for row in rows]


@dataclass(frozen=True, slots=True)
class StockQuestion(HasEngine):
    """A platform and the version of what is known of its stock cars."""

    platform_id: int
    slug: str
    name: str
    aspiration: str
    ignition: str
    charge_cooling: str | None
    fuel_per_cycle: float | None
    boost_ratio: float | None
    transmission: str | None
    rated_power_kw: float | None
    version: str


def find_stock_question(conn: Connection, platform: str) -> StockQuestion | None:
    """The platform with the version of its stock evidence."""
    return ask_stock_question(conn, platform)()


def ask_stock_question(conn: Connection, platform: str) -> Later[StockQuestion | None]:
    """The same, to be fetched."""
    cursor = conn.cursor(row_factory=class_row(StockQuestion))
    return cursor.execute(
        """
        SELECT platform_id, slug::text, name, aspiration, ignition, charge_cooling, fuel_per_cycle, boost_ratio,
               transmission, rated_power_kw,
               concat_ws('.', platform.version, coalesce(evidence_version.version, 0)) AS version
        FROM   platform LEFT JOIN evidence_version USING (platform_id)
        WHERE  slug = %s AND coalesce(part_id, 0) = 0
        """,
        (platform,),
    ).fetchone


@dataclass(frozen=True, slots=True)
class EvidenceRow:
    """How much is known about one question."""

    platform: str
    part: str
    against: str | None
    cars: int
    pairs: int
    first: datetime
    last: datetime


EvidenceKey = tuple[int, int, str, str, str]
"""(cars, pairs, platform, part, against) of the last row of a page; '' stands for `without`."""


def version_of_all(conn: Connection) -> tuple[int, int, int]:
    """What moves with all evidence, and with every name."""
    row = conn.execute(
        """
        SELECT (SELECT coalesce(sum(version), 0) FROM evidence_version)::bigint,
               (SELECT coalesce(sum(version), 0) FROM platform)::bigint,
               (SELECT coalesce(sum(version), 0) FROM part)::bigint
        """
    ).fetchone()
    assert row is not None
    return row[0], row[1], row[2]


def list_evidence(
    conn: Connection, *, platform: str | None, part: str | None, after: EvidenceKey | None, limit: int
) -> list[EvidenceRow]:
    """Questions that have evidence, those with the most cars first, from after a row."""
    cars, pairs, *names = after or (None, None, None, None, None)
    with conn.cursor(row_factory=class_row(EvidenceRow)) as cursor:
        return cursor.execute(
            """
            WITH counted AS (
                SELECT   platform_id, part_id, against_id,
                         count(DISTINCT vehicle_id) AS cars, count(*) AS pairs, min(at) AS first, max(at) AS last
                FROM     pair
                WHERE    usable AND (%(platform)s::text IS NULL OR platform_id = (
                             SELECT platform_id FROM platform WHERE slug = %(platform)s))
                         AND (%(part)s::text IS NULL OR part_id = (
                             SELECT coalesce(merged_into, part_id) FROM part WHERE slug = %(part)s))
                GROUP BY platform_id, part_id, against_id
            ), questions AS (
                SELECT platform.slug::text AS platform, part.slug::text AS part, against.slug::text AS against,
                       cars, pairs, first, last
                FROM   counted
                       JOIN platform USING (platform_id)
                       JOIN part USING (part_id)
                       LEFT JOIN part against ON against.part_id = against_id
            )
            SELECT   * FROM questions
            WHERE    (%(cars)s::bigint IS NULL
                     OR (-cars, -pairs, platform, part, coalesce(against, ''))
                        > (-%(cars)s::bigint, -%(pairs)s::bigint, %(last_platform)s, %(last_part)s, %(last_against)s))
            ORDER BY -cars, -pairs, platform, part, coalesce(against, '')
            LIMIT    %(limit)s
            """,
            {
                "platform": platform,
                "part": part,
                "cars": cars,
                "pairs": pairs,
                "last_platform": names[0],
                "last_part": names[1],
                "last_against": names[2],
                "limit": limit,
            },
        ).fetchall()


@dataclass(frozen=True, slots=True)
class StockEvidenceRow:
    """How many stock cars of a kind were measured, and when last; None where there is none."""

    platform: str
    name: str
    stock_cars: int
    last: datetime | None


STOCK_CAR = """setup_summary.stock AND setup_summary.counts AND setup_summary.doubts = '{}'
    AND setup_summary.stock_checked IN ('verified', 'declared')"""
"""A setup by which its car is a stock car of its kind, as the stock spread counts them where nothing else is asked for."""


def list_stock_evidence(
    conn: Connection, *, after: tuple[int, str] | None, limit: int
) -> list[StockEvidenceRow]:
    """Every kind of car, those with the fewest stock cars first, from after (stock cars, platform)."""
    cars, platform = after or (None, None)
    with conn.cursor(row_factory=class_row(StockEvidenceRow)) as cursor:
        return cursor.execute(
            f"""
            WITH counted AS (
                SELECT   platform_id, count(DISTINCT setup_summary.vehicle_id) AS cars, max(started_at) AS last
                FROM     setup_summary JOIN setup USING (setup_id) JOIN session USING (session_id)
                WHERE    {STOCK_CAR}
                GROUP BY platform_id
            ), kinds AS (
                SELECT slug::text AS platform, name, coalesce(cars, 0) AS stock_cars, last
                FROM   platform LEFT JOIN counted USING (platform_id)
            )
            SELECT   * FROM kinds
            WHERE    %(cars)s::bigint IS NULL OR (stock_cars, platform) > (%(cars)s::bigint, %(platform)s)
            ORDER BY stock_cars, platform
            LIMIT    %(limit)s
            """,  # noqa: S608
            {"cars": cars, "platform": platform, "limit": limit},
        ).fetchall()


def slots_shared(conn: Connection, part_id: int, other_id: int) -> bool:
    """Whether two parts fill a slot in common, so that one can replace the other."""
    row = conn.execute(
        "SELECT EXISTS (SELECT FROM part_slot a JOIN part_slot b USING (slot) WHERE a.part_id = %s AND b.part_id = %s)",
        (part_id, other_id),
    ).fetchone()
    return bool(row and row[0])


def measured_on(conn: Connection, part_id: int) -> list[tuple[str, int]]:
    """The platforms on which a part has usable pairs against nothing, with their number of cars, most first."""
    return conn.execute(
        """
        SELECT   platform.name, count(DISTINCT vehicle_id) AS cars
        FROM     pair JOIN platform USING (platform_id)
        WHERE    part_id = %s AND against_id = 0 AND usable
        GROUP BY platform.slug, platform.name ORDER BY cars DESC, platform.slug
        """,
        (part_id,),
    ).fetchall()
