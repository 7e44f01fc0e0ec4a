"""What the answers of the history model need beside it: what parts cost, where setups stand, who was last in a bay."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, NamedTuple
from uuid import UUID

from psycopg.rows import class_row

from service.domain.engine import HasEngine
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class PlatformAsked(HasEngine):
    """The platform a question is about, and the version of what is recorded of it."""

    platform_id: int
    slug: str
    name: str
    aspiration: str
    ignition: str
    charge_cooling: str | None
    fuel_per_cycle: float | None
    boost_ratio: float | None
    version: int


def find_platform(conn: Connection, slug: str) -> PlatformAsked | None:
    """A platform by its slug."""
    with conn.cursor(row_factory=class_row(PlatformAsked)) as cursor:
        return cursor.execute(
            """
            SELECT platform_id, slug::text, name, aspiration, ignition, charge_cooling, fuel_per_cycle, boost_ratio,
                   version
            FROM   platform WHERE slug = %s
            """,
            (slug,),
        ).fetchone()


@dataclass(frozen=True, slots=True)
class PricedPart:
    """A part with its slots and what is known of its cost."""

    part_id: int
    slug: str
    name: str
    slots: list[str]
    price: Decimal | None
    currency: str | None
    price_date: date | None
    labour_hours: float | None
    version: int


def priced_parts(conn: Connection, slugs: Sequence[str] | None = None) -> list[PricedPart]:
    """These parts, or all, in the order of their slugs."""
    with conn.cursor(row_factory=class_row(PricedPart)) as cursor:
        return cursor.execute(
            """
            SELECT   part_id, slug::text, name, array_agg(slot::text ORDER BY slot) AS slots, price, currency,
                     price_date, labour_hours, version
            FROM     part JOIN part_slot USING (part_id)
            WHERE    merged_into IS NULL AND (%(slugs)s::text[] IS NULL OR part_id IN (
                         SELECT coalesce(merged_into, part_id) FROM part WHERE slug = ANY (%(slugs)s::text[])))
            GROUP BY part_id
            ORDER BY slug
            """,
            {"slugs": None if slugs is None else list(slugs)},
        ).fetchall()


class SetupPlace(NamedTuple):
    """Where a setup stands, and what it was measured in."""

    setup_id: int
    session: UUID
    n: int
    vehicle: str
    platform: str
    bay: str
    started_at: datetime
    part_ids: list[int]
    counts: bool
    doubts: list[str]
    pulls: int
    factor: float | None
    temperature_c: float | None
    pressure_kpa: float | None
    coolant_c: float | None
    inlet_c: float | None
    lambda_mean: float | None
    map_max_kpa: float | None
    ethanol: float | None
    spark_advance_deg: float | None


PLACE = """
    SELECT setup.setup_id, session.id, setup.n, vehicle.tag::text, platform.slug::text, bay.slug::text,
           session.started_at, setup.part_ids, counts, doubts, pulls, factor, temperature_c, pressure_kpa, coolant_c,
           inlet_c, lambda_mean, map_max_kpa, ethanol, spark_advance_deg
    FROM   setup
           JOIN setup_summary USING (setup_id)
           JOIN session USING (session_id)
           JOIN vehicle ON vehicle.vehicle_id = session.vehicle_id
           JOIN platform ON platform.platform_id = vehicle.platform_id
           JOIN bay ON bay.bay_id = session.bay_id
"""


def places_of_setups(conn: Connection, setup_ids: Iterable[int]) -> dict[int, SetupPlace]:
    """Where these setups stand, by setup."""
    rows = conn.execute(PLACE + "WHERE setup.setup_id = ANY (%s)", (sorted(set(setup_ids)),), prepare=True)
    return {row[0]: SetupPlace(*row) for row in rows}


class PullFigure(NamedTuple):
    """One accepted pull's own peaks."""

    setup_id: int
    pull_id: int
    n: int
    factor: float | None
    inlet_c: float | None
    coolant_c: float | None
    lambda_mean: float | None
    power_kw: float | None
    torque_nm: float | None


def pulls_of_setups(conn: Connection, setup_ids: Iterable[int]) -> list[PullFigure]:
    """The accepted pulls behind these setups, in their order; a setup of one pull says nothing about its pulls."""
    rows = conn.execute(
        """
        SELECT   setup_id, pull_id, pull.n, factor, inlet_c, coolant_c, lambda_mean, power_kw, torque_nm
        FROM     pull
        WHERE    setup_id = ANY (%s) AND status = 'accepted' AND struck IS NULL AND best_of IS NULL
        ORDER BY setup_id, pull.n
        """,
        (sorted(set(setup_ids)),),
    ).fetchall()
    return [PullFigure(*row) for row in rows]


class BayPost(NamedTuple):
    """A bay and the last that was posted in it."""

    bay_id: int
    slug: str
    name: str
    kind: str
    last_post: datetime | None


def last_posts(conn: Connection) -> list[BayPost]:
    """Every bay with its newest session's time, in the order of their slugs."""
    rows = conn.execute(
        """
        SELECT   bay_id, slug::text, name, kind,
                 (SELECT max(started_at) FROM session WHERE session.bay_id = bay.bay_id AND struck IS NULL)
        FROM     bay
        ORDER BY slug
        """
    ).fetchall()
    return [BayPost(*row) for row in rows]


class BayEvent(NamedTuple):
    """Something recorded about a bay, after which its level may have stepped."""

    bay_id: int
    at: datetime
    kind: str


def bay_events(conn: Connection) -> list[BayEvent]:
    """What was recorded about the bays, oldest first."""
    rows: list[tuple[Any, ...]] = conn.execute(
        "SELECT bay_id, at, kind FROM bay_event ORDER BY at"
    ).fetchall()
    return [BayEvent(*row) for row in rows]


def setups_up_to(conn: Connection, most: int) -> int:
    """How many setups count, counted no further than `most`."""
    row = conn.execute(
        "SELECT count(*) FROM (SELECT FROM setup_summary WHERE counts LIMIT %s) AS counted",
        (most,),
        prepare=True,
    ).fetchone()
    assert row is not None
    return int(row[0])


class Reach(NamedTuple):
    """From which knot of the grid a setup's mean curve runs, and over how many."""

    setup_id: int
    first: int
    knots: int


def reaches(conn: Connection, setup_ids: Iterable[int]) -> list[Reach]:
    """How far the mean curves of these setups reach; those without a curve are not in it."""
    rows = conn.cursor(binary=True).execute(
        "SELECT setup_id, first, length(torque_nm) / 4 FROM setup_curve WHERE setup_id = ANY (%s) ORDER BY setup_id",
        (sorted(set(setup_ids)),),
    )
    return [Reach(*row) for row in rows]


class UsualConditions(NamedTuple):
    """What is usual when a platform's otherwise stock cars are measured: medians over their setups, None where nobody
    recorded it."""

    platform: str
    ignition: str
    aspiration: str
    inlet_c: float | None
    lambda_mean: float | None
    map_max_kpa: float | None
    ethanol: float | None


def usual_conditions(conn: Connection, platforms: Iterable[str]) -> dict[str, UsualConditions]:
    """By platform."""
    rows = conn.execute(
        """
        SELECT   platform.slug::text, ignition, aspiration, percentile_cont(0.5) WITHIN GROUP (ORDER BY inlet_c),
                 percentile_cont(0.5) WITHIN GROUP (ORDER BY lambda_mean),
                 percentile_cont(0.5) WITHIN GROUP (ORDER BY map_max_kpa),
                 percentile_cont(0.5) WITHIN GROUP (ORDER BY ethanol)
        FROM     platform
                 LEFT JOIN setup_summary ON setup_summary.platform_id = platform.platform_id AND counts AND n_parts = 0
                 LEFT JOIN setup USING (setup_id)
        WHERE    platform.slug = ANY (%s)
        GROUP BY platform.platform_id
        """,
        (sorted(set(platforms)),),
    ).fetchall()
    return {row[0]: UsualConditions(*row) for row in rows}


def setups_of_cars(conn: Connection, vehicle_ids: Iterable[int]) -> dict[int, list[SetupPlace]]:
    """Every setup of these cars that counts, oldest first, by car."""
    found: dict[int, list[SetupPlace]] = {}
    rows = conn.execute(
        PLACE.replace("SELECT ", "SELECT session.vehicle_id, ", 1)
        + "WHERE session.vehicle_id = ANY (%s) AND counts ORDER BY session.started_at, session.session_id, setup.n",
        (sorted(set(vehicle_ids)),),
    )
    for vehicle_id, *row in rows:
        found.setdefault(vehicle_id, []).append(SetupPlace(*row))
    return found


def setups_of_many_pulls(conn: Connection, fewest: int) -> list[int]:
    """Setups whose mean stands on so many pulls or more."""
    rows = conn.execute(
        "SELECT setup_id FROM setup_summary WHERE counts AND pulls >= %s AND best_of IS NULL", (fewest,)
    ).fetchall()
    return [row[0] for row in rows]
