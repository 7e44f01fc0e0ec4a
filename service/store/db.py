"""Connections, and the one place where a broken constraint becomes a sentence for the user."""

import json
import os
import select
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, LiteralString, TypeVar

import psycopg
from psycopg.pq import PipelineStatus, TransactionStatus
from psycopg.types.json import Json
from psycopg_pool import ConnectionPool

from service.domain.errors import Conflict, Fault, LedgerError, Refused, Unavailable

Connection = psycopg.Connection[Any]
Connect = Callable[[], AbstractContextManager[Connection]]

T = TypeVar("T")
Later = Callable[[], T]
"""Fetches what was asked. Within `together` the question is on its way already, and waits for nobody before this."""

BROKEN: dict[str, tuple[type[LedgerError], str, str]] = {
    "platform_slug_once": (
        Conflict,
        "/slug",
        "a platform with this slug exists already; choose another, or change that one",
    ),
    "platform_natural_not_boosted": (
        Refused,
        "/boost_ratio",
        "an engine that breathes naturally has no boost: leave boost_ratio out (it is 1), or say turbo or supercharged",
    ),
    "platform_natural_not_cooled": (
        Refused,
        "/charge_cooling",
        "an engine that breathes naturally has no charge to cool: say none, or say turbo or supercharged",
    ),
    "vehicle_tag_once": (
        Conflict,
        "/tag",
        "a vehicle with this tag exists already; choose another, or use that one",
    ),
    "vehicle_vin_once": (Conflict, "/vin", "another vehicle has this VIN; use that vehicle's tag"),
    "part_slug_once": (
        Conflict,
        "/slug",
        "a part with this slug exists already; choose another, or change that one",
    ),
    "bay_slug_once": (
        Conflict,
        "/slug",
        "a bay with this slug exists already; choose another, or change that one",
    ),
    "slot_pk": (Conflict, "/slug", "a slot with this slug exists already; choose another"),
    "session_id_once": (
        Conflict,
        "/id",
        "a session with this id exists already with other content; make a new id",
    ),
    "part_price_with_currency": (
        Refused,
        "/currency",
        "a price needs its currency, three capital letters such as GBP",
    ),
    "part_not_variant_of_itself": (
        Refused,
        "/variant_of",
        "a part cannot be a variant of itself; name the part it is made from",
    ),
    "modification_removed_after_fitted": (
        Refused,
        "/removed_on",
        "removed before it was fitted; check both dates",
    ),
}


UNREACHABLE = ("08", "53", "57")
"""Classes of SQLSTATE: connection exception, insufficient resources, operator intervention (PostgreSQL appendix A)."""
REFUSING: dict[type[psycopg.Error], str] = {
    psycopg.errors.ReadOnlySqlTransaction: (
        "the database takes no writes at this moment: it is a standby, or was set to read only; nothing was kept, send it "
        "again in a while"
    ),
    psycopg.errors.DiskFull: (
        "the disk of the database is full; nothing was kept. Free some room on it, then send it again"
    ),
    psycopg.errors.QueryCanceled: ("the database took longer over it than it may; send it again in a while"),
    psycopg.errors.IdleInTransactionSessionTimeout: (
        "the change stood still for too long and was taken back; nothing was kept, send it again"
    ),
}
"""What a database says that is there and does not do it now."""


def not_now(error: psycopg.Error) -> str | None:
    """Why the database does not do it at this moment; None where it would not do it at another moment either."""
    for kind, words in REFUSING.items():
        if isinstance(error, kind):
            return words
    if isinstance(error, psycopg.OperationalError) and (error.sqlstate or "08")[:2] in UNREACHABLE:
        return "the database cannot be reached at this moment; send it again in a while"
    return None


def broken_rule(error: Exception) -> LedgerError | None:
    """The user's words for a broken constraint, or None where the fault is ours."""
    if not isinstance(error, psycopg.Error):
        return None
    words = not_now(error)
    if words is not None:
        return Unavailable(words)
    if isinstance(error, psycopg.errors.DeadlockDetected | psycopg.errors.SerializationFailure):
        return Conflict("another change of the same records was faster; nothing was kept, send it again")
    known = BROKEN.get(error.diag.constraint_name or "")
    if known is None:
        return None
    kind, pointer, words = known
    return kind(words, [Fault(pointer, words)])


def is_pooled(conn: Connection) -> bool:
    """Whether a pooler stands before the server: a lender has nothing prepared there, and prepares everywhere else."""
    return conn.prepare_threshold is None


@contextmanager
def together(conn: Connection) -> Iterator[None]:
    """Within this, statements are sent without waiting for each other: many of them cost one round trip.

    They still run in order, one after the other; the first fault is raised where an answer is next waited for. Behind a
    pooler each waits for the one before: PgBouncer loses count of answers to what was sent together (its issue 759; seen
    with 1.18), and then keeps a server's connection from everybody else for a client that has its answer.
    """
    if is_pooled(conn) or conn.info.pipeline_status is not PipelineStatus.OFF:
        yield
        return
    try:
        with conn.pipeline():
            yield
    except psycopg.Error as error:
        if conn.broken:  # a lost line shows under several names, such as an answer that never came
            raise psycopg.OperationalError("the connection was lost") from error
        raise


@contextmanager
def transaction_together(conn: Connection) -> Iterator[None]:
    """One transaction, all of it or none, with its statements sent as `together` sends them.

    psycopg's own transaction waits for the server at its beginning and twice at its end; here BEGIN goes with the first
    question and COMMIT with the last write, which spares a post two of its round trips. Inside a transaction of the
    caller's it is psycopg's, with a savepoint.
    """
    if conn.info.transaction_status is not TransactionStatus.IDLE:
        with together(conn), conn.transaction():
            yield
        return
    try:
        with together(conn):
            conn.execute("BEGIN", prepare=False)
            yield
            conn.execute("COMMIT", prepare=False)
    except BaseException:
        if not conn.broken:
            conn.rollback()
        raise


def records(table: LiteralString, columns: Iterable[str]) -> str:
    """The part of an INSERT that reads all its rows from one JSON list: a statement costs more than a row."""
    names = ", ".join(columns)
    return f"({names}) SELECT {names} FROM json_populate_recordset(NULL::{table}, %s)"  # noqa: S608


def as_json(rows: Iterable[Mapping[str, object]]) -> Json:
    """The rows as that one parameter. A float goes over in its shortest form, which reads back as the same float."""
    return Json(list(rows), dumps=rows_text)


def plain(value: object) -> str:
    """What JSON has no form for, as Postgres reads it."""
    return "\\x" + value.hex() if isinstance(value, bytes) else str(value)


rows_text = partial(json.dumps, allow_nan=False, default=plain)


def is_stirring(connection: Connection) -> bool:
    """Whether something waits on an idle connection's line: nothing does unless its server hung up.

    Looking at the line is free, where asking each time costs every request a round trip.
    """
    line = select.poll()
    line.register(connection.fileno(), select.POLLIN)
    return bool(line.poll(0))


def still_there(connection: Connection) -> None:
    """Where the line stirs, ask, which raises and replaces it."""
    if is_stirring(connection):
        ConnectionPool.check_connection(connection)


def prepare_where_it_lasts(connection: Connection) -> None:
    """Behind a pooler each transaction may meet another server process, which does not know what was prepared before, or
    knows another client's statement by the same name: there nothing is prepared.

    A pooler shows by the process number that it gives out at the beginning, to cancel by: it is no server process's.
    """
    row = connection.execute("SELECT pg_backend_pid()").fetchone()
    if row != (connection.info.backend_pid,):
        connection.prepare_threshold = None


def open_pool(url: str, size: int) -> ConnectionPool[Connection]:
    """A pool of autocommit connections, checked when lent: a restarted server is survived, a write opens its own
    transaction, and a read costs one round trip."""
    return ConnectionPool(
        url,
        min_size=1,
        max_size=size,
        kwargs={"autocommit": True},
        configure=prepare_where_it_lasts,
        check=still_there,
        open=True,
        timeout=10.0,
        name="bayledger",
    )


@dataclass(frozen=True, slots=True)
class PoolStanding:
    """How many connections a pool has and may have at most, how many of them are lent, and how many wait for one."""

    size: int
    most: int
    in_use: int
    waiting: int


class Lender:
    """Lends connections from a pool that is opened on first use in each process.

    A pool opened before a fork would hand the same server connection to both processes, so it is keyed by pid.
    """

    def __init__(
        self, url: str, size: int, opened: Callable[[str, int], ConnectionPool[Any]] = open_pool
    ) -> None:
        self._url = url
        self._size = size
        self._opened = opened
        self._pool: tuple[int, ConnectionPool[Any]] | None = None
        self._opening = threading.Lock()

    @contextmanager
    def __call__(self, patience_s: float | None = None) -> Iterator[Connection]:
        # Not `pool.connection()`: that commits at the end, which there is nothing of with autocommit, and which raises
        # on a line that was lost, after the answer to the request was decided. The pool itself discards a broken one.
        pool = self._open()
        connection = pool.getconn(patience_s)
        try:
            yield connection
        finally:
            pool.putconn(connection)

    def within(self, patience_s: float) -> Connect:
        """The same, giving up sooner [s]."""
        return partial(self, patience_s)

    def take(self) -> Any:
        """A connection, to be given back."""
        return self._open().getconn()

    def give_back(self, connection: Connection) -> None:
        """Take a connection back; one that outlived its pool is closed."""
        if self._pool is None:
            connection.close()
        else:
            self._pool[1].putconn(connection)

    @property
    def standing(self) -> PoolStanding:
        """How this process's pool does."""
        if self._pool is None or self._pool[0] != os.getpid():
            return PoolStanding(0, self._size, 0, 0)
        stats = self._pool[1].get_stats()
        size = stats["pool_size"]
        return PoolStanding(size, self._size, size - stats["pool_available"], stats["requests_waiting"])

    def close(self) -> None:
        """Give every connection back to the server, before this process ends."""
        if self._pool is not None and self._pool[0] == os.getpid():
            self._pool[1].close()
            self._pool = None

    def _open(self) -> ConnectionPool[Any]:
        """This process's pool; the first requests come in several threads at once."""
        with self._opening:
            if self._pool is None or self._pool[0] != os.getpid():
                self._pool = (os.getpid(), self._opened(self._url, self._size))
            return self._pool[1]
