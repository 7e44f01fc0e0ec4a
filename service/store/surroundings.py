"""The company a post comes into: the platform's stock cars, the car's own past, the bay's day. Bounded row by row, so
that a post costs the same whatever the shop has measured."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from psycopg.rows import args_row, kwargs_row

from service.domain.checks.case import BayPull, EarlierState, SiteAir
from service.domain.checks.mixture import PROBES
from service.domain.curve import Peaks
from service.domain.engine import HasEngine
from service.domain.records import PostedSession
from service.domain.reference import StockSetup
from service.store.curves import setup_curve
from service.store.db import Connection, Later
from service.store.reading import OF_A_BAY, PULL_COLUMNS, PullRow, decoded

NEWEST_STOCK = 30
"""A platform's reference is taken over this many of its newest stock setups: the median of so many cars lies within one
percent where stock cars spread by 4.5 (our choice)."""
NEWEST_OF_BAY = 60
"""A bay's own level is taken over this many of its newest stock setups (our choice)."""
NEWEST_STATES = 20
"""How far back a car's own earlier states are read (our choice)."""
NEWEST_PULLS = 400
"""How far back a bay's day, or a car's own pulls with it, are read (our choice)."""
FEWEST_CARS_TO_JUDGE = 8
"""No verdict on a car or bay against fewer (common practice, no source)."""
HALF_A_DAY = timedelta(hours=12)
HALF_AN_HOUR = timedelta(minutes=30)
"""Air recorded in one building further apart than this may differ (common practice, no source)."""
SAME_PEAKS = 0.0005
SAME_PEAK_RPM = 25.0
"""Pulls whose peaks lie nearer than this share, and this many rpm, are looked at speed by speed: were they posted before?
(our choice)"""

# What `companies` asks too, for many posts at once.
COMPARABLE_STOCK = """stock AND counts AND doubts = '{}' AND level_standard = 'any'
                   AND stock_checked <> 'unknown' AND power_kw > 0 AND power_rpm > 0"""
"""Of a setup's summary: it may stand in its platform's reference."""
POWER_OF_STOCK = "stock AND counts AND level_standard = 'any' AND power_kw > 0"
"""It may stand in the median of its platform's powers; in its bay's level too, where its pulls agree."""
PULLS_AGREE = "NOT doubts @> '{pulls-disagree}'"
NOT_STRUCK = "session.struck IS NULL AND setup.struck IS NULL AND pull.struck IS NULL"
BEGAN = "coalesce(pull.started_at, session.started_at)"
AIR = """pull.temperature_c + coalesce(fault.temperature_k, 0) AS temperature_c,
               pull.pressure_kpa + coalesce(fault.pressure_kpa, 0) AS pressure_kpa, humidity"""
"""Of a pull's, as its bay's correction `fault` leaves it."""
BAY_PULL = "session, vehicle, started_at, sequence, temperature_c, pressure_kpa, humidity"
"""The columns of a `BayPull`."""


def states_before(car: str, before: str) -> str:
    """The newest states of a car before a time, both in SQL; without doubts, corrected."""
    return f"""
        SELECT session.id::text AS session, setup.n AS setup_n, bay.slug::text AS bay, started_at,
               ARRAY(SELECT slug::text FROM part WHERE part_id = ANY (part_ids)) AS parts, gear, speed_ratio,
               power_kw, tyre_size, first, setup_curve.torque_nm
        FROM   session
               JOIN setup USING (session_id)
               JOIN setup_summary USING (setup_id)
               JOIN bay ON bay.bay_id = session.bay_id
               LEFT JOIN setup_curve USING (setup_id)
        WHERE  session.vehicle_id = {car} AND started_at < {before}
               AND counts AND doubts = '{{}}' AND level_standard = 'any' AND parts_known = 'complete'
        ORDER  BY started_at DESC, session_id DESC, setup.n LIMIT {NEWEST_STATES}
        """  # noqa: S608


def pulls_near(bay: str, at: str) -> str:
    """The pulls of a bay that are nearest to a time, both in SQL, within `reach` of it."""
    return f"""
            SELECT pull_id, session.id::text AS session, vehicle.tag::text AS vehicle, {BEGAN} AS started_at, sequence,
                   {AIR}
            FROM   session
                   JOIN vehicle USING (vehicle_id)
                   JOIN setup USING (session_id)
                   JOIN pull USING (setup_id)
                   LEFT JOIN bay_correction fault USING (correction_id)
            WHERE  session.bay_id = {bay}
                   AND session.started_at BETWEEN {at} - %(reach)s AND {at} + %(reach)s AND {NOT_STRUCK}
            ORDER  BY abs(extract(epoch FROM {BEGAN} - {at})), pull_id
            LIMIT  {NEWEST_PULLS}
            """  # noqa: S608


def air_around(own: str, first: str, last: str) -> str:
    """Air recorded from `reach` before one time to `reach` after another, in sessions at most a `day` off, by the bays that
    share a site with the bay `own`; that condition and both times in SQL."""
    return f"""
        SELECT other.slug::text AS bay, {BEGAN} AS at, {AIR}
        FROM   bay own
               JOIN bay other ON other.site = own.site AND other.bay_id <> own.bay_id
               JOIN session ON session.bay_id = other.bay_id
               JOIN setup USING (session_id)
               JOIN pull USING (setup_id)
               LEFT JOIN bay_correction fault USING (correction_id)
        WHERE  {own}
               AND session.started_at BETWEEN {first} - %(day)s AND {last} + %(day)s
               AND {BEGAN} BETWEEN {first} - %(reach)s AND {last} + %(reach)s
               AND {NOT_STRUCK}
        ORDER  BY 2, pull_id LIMIT {NEWEST_PULLS}
        """  # noqa: S608


def ask_stock_setups(
    conn: Connection, tag: str, bay: str, channels: Collection[str]
) -> Later[list[StockSetup]]:
    """The newest stock setups of a car's platform, its own left out; without doubts, at a level that can be compared.

    Of what was recorded along their curves only these channels. Rollers differ between bays, so only this one's say
    what engine over roller speed is.
    """
    cursor = conn.cursor(row_factory=args_row(partial(stock_setup, channels)), binary=True)
    return cursor.execute(
        f"""
        WITH newest AS MATERIALIZED (
            SELECT setup_id, vehicle_id, power_kw, power_rpm, bay_id, speed_ratio
            FROM   setup_summary
            WHERE  platform_id = (SELECT platform_id FROM vehicle WHERE tag = %(tag)s)
                   AND vehicle_id <> (SELECT vehicle_id FROM vehicle WHERE tag = %(tag)s)
                   AND {COMPARABLE_STOCK}
            ORDER  BY setup_id DESC LIMIT {NEWEST_STOCK}
        )
        SELECT lambda_probe, first, torque_nm, channels,
               CASE WHEN %(along)s THEN channel_values END AS channel_values,
               newest.vehicle_id, power_kw, power_rpm, gear,
               CASE WHEN newest.bay_id = (SELECT bay_id FROM bay WHERE slug = %(bay)s) THEN speed_ratio END
                   AS speed_ratio,
               ethanol
        FROM   newest
               JOIN setup USING (setup_id)
               JOIN session USING (session_id)
               LEFT JOIN setup_curve USING (setup_id)
        ORDER  BY setup_id DESC
        """,  # noqa: S608
        {"tag": tag, "bay": bay, "along": bool(channels)},
    ).fetchall


def stock_setup(
    wanted: Collection[str],
    lambda_probe: str | None,
    first: int | None,
    torque_nm: bytes | None,
    channels: list[str] | None,
    channel_values: bytes | None,
    *figures: Any,
) -> StockSetup:
    """A row with its curve put back on the grid, without a mixture that was measured behind the catalyst. `figures` are
    the first fields of the record in their order: by name, thirty rows cost a post as much as their medians do."""
    unlike = {"lambda"} if lambda_probe not in (None, PROBES[0]) else set()
    curve = setup_curve(first, torque_nm, channels, channel_values, set(wanted) - unlike)
    vehicle_id, power_kw, power_rpm, gear, speed_ratio, ethanol = figures
    return StockSetup(
        vehicle_id, power_kw, power_rpm, gear, speed_ratio, ethanol, curve.torque_nm, curve.channels
    )


def ask_earlier_states(conn: Connection, tag: str, before: datetime) -> Later[list[EarlierState]]:
    """A car's states before a time, newest first; without doubts, corrected."""
    cursor = conn.cursor(row_factory=kwargs_row(earlier_state), binary=True)
    question = states_before("(SELECT vehicle_id FROM vehicle WHERE tag = %(tag)s)", "%(before)s")
    return cursor.execute(question, {"tag": tag, "before": before}).fetchall


def earlier_state(parts: list[str], first: int | None, torque_nm: bytes | None, **rest: Any) -> EarlierState:
    """A row as a record."""
    curve = setup_curve(first, torque_nm, None, None)
    return EarlierState(parts=frozenset(parts), torque_nm=curve.torque_nm, **rest)


def ask_bay_pulls(conn: Connection, bay: str, at: datetime) -> Later[list[BayPull]]:
    """What a bay pulled within half a day of a time, in order of time."""
    cursor = conn.cursor(row_factory=args_row(BayPull), binary=True)
    return cursor.execute(
        f"""
        SELECT {BAY_PULL}
        FROM   ({pulls_near("(SELECT bay_id FROM bay WHERE slug = %(bay)s)", "%(at)s")}) nearest
        ORDER  BY started_at, pull_id
        """,  # noqa: S608
        {"bay": bay, "at": at, "reach": HALF_A_DAY},
    ).fetchall


def ask_site_air(conn: Connection, bay: str, first: datetime, last: datetime) -> Later[list[SiteAir]]:
    """Air that other bays of the same site recorded within half an hour of a session's first to last pull."""
    cursor = conn.cursor(row_factory=args_row(SiteAir), binary=True)
    return cursor.execute(
        air_around("own.slug = %(bay)s", "%(first)s", "%(last)s"),
        {"bay": bay, "first": first, "last": last, "day": HALF_A_DAY, "reach": HALF_AN_HOUR},
    ).fetchall


class BayStock(NamedTuple):
    """A stock car that a bay measured: on this day or another, ln of its power over its platform's stock median."""

    vehicle: str
    today: bool
    residual: float


def ask_bay_stock(conn: Connection, bay: str, at: datetime, tag: str) -> Later[list[BayStock]]:
    """The bay's newest stock cars but one, each day's once, against their platforms' newest stock setups."""
    cursor = conn.cursor(row_factory=args_row(BayStock), binary=True)
    return cursor.execute(
        f"""
        WITH newest AS MATERIALIZED (
            SELECT setup_id, vehicle_id, platform_id, power_kw
            FROM   setup_summary
            WHERE  bay_id = (SELECT bay_id FROM bay WHERE slug = %(bay)s) AND {POWER_OF_STOCK} AND {PULLS_AGREE}
                   AND vehicle_id <> (SELECT vehicle_id FROM vehicle WHERE tag = %(tag)s)
            ORDER  BY setup_id DESC LIMIT {NEWEST_OF_BAY}
        ),
        platforms AS MATERIALIZED (
            SELECT platform_id, middle
            FROM   (SELECT DISTINCT platform_id FROM newest) here
                   CROSS JOIN LATERAL (
                       SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY ln(power_kw)) AS middle, count(*) AS setups
                       FROM   (SELECT power_kw FROM setup_summary every
                               WHERE  every.platform_id = here.platform_id AND {POWER_OF_STOCK}
                               ORDER  BY setup_id DESC LIMIT {NEWEST_OF_BAY}) of_platform
                   ) company
            WHERE  setups >= %(fewest)s
        ),
        near AS (
            SELECT setup_id FROM session JOIN setup USING (session_id)
            WHERE  bay_id = (SELECT bay_id FROM bay WHERE slug = %(bay)s)
                   AND started_at BETWEEN %(at)s - %(reach)s AND %(at)s + %(reach)s
        )
        SELECT   (SELECT tag::text FROM vehicle WHERE vehicle.vehicle_id = newest.vehicle_id) AS vehicle,
                 setup_id IN (SELECT setup_id FROM near) AS today, avg(ln(power_kw)) - middle AS residual
        FROM     newest JOIN platforms USING (platform_id)
        GROUP BY newest.vehicle_id, 2, middle
        """,  # noqa: S608
        {
            "bay": bay,
            "at": at,
            "reach": HALF_A_DAY,
            "tag": tag,
            "fewest": FEWEST_CARS_TO_JUDGE,
        },
    ).fetchall


def ask_elsewhere(
    conn: Connection, tag: str, bay: str, at: datetime
) -> Later[tuple[tuple[str, datetime], ...]]:
    """(bay, start) of a car's sessions in other bays within half a day of a time."""
    cursor = conn.execute(
        """
        SELECT bay.slug::text, started_at
        FROM   session JOIN bay USING (bay_id)
        WHERE  vehicle_id = (SELECT vehicle_id FROM vehicle WHERE tag = %(tag)s) AND bay.slug <> %(bay)s
               AND started_at BETWEEN %(at)s - %(reach)s AND %(at)s + %(reach)s AND session.struck IS NULL
        """,
        {"tag": tag, "bay": bay, "at": at, "reach": HALF_A_DAY},
    )
    return lambda: tuple((slug, started) for slug, started in cursor.fetchall())


@dataclass(frozen=True, slots=True)
class AlikePull(HasEngine):
    """An earlier pull whose peaks are those of a posted one (by its setup's number and its own), with what its observed
    curve is drawn from: its raw channels, and what of its session and car they rest on."""

    pull: PullRow
    channels: dict[str, NDArray[np.float64]]
    setup_n: int
    pull_n: int
    session: str
    vehicle: str
    ratio: float | None
    ignition: str
    aspiration: str
    charge_cooling: str | None
    fuel_per_cycle: float | None
    boost_ratio: float | None


def alike_pull(*row: Any) -> AlikePull:
    """A row as a record."""
    return AlikePull(PullRow(*row[15:]), decoded(*row[10:15]), *row[:10])


def ask_alike_pulls(
    conn: Connection, session: PostedSession, peaks: Mapping[tuple[int, int], Peaks]
) -> Later[list[AlikePull]]:
    """Among the newest pulls with a curve, of a session's car and of any car that its bay pulled within half a day, those
    whose observed peaks are these: one that was posted before has the same, under whichever car. The session's own are
    left out."""
    cursor = conn.cursor(row_factory=args_row(alike_pull), binary=True)
    return cursor.execute(
        f"""
        WITH company AS (
            SELECT session_id FROM session
            WHERE  vehicle_id = (SELECT vehicle_id FROM vehicle WHERE tag = %(tag)s)
            UNION
            SELECT session_id FROM session
            WHERE  bay_id = (SELECT bay_id FROM bay WHERE slug = %(bay)s)
                   AND started_at BETWEEN %(at)s - %(reach)s AND %(at)s + %(reach)s
        ), newest AS MATERIALIZED (
            SELECT pull_id, session.id::text AS session, tag::text AS vehicle, platform_id, session.ratio,
                   power_kw, power_rpm, torque_nm
            FROM   company
                   JOIN session USING (session_id)
                   JOIN vehicle USING (vehicle_id)
                   JOIN setup USING (session_id)
                   JOIN pull USING (setup_id)
            WHERE  rpm_to IS NOT NULL AND power_kw IS NOT NULL AND session.id IS DISTINCT FROM %(own)s
                   AND {NOT_STRUCK} AND status <> 'rejected'
            ORDER  BY pull_id DESC LIMIT {NEWEST_PULLS}
        ), alike AS MATERIALIZED (
            SELECT setup_n, pull_n, pull_id, session, vehicle, platform_id, ratio
            FROM   newest
                   JOIN unnest(%(setups)s::integer[], %(pulls)s::integer[], %(power)s::float8[], %(rpm)s::float8[],
                               %(torque)s::float8[]) AS posted (setup_n, pull_n, power, rpm, torque)
                        ON  abs(power - power_kw) < {SAME_PEAKS} * power_kw
                            AND abs(torque - torque_nm) < {SAME_PEAKS} * torque_nm
                            AND abs(rpm - power_rpm) < {SAME_PEAK_RPM}
        )
        SELECT setup_n, pull_n, session, vehicle, ratio, ignition, aspiration, charge_cooling, fuel_per_cycle, boost_ratio,
               enc, channels, steps, samples, raw, {PULL_COLUMNS}
        FROM   alike
               JOIN platform USING (platform_id)
               JOIN pull USING (pull_id)
               JOIN pull_raw USING (pull_id)
               {OF_A_BAY}
        ORDER  BY setup_n, pull_n, pull_id DESC
        """,  # noqa: S608
        {
            "tag": session.vehicle,
            "bay": session.bay,
            "at": session.started_at,
            "reach": HALF_A_DAY,
            "own": session.id,
            "setups": [setup_n for setup_n, _ in peaks],
            "pulls": [pull_n for _, pull_n in peaks],
            "power": [one.power_kw for one in peaks.values()],
            "rpm": [one.power_rpm for one in peaks.values()],
            "torque": [one.torque_nm for one in peaks.values()],
        },
    ).fetchall
