"""The company that several posts of one transaction come into: the questions of `surroundings` for many of them at once.

What differs from post to post only by which car is left out is read a little further, so that leaving it out can be done by
whoever asked.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any, NamedTuple

from psycopg.rows import args_row, kwargs_row

from service.domain.checks.case import BayPull, EarlierState, SiteAir
from service.domain.reference import StockSetup
from service.store.db import Connection, Later
from service.store.sessions import RECENT_SETUPS
from service.store.surroundings import (
    BAY_PULL,
    COMPARABLE_STOCK,
    HALF_A_DAY,
    HALF_AN_HOUR,
    NEWEST_OF_BAY,
    NEWEST_STOCK,
    POWER_OF_STOCK,
    PULLS_AGREE,
    air_around,
    earlier_state,
    pulls_near,
    states_before,
    stock_setup,
)


class PlatformStock(NamedTuple):
    """A stock setup of a platform without doubts, and the bay that measured it."""

    platform_id: int
    bay_id: int
    setup: StockSetup


def ask_platform_stock(
    conn: Connection, platform_ids: Collection[int], cars: Collection[int]
) -> Later[list[PlatformStock]]:
    """The newest stock setups of some platforms, newest first: so many that without any one of `cars` enough are left.
    Nothing that was recorded along their curves but torque."""

    def row(
        platform_id: int,
        bay_id: int,
        lambda_probe: str | None,
        first: int | None,
        torque_nm: bytes | None,
        *rest: Any,
    ) -> PlatformStock:
        setup = stock_setup((), lambda_probe, first, torque_nm, None, None, *rest)
        return PlatformStock(platform_id, bay_id, setup)

    return (
        conn.cursor(row_factory=args_row(row), binary=True)
        .execute(
            f"""
        SELECT newest.platform_id, newest.bay_id, lambda_probe, first, setup_curve.torque_nm,
               newest.vehicle_id, newest.power_kw, newest.power_rpm, gear, speed_ratio, ethanol
        FROM   unnest(%(platforms)s::integer[]) AS wanted (platform_id)
               CROSS JOIN LATERAL (
                   SELECT * FROM setup_summary
                   WHERE  platform_id = wanted.platform_id AND {COMPARABLE_STOCK}
                   ORDER  BY setup_id DESC
                   LIMIT  {NEWEST_STOCK} + (SELECT count(*) FROM setup_summary own
                                        WHERE  own.platform_id = wanted.platform_id AND stock AND counts
                                               AND own.vehicle_id = ANY(%(cars)s))) newest
               JOIN setup USING (setup_id)
               JOIN session USING (session_id)
               LEFT JOIN setup_curve USING (setup_id)
        ORDER  BY setup_id DESC
        """,  # noqa: S608
            {"platforms": sorted(platform_ids), "cars": sorted(cars)},
        )
        .fetchall
    )


class StockPower(NamedTuple):
    """A stock setup as a bay's level is judged by it: ln of peak power [kW]."""

    bay_id: int
    vehicle_id: int
    vehicle: str
    platform_id: int
    started_at: datetime
    log_power: float


def ask_bay_stock(
    conn: Connection, bay_ids: Collection[int], cars: Collection[int]
) -> Later[list[StockPower]]:
    """The newest stock setups of some bays, newest first: so many that without any one of `cars` enough are left."""
    return (
        conn.cursor(row_factory=args_row(StockPower), binary=True)
        .execute(
            f"""
        SELECT newest.bay_id, newest.vehicle_id, tag::text AS vehicle, newest.platform_id, started_at,
               ln(power_kw) AS log_power
        FROM   unnest(%(bays)s::integer[]) AS wanted (bay_id)
               CROSS JOIN LATERAL (
                   SELECT * FROM setup_summary
                   WHERE  bay_id = wanted.bay_id AND {POWER_OF_STOCK} AND {PULLS_AGREE}
                   ORDER  BY setup_id DESC
                   LIMIT  {NEWEST_OF_BAY} + (SELECT count(*) FROM setup_summary own
                                        WHERE  own.bay_id = wanted.bay_id AND stock AND counts
                                               AND own.vehicle_id = ANY(%(cars)s))) newest
               JOIN vehicle USING (vehicle_id)
               JOIN setup USING (setup_id)
               JOIN session USING (session_id)
        ORDER  BY setup_id DESC
        """,  # noqa: S608
            {"bays": sorted(bay_ids), "cars": sorted(cars)},
        )
        .fetchall
    )


def ask_platform_powers(conn: Connection, platform_ids: Collection[int]) -> Later[list[tuple[int, float]]]:
    """(platform, peak power [kW]) of the newest stock setups of some platforms, newest first."""
    return (
        conn.cursor(binary=True)
        .execute(
            f"""
        SELECT wanted.platform_id, newest.power_kw
        FROM   unnest(%(platforms)s::integer[]) AS wanted (platform_id)
               CROSS JOIN LATERAL (
                   SELECT setup_id, power_kw FROM setup_summary every
                   WHERE  every.platform_id = wanted.platform_id AND {POWER_OF_STOCK}
                   ORDER  BY setup_id DESC LIMIT {NEWEST_OF_BAY}) newest
        ORDER  BY setup_id DESC
        """,  # noqa: S608
            {"platforms": sorted(platform_ids)},
        )
        .fetchall
    )


def ask_bay_spreads(conn: Connection, bay_ids: Collection[int]) -> Later[list[tuple[int, float, int]]]:
    """(bay, sum of squares, degrees of freedom) of the newest setups of some bays, newest first."""
    return (
        conn.cursor(binary=True)
        .execute(
            f"""
        SELECT wanted.bay_id, spread_ss, spread_df
        FROM   unnest(%(bays)s::integer[]) AS wanted (bay_id)
               CROSS JOIN LATERAL (
                   SELECT setup_id, spread_ss, spread_df FROM setup_summary
                   WHERE  setup_summary.bay_id = wanted.bay_id AND counts AND {PULLS_AGREE}
                   ORDER  BY setup_id DESC LIMIT {RECENT_SETUPS}) newest
        ORDER  BY setup_id DESC
        """,  # noqa: S608
            {"bays": sorted(bay_ids)},
        )
        .fetchall
    )


def ask_earlier_states(
    conn: Connection, wanted: Collection[tuple[int, datetime]]
) -> Later[list[tuple[tuple[int, datetime], EarlierState]]]:
    """Cars' states before times, given as (car, time), newest first; without doubts, corrected."""

    def row(vehicle_id: int, before: datetime, **rest: Any) -> tuple[tuple[int, datetime], EarlierState]:
        return (vehicle_id, before), earlier_state(**rest)

    return (
        conn.cursor(row_factory=kwargs_row(row), binary=True)
        .execute(
            f"""
        SELECT wanted.vehicle_id, wanted.before, newest.*
        FROM   unnest(%(cars)s::integer[], %(times)s::timestamptz[]) AS wanted (vehicle_id, before)
               CROSS JOIN LATERAL ({states_before("wanted.vehicle_id", "wanted.before")}) newest
        """,  # noqa: S608
            {"cars": [car for car, _ in wanted], "times": [at for _, at in wanted]},
        )
        .fetchall
    )


def ask_bay_pulls(
    conn: Connection, wanted: Collection[tuple[int, datetime]]
) -> Later[list[tuple[tuple[int, datetime], BayPull]]]:
    """What bays pulled within half a day of times, given as (bay, time)."""

    def row(bay_id: int, near: datetime, **rest: Any) -> tuple[tuple[int, datetime], BayPull]:
        return (bay_id, near), BayPull(**rest)

    return (
        conn.cursor(row_factory=kwargs_row(row), binary=True)
        .execute(
            f"""
        SELECT wanted.bay_id, wanted.near, {BAY_PULL}
        FROM   unnest(%(bays)s::integer[], %(times)s::timestamptz[]) AS wanted (bay_id, near)
               CROSS JOIN LATERAL ({pulls_near("wanted.bay_id", "wanted.near")}) nearest
        """,  # noqa: S608
            {"bays": [bay for bay, _ in wanted], "times": [at for _, at in wanted], "reach": HALF_A_DAY},
        )
        .fetchall
    )


Stay = tuple[int, datetime, datetime]
"""A bay, and from when to when it pulled."""


def ask_site_air(conn: Connection, wanted: Collection[Stay]) -> Later[list[tuple[Stay, SiteAir]]]:
    """Air that other bays of the same sites recorded within half an hour of sessions' first to last pulls."""

    def row(own: int, first: datetime, last: datetime, **rest: Any) -> tuple[Stay, SiteAir]:
        return (own, first, last), SiteAir(**rest)

    return (
        conn.cursor(row_factory=kwargs_row(row), binary=True)
        .execute(
            f"""
        SELECT wanted.own, wanted.first, wanted.last, found.*
        FROM   unnest(%(bays)s::integer[], %(first)s::timestamptz[], %(last)s::timestamptz[]) AS wanted (own, first, last)
               CROSS JOIN LATERAL ({air_around("own.bay_id = wanted.own", "wanted.first", "wanted.last")}) found
        """,  # noqa: S608
            {
                "bays": [bay for bay, _, _ in wanted],
                "first": [first for _, first, _ in wanted],
                "last": [last for _, _, last in wanted],
                "day": HALF_A_DAY,
                "reach": HALF_AN_HOUR,
            },
        )
        .fetchall
    )


def ask_visits(
    conn: Connection, wanted: Collection[tuple[int, datetime]]
) -> Later[list[tuple[int, datetime, str, datetime]]]:
    """(car, time, bay, start) of cars' sessions within half a day of times, given as (car, time); without struck ones."""
    return conn.execute(
        """
        SELECT wanted.vehicle_id, wanted.near, bay.slug::text, started_at
        FROM   unnest(%(cars)s::integer[], %(times)s::timestamptz[]) AS wanted (vehicle_id, near)
               JOIN session ON session.vehicle_id = wanted.vehicle_id
                    AND started_at BETWEEN wanted.near - %(reach)s AND wanted.near + %(reach)s
               JOIN bay USING (bay_id)
        WHERE  session.struck IS NULL
        """,
        {"cars": [car for car, _ in wanted], "times": [at for _, at in wanted], "reach": HALF_A_DAY},
    ).fetchall
