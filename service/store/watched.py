"""What those who watch over the ledger want to know of it, at the cost of a few small look-ups however large it is."""

from collections.abc import Mapping
from dataclasses import dataclass

import psycopg

from service.store.backups import FIRST_KEPT_AT, PROVED_AT
from service.store.db import Connect
from service.store.fits import CLUSTER


@dataclass(frozen=True, slots=True)
class Watched:
    """How long ago the newest session came in, from each bay too, and the newest fit's evidence was read [s], None where
    there is none; what that fit rests on, and how many cars changed since; how many rows there are, as the database's own
    statistics count them; how long ago the moment of the last proved backup was or, where there never was one, the first
    session came in [s]; how many archives follow the log of changes.

    The newest session is the one kept last, by the ledger's own clock, whenever it was measured: a bay may send old ones
    late, and its clock may be wrong."""

    last_post_age_s: float | None
    bays_last_post_age_s: Mapping[str, float]
    fit_age_s: float | None
    fit_cars: int | None
    fit_setups: int | None
    cars_changed: int | None
    cars: int
    setups: int
    pulls: int
    pairs: int
    backup_age_s: float | None
    archives: int


def watched(connect: Connect) -> Watched | None:
    """The ledger at this moment, None where it cannot be asked. Counting the rows themselves would take longer with every
    pull."""
    try:
        with connect() as conn:
            row = conn.execute(WATCHED).fetchone()
    except psycopg.OperationalError:
        return None
    assert row is not None
    return Watched(*row)


def counted(table: str) -> str:
    """The SQL of how many rows a table has."""
    return f"""
        (SELECT greatest(live.n_live_tup, stored.reltuples)::bigint
         FROM   pg_class stored JOIN pg_stat_user_tables live ON live.relid = stored.oid
         WHERE  stored.oid = '{table}'::regclass)
    """  # noqa: S608


WATCHED = f"""
    WITH newest AS (
        SELECT extract(epoch FROM clock_timestamp() - as_of)::float8 AS age_s, cars, setups, seen_xid, seen_changes
        FROM   model_fit WHERE cluster = {CLUSTER} ORDER BY fit_id DESC LIMIT 1
    ), bays AS (
        SELECT slug::text, extract(epoch FROM clock_timestamp() - received_at)::float8 AS age_s
        FROM   bay CROSS JOIN LATERAL (
                   SELECT received_at FROM session WHERE session.bay_id = bay.bay_id
                   ORDER  BY session_id DESC LIMIT 1
               ) last
    )
    SELECT (SELECT extract(epoch FROM clock_timestamp() - received_at)::float8
            FROM   session ORDER BY session_id DESC LIMIT 1),
           (SELECT coalesce(jsonb_object_agg(slug, age_s), '{{}}') FROM bays),
           (SELECT age_s FROM newest), (SELECT cars FROM newest), (SELECT setups FROM newest),
           (SELECT (SELECT count(DISTINCT vehicle_id) FROM car_change
                    WHERE  xid >= seen_xid AND change_id <> ALL (seen_changes)) FROM newest),
           {counted("vehicle")}, {counted("setup")}, {counted("pull")}, {counted("pair")},
           extract(epoch FROM clock_timestamp() - coalesce({PROVED_AT}, {FIRST_KEPT_AT}))::float8,
           (SELECT count(*) FROM pg_stat_replication WHERE application_name = 'pg_receivewal')
"""  # noqa: S608
