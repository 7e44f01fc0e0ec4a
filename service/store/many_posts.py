"""Several sessions posted in one transaction: what they name asked at once, what is kept of them written at once.

The caller holds their bays and cars (`transfer.hold_for_posts`).
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any
from uuid import UUID

from psycopg.rows import class_row, kwargs_row

from service.domain.bay_correction import Period
from service.domain.pairing import CarSetup, Pair
from service.domain.records import Finding, Part, PlatformFacts, PostedSession
from service.store.bay_corrections import period_of
from service.store.db import Connection, Later, as_json, records
from service.store.pairs import ADD_PAIRS, SETUPS_OF_CAR, car_setup, pair_row
from service.store.sessions import (
    ADD_FINDINGS,
    FINDING_VALUES,
    SETUP_VALUES,
    KeptSession,
    LockedCar,
    setup_row,
)


@dataclass(frozen=True, slots=True)
class NamedBay:
    """A bay that sessions came from, and the building it stands in."""

    bay_id: int
    altitude_m: float | None
    kind: str
    site: str | None
    corrections: tuple[Period, ...]


def ask_cars(conn: Connection, tags: Collection[str]) -> Later[dict[str, LockedCar]]:
    """The cars of these tags, by tag, as `sessions.ask_car` gives each."""
    cursor = conn.execute(
        """
        SELECT vehicle_id, tag::text, slug::text,
               (SELECT own.tag::text FROM vehicle own WHERE own.vehicle_id = vehicle.merged_into), platform_id,
               aspiration, ignition, rpm_limit, rated_power_kw, charge_cooling, fuel_per_cycle, boost_ratio
        FROM   vehicle JOIN platform USING (platform_id)
        WHERE  tag = ANY(%s)
        """,
        (sorted(tags),),
    )
    return lambda: {
        row[1]: LockedCar(row[0], row[1], row[2], row[3], PlatformFacts(*row[4:]))
        for row in cursor.fetchall()
    }


def ask_bays(conn: Connection, slugs: Collection[str]) -> Later[dict[str, NamedBay]]:
    """The bays of these slugs, by slug, with the corrections of their figures that are in force."""
    cursor = conn.execute(
        """
        SELECT slug::text, bay_id, altitude_m, kind, site,
               (SELECT jsonb_agg(to_jsonb(bay_correction)) FROM bay_correction
                WHERE  bay_correction.bay_id = bay.bay_id AND undone_at IS NULL)
        FROM   bay WHERE slug = ANY(%s)
        """,
        (sorted(slugs),),
    )
    return lambda: {
        row[0]: NamedBay(row[1], row[2], row[3], row[4], tuple(map(period_of, row[5] or ())))
        for row in cursor.fetchall()
    }


def ask_parts_by_invoice(
    conn: Connection, wanted: Collection[tuple[str, datetime]]
) -> Later[dict[tuple[str, datetime], set[str]]]:
    """The parts that cars' modifications say were fitted, by (tag, moment of the day)."""
    cursor = conn.execute(
        """
        SELECT wanted.tag, wanted.day, part.slug::text
        FROM   unnest(%s::text[], %s::timestamptz[]) AS wanted (tag, day)
               JOIN vehicle ON vehicle.tag = wanted.tag
               JOIN modification USING (vehicle_id)
               JOIN part USING (part_id)
        WHERE  fitted_on < wanted.day::date AND (removed_on IS NULL OR removed_on > wanted.day::date)
        """,
        ([tag for tag, _ in wanted], [day for _, day in wanted]),
    )

    def invoiced() -> dict[tuple[str, datetime], set[str]]:
        found: dict[tuple[str, datetime], set[str]] = {}
        for tag, day, slug in cursor.fetchall():
            found.setdefault((tag, day), set()).add(slug)
        return found

    return invoiced


def ask_kept(conn: Connection, contents: Sequence[tuple[str, bytes]]) -> Later[dict[bytes, KeptSession]]:
    """The sessions kept with some contents, given as (bay, hash), by hash."""
    cursor = conn.cursor(row_factory=class_row(KeptSession)).execute(
        """
        SELECT session_id, id, session.content_hash, bay_id
        FROM   unnest(%s::text[], %s::bytea[]) AS posted (bay, content_hash)
               JOIN bay ON slug = posted.bay
               JOIN session USING (bay_id, content_hash)
        """,
        ([bay for bay, _ in contents], [hashed for _, hashed in contents]),
    )
    return lambda: {one.content_hash: one for one in cursor.fetchall()}


def ask_car_setups(conn: Connection, vehicle_ids: Collection[int]) -> Later[dict[int, list[CarSetup]]]:
    """Every setup of some cars, as pairing sees it, by car."""

    def of_car(vehicle_id: int, **rest: Any) -> tuple[int, CarSetup]:
        return vehicle_id, car_setup(**rest)

    cursor = conn.cursor(row_factory=kwargs_row(of_car)).execute(
        f"""
        SELECT wanted.vehicle_id, found.*
        FROM   unnest(%s::integer[]) AS wanted (vehicle_id)
               CROSS JOIN LATERAL ({SETUPS_OF_CAR} wanted.vehicle_id) found
        """,  # noqa: S608
        (sorted(vehicle_ids),),
    )

    def setups() -> dict[int, list[CarSetup]]:
        found: dict[int, list[CarSetup]] = {}
        for vehicle_id, setup in cursor.fetchall():
            found.setdefault(vehicle_id, []).append(setup)
        return found

    return setups


@dataclass(frozen=True, slots=True)
class NewSession:
    """A session to be kept, with all that was found of what it names."""

    id: UUID
    posted: PostedSession
    vehicle_id: int
    bay_id: int
    parts: Mapping[str, Part]
    content_hash: bytes


@dataclass(frozen=True, slots=True)
class AddedMany:
    """One of several sessions just kept: its number, its start as it will be read back, and its setups' numbers."""

    session_id: int
    started_at: datetime
    setup_ids: list[int]


SESSION_VALUES = (
    "id", "vehicle_id", "bay_id", "started_at", "operator", "gear", "ratio", "tyre_size", "tyre_pressure_kpa", "sequence",
    "clock", "content_hash", "posted_by",
)  # fmt: skip
ADD_SESSIONS = f"INSERT INTO session {records('session', SESSION_VALUES)} RETURNING session_id, started_at"
ADD_SETUPS = f"INSERT INTO setup {records('setup', ('session_id', *SETUP_VALUES))} RETURNING setup_id"
ADD_FITTED = f"INSERT INTO setup_part {records('setup_part', ('setup_id', 'part_id', 'slot'))}"


def add_sessions(conn: Connection, new: Sequence[NewSession], who: str) -> list[AddedMany]:
    """Insert strap-downs with their states, parts and slots, in this order; answers their numbers.

    One statement a table: joining what one of them returned to what the next is given costs more than the way there.
    """
    rows = conn.execute(ADD_SESSIONS, (as_json(session_row(one, who) for one in new),)).fetchall()
    states = [
        (session_id, setup, one.parts)
        for (session_id, _), one in zip(rows, new, strict=True)
        for setup in one.posted.setups
    ]
    setups = conn.execute(
        ADD_SETUPS, (as_json({"session_id": id, **setup_row(setup, parts)} for id, setup, parts in states),)
    ).fetchall()
    fitted = [
        {"setup_id": setup_id, "part_id": parts[listed.slug].part_id, "slot": listed.slot}
        for (setup_id,), (_, setup, parts) in zip(setups, states, strict=True)
        for listed in setup.parts
    ]
    conn.execute(ADD_FITTED, (as_json(fitted),))
    left = iter(setups)
    return [
        AddedMany(session_id, started_at, [setup_id for (setup_id,) in islice(left, len(one.posted.setups))])
        for (session_id, started_at), one in zip(rows, new, strict=True)
    ]


def session_row(new: NewSession, who: str) -> dict[str, object]:
    """One strap-down, by column."""
    posted = new.posted
    return {
        "id": new.id,
        "vehicle_id": new.vehicle_id,
        "bay_id": new.bay_id,
        "started_at": posted.started_at,
        "operator": posted.operator,
        "gear": posted.gear,
        "ratio": posted.ratio,
        "tyre_size": posted.tyre_size,
        "tyre_pressure_kpa": posted.tyre_pressure_kpa,
        "sequence": posted.sequence,
        "clock": posted.clock,
        "content_hash": new.content_hash,
        "posted_by": who,
    }


def add_findings(conn: Connection, said: Iterable[tuple[int, Finding]]) -> None:
    """Keep what the checks at the door said of several sessions, each by its number."""
    rows = [
        {"session_id": session_id, **{name: getattr(one, name) for name in FINDING_VALUES}}
        for session_id, one in said
    ]
    if rows:
        conn.execute(ADD_FINDINGS, (as_json(rows),))


def add_pairs(conn: Connection, made: Sequence[tuple[int, int, Pair]]) -> None:
    """Insert pairs of several cars, each with its platform and car."""
    if made:
        conn.execute(ADD_PAIRS, (as_json(pair_row(*one) for one in made),))


def bump_evidence(conn: Connection, touched: Mapping[tuple[int, int], int]) -> None:
    """Mark that the evidence on (platform, part) changed so many times, in key order so that two posts cannot wait for
    each other."""
    keys = sorted(touched)
    conn.execute(
        """
        INSERT INTO evidence_version (platform_id, part_id, version)
        SELECT * FROM unnest(%s::integer[], %s::integer[], %s::integer[])
        ON CONFLICT (platform_id, part_id) DO UPDATE SET version = evidence_version.version + excluded.version
        """,
        ([platform for platform, _ in keys], [part for _, part in keys], [touched[key] for key in keys]),
    )
