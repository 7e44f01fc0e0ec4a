"""The same rows without HTTP: the service's own statements on a bare connection, and a post's raw pulls stored alone.

`RawStore` is what anyone would do who only wants to keep the samples: the tables of the ledger with their keys and
indexes, empty at first, and one statement a session, in which the samples are packed as the ledger packs them.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import orjson
import psycopg
from psycopg import sql

from service.domain.codec import encode_and_keep
from service.domain.pairing import LIKE_FOR_LIKE
from service.domain.records import PostedSession
from service.domain.resources import Caller
from service.ledger.post import post_session
from service.schemas.sessions import SessionPost
from service.store import evidence, platforms, reading
from service.store.curves import curves_of_setups
from service.store.db import transaction_together
from service.store.settings import shop_in_force
from tests.bench import names
from tests.bench.lives import ASKED_COUPE, ASKED_HATCH, ASKED_MANY
from tests.bench.posting import Posting

Connection = psycopg.Connection[Any]
TIMES, POSTS = 20, 8


@dataclass(frozen=True)
class Direct:
    """Something done on a connection, timed as it is; `prepare` makes what it needs beforehand."""

    name: str
    prepare: Callable[[], Any]
    work: Callable[[Any], object]
    times: int = TIMES

    def took_ms(self, times: int) -> list[float]:
        """So many times of it [ms]."""
        return [self._once() for _ in range(times)]

    def _once(self) -> float:
        given = self.prepare()
        began = time.perf_counter()
        self.work(given)
        return 1000.0 * (time.perf_counter() - began)


def nothing() -> None:
    """What a question needs beforehand."""


def every_direct(conn: Connection, posting: Posting, raw: "RawStore") -> list[Direct]:
    """The statements behind the questions, and storing."""
    question = evidence.find_question(conn, ASKED_HATCH, ASKED_MANY, None)
    stock = evidence.find_stock_question(conn, ASKED_COUPE)
    if question is None or stock is None:
        raise RuntimeError(f"the history does not hold {ASKED_HATCH}, {ASKED_MANY} and {ASKED_COUPE}")

    def pairs() -> list[evidence.PairRow]:
        ids = (question.platform_id, question.part_id, question.against_id)
        evidence.find_question(conn, ASKED_HATCH, ASKED_MANY, None)
        return evidence.pairs_of_question(conn, *ids, alone=False, nearest=len(LIKE_FOR_LIKE) - 1)[0]

    def curves() -> object:
        rows = pairs()
        return curves_of_setups(conn, {side.setup_id for row in rows for side in (row.with_, row.without)})

    def session(body: bytes) -> PostedSession:
        loaded: PostedSession = SessionPost().load(orjson.loads(body))
        return loaded

    return [
        Direct(names.SQL_ROW, nothing, lambda _: platforms.get_platform(conn, ASKED_HATCH)),
        Direct(names.SQL_PAIRS, nothing, lambda _: pairs()),
        Direct(names.SQL_CURVES, nothing, lambda _: curves()),
        Direct(names.SQL_STOCK, nothing, lambda _: evidence.stock_setups(conn, stock.platform_id)),
        Direct(names.SQL_PAGE, nothing, lambda _: reading.list_sessions(conn, before=None, limit=50)),
        Direct(names.RAW_POST, lambda: session(posting.unsent()), raw.store, POSTS),
        Direct(names.LEDGER_POST, lambda: session(posting.body()), lambda given: keep(conn, given), POSTS),
    ]


def keep(conn: Connection, session: PostedSession) -> None:
    """The whole of a post but HTTP and its document: checked, derived, kept and paired."""
    who, now = Caller("bench", "admin"), datetime.now(UTC)
    with transaction_together(conn):
        post_session(
            conn, session, content=str(session.id).encode(), caller=who, shop=shop_in_force(conn), now=now
        )


TABLES = ("session", "setup", "pull", "pull_raw")
STORE = """
    WITH strapped AS (
        INSERT INTO {schema}.session (id, vehicle_id, bay_id, started_at, gear, ratio, sequence, content_hash, posted_by)
        VALUES (%(id)s, 1, 1, %(at)s, %(gear)s, %(ratio)s, %(sequence)s, %(hash)s, 'bench') RETURNING session_id
    ), states AS (
        INSERT INTO {schema}.setup (session_id, n, part_ids, parts_known, stock_checked)
        SELECT session_id, 1, '{{}}', 'complete', 'verified' FROM strapped RETURNING setup_id
    ), pulls AS (
        INSERT INTO {schema}.pull (setup_id, n, temperature_c, pressure_kpa, humidity, coolant_c, oil_c, inlet_c, inlet_end_c,
                                   test, ramp_rpm_s, basis_standard, status)
        SELECT setup_id, given.*, %(test)s, %(ramp)s, %(basis)s, 'accepted'
        FROM   states, unnest(%(n)s::smallint[], %(temperature)s::float8[], %(pressure)s::float8[], %(humidity)s::float8[],
                              %(coolant)s::float8[], %(oil)s::float8[], %(inlet)s::float8[], %(inlet_end)s::float8[]) AS given
        RETURNING pull_id, n
    )
    INSERT INTO {schema}.pull_raw (pull_id, enc, channels, steps, samples, raw)
    SELECT pull_id, enc, %(channels)s, %(steps)s, samples, raw
    FROM   pulls JOIN unnest(%(n)s::smallint[], %(enc)s::smallint[], %(samples)s::integer[], %(raw)s::bytea[])
           AS given (n, enc, samples, raw) USING (n)
"""


class RawStore:
    """Tables of a run's own for posted samples and nothing that is derived from them."""

    def __init__(self, conn: Connection, schema: str) -> None:
        self._conn, self.schema = conn, schema
        self._statement = sql.SQL(STORE).format(schema=sql.Identifier(schema))

    def store(self, session: PostedSession) -> None:
        """One session, one round trip, one commit."""
        self._conn.execute(self._statement, self.row(session), prepare=True)

    def commit_ms(self, session: PostedSession) -> float:
        """The same in a transaction of its own; answers what its COMMIT took [ms]."""
        self._conn.execute("BEGIN")
        self._conn.execute(self._statement, self.row(session), prepare=True)
        began = time.perf_counter()
        self._conn.execute("COMMIT")
        return 1000.0 * (time.perf_counter() - began)

    def row(self, session: PostedSession) -> dict[str, Any]:
        """A session's values, its samples packed."""
        pulls = session.setups[0].pulls
        traces = [encode_and_keep(pull.channels, pull.steps)[0] for pull in pulls]
        first = pulls[0]
        return {
            "id": session.id,
            "at": session.started_at,
            "gear": session.gear,
            "ratio": session.ratio,
            "sequence": session.sequence,
            "hash": session.id.bytes * 2 if session.id else b"",
            "test": first.test,
            "ramp": first.ramp_rpm_s,
            "basis": first.basis_standard,
            "n": [pull.n for pull in pulls],
            **{name: [getattr(pull, column) for pull in pulls] for name, column in SCALARS.items()},
            "channels": list(traces[0].names),
            "steps": list(traces[0].steps),
            "enc": [trace.enc for trace in traces],
            "samples": [trace.samples for trace in traces],
            "raw": [trace.raw for trace in traces],
        }


SCALARS = {
    "temperature": "temperature_c", "pressure": "pressure_kpa", "humidity": "humidity", "coolant": "coolant_c",
    "oil": "oil_c", "inlet": "inlet_c", "inlet_end": "inlet_end_c",
}  # fmt: skip


@contextmanager
def raw_store(owner_url: str, run: str) -> Iterator[RawStore]:
    """Such tables, gone afterwards."""
    schema = f"raw_{run}"
    named = sql.Identifier(schema)
    with psycopg.connect(owner_url, autocommit=True) as conn:
        conn.execute(sql.SQL("CREATE SCHEMA {}").format(named))
        try:
            for table in TABLES:
                like = sql.SQL("CREATE TABLE {}.{} (LIKE public.{} INCLUDING ALL)")
                conn.execute(like.format(named, sql.Identifier(table), sql.Identifier(table)))
            yield RawStore(conn, schema)
        finally:
            conn.execute(sql.SQL("DROP SCHEMA {} CASCADE").format(named))
