"""What those who watch over the ledger want to know of it, at the cost of four small look-ups however large it is."""

from dataclasses import dataclass

import psycopg

from service.store.db import Connect


@dataclass(frozen=True, slots=True)
class Watched:
    """How long ago the newest session came in and the newest fit's evidence was read [s], None where there is none; how
    many setups and pairs there are, as the database's own statistics count them."""

    last_post_age_s: float | None
    fit_age_s: float | None
    setups: int
    pairs: int


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


WATCHED = """
    SELECT extract(epoch FROM clock_timestamp() - (
               SELECT received_at FROM session ORDER BY session_id DESC LIMIT 1))::float8,
           extract(epoch FROM clock_timestamp() - (
               SELECT as_of FROM model_fit ORDER BY fit_id DESC LIMIT 1))::float8,
           (SELECT greatest(live.n_live_tup, stored.reltuples)::bigint
            FROM   pg_class stored JOIN pg_stat_user_tables live ON live.relid = stored.oid
            WHERE  stored.oid = 'setup'::regclass),
           (SELECT greatest(live.n_live_tup, stored.reltuples)::bigint
            FROM   pg_class stored JOIN pg_stat_user_tables live ON live.relid = stored.oid
            WHERE  stored.oid = 'pair'::regclass)
"""
