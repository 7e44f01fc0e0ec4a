"""Reading from a hot standby: whether it may be asked, how far it is behind, and the primary where it may not.

Vocabulary: a position is a place in the primary's log of all changes (its write-ahead log) [bytes]. What is kept at the
primary has been written up to its position; what a standby has replayed up to there can be read there. A question is
asked of the standby only once that has replayed all that the primary had kept when the question came: so whoever posts
and asks at once sees the post, in whichever process, and two answers in a row never go back in time. Nobody waits longer
than WAIT_S for that: then the primary answers.
"""

import logging
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import psycopg
from psycopg_pool import ConnectionPool

from service.store.db import UNREACHABLE, Connection, Lender, is_stirring, prepare_where_it_lasts

log = logging.getLogger("bayledger")

LOOK_S: Final = 1.0
"""How often a process looks how the standby is doing (our choice)."""
WAIT_S: Final = 0.02
"""How long a question waits for the standby to replay what was kept before it; a replay takes about a millisecond (our
choice)."""
STEP_S: Final = 0.0005
"""How long it waits between two looks (our choice)."""
LENT_S: Final = 0.2
"""How long a question waits for a connection to the standby (our choice)."""
CONNECT_S: Final = 2
"""How long a standby may take to let somebody in, or to say that it has heard (our choice)."""
MOST_SEEN: Final = 1024
"""Positions remembered of a primary whose standby does not follow (our choice)."""

UNKNOWN: Final = "it was not looked at yet"
GONE: Final = "it cannot be reached"
NO_STANDBY: Final = "it follows no primary; it may have been promoted"
STRANGER: Final = "it is a copy of another ledger"
OTHER_HISTORY: Final = "it follows another primary"
BEHIND: Final = "it has not replayed what was kept"
NO_PRIMARY: Final = "the primary cannot be asked how far it is"

# A replay that waits for a reader is ended after a while by cancelling the reader (PostgreSQL, hot standby conflicts).
CANCELLED_FOR_REPLAY: Final = ("40001", "40P01")

POSITION: Final = """
    SELECT CASE WHEN NOT pg_is_in_recovery() THEN (pg_current_wal_flush_lsn() - '0/0')::bigint END
"""
REPLAYED: Final = "SELECT CASE WHEN pg_is_in_recovery() THEN (pg_last_wal_replay_lsn() - '0/0')::bigint END"


@dataclass(frozen=True, slots=True)
class Standing:
    """How a standby does. why_not: why it is not asked, empty where it is. lag_s: the age of the oldest change it lacks,
    nought where it lacks none, however long ago that was [s]; lag_bytes: how much of the log it lacks [bytes]."""

    why_not: str
    lag_s: float | None = None
    lag_bytes: int | None = None

    @property
    def used(self) -> bool:
        """Whether answers are read from it."""
        return not self.why_not


@dataclass(frozen=True, slots=True)
class PrimaryFacts:
    """How far the primary is, and which history of which ledger it writes."""

    position: int | None
    cluster: int
    timeline: int | None


@dataclass(frozen=True, slots=True)
class StandbyFacts:
    """How far a standby has replayed (None where it is none), and which history of which ledger."""

    replayed: int | None
    cluster: int
    timeline: int


def position_now(conn: Connection) -> int | None:
    """How far the primary's log is kept [bytes]; None where it is no primary."""
    row = conn.execute(POSITION).fetchone()
    return None if row is None else row[0]


def primary_facts(conn: Connection) -> PrimaryFacts:
    """What a standby is held against."""
    row = conn.execute(
        """
        SELECT CASE WHEN NOT pg_is_in_recovery() THEN (pg_current_wal_flush_lsn() - '0/0')::bigint END,
               system_identifier,
               CASE WHEN NOT pg_is_in_recovery()
                    THEN ('x' || left(pg_walfile_name(pg_current_wal_flush_lsn()), 8))::bit(32)::int END
        FROM   pg_control_system()
        """
    ).fetchone()
    assert row is not None
    return PrimaryFacts(*row)


def standby_facts(conn: Connection) -> StandbyFacts:
    """The same of a standby."""
    row = conn.execute(
        """
        SELECT CASE WHEN pg_is_in_recovery() THEN (pg_last_wal_replay_lsn() - '0/0')::bigint END,
               system_identifier, min_recovery_end_timeline
        FROM   pg_control_system(), pg_control_recovery()
        """
    ).fetchone()
    assert row is not None
    return StandbyFacts(*row)


class Lag:
    """How long a standby has lacked something, from where the primary was seen at what time.

    An idle primary moves nowhere, so a standby that has all of it is not behind, however old the newest change is; and
    no two machines' clocks are compared.
    """

    def __init__(self) -> None:
        self._seen: list[tuple[float, int]] = []

    def seen(self, position: int, now: float) -> None:
        """The primary was at a position at a time [s]."""
        if not self._seen or position > self._seen[-1][1]:
            self._seen.append((now, position))
        if len(self._seen) > MOST_SEEN:
            del self._seen[1::2]

    def behind_s(self, replayed: int, now: float) -> float:
        """The age of the oldest position that is not replayed [s]."""
        while len(self._seen) > 1 and self._seen[0][1] <= replayed:
            self._seen.pop(0)
        return now - self._seen[0][0] if self._seen and self._seen[0][1] > replayed else 0.0


def standing_of(primary: PrimaryFacts, standby: StandbyFacts, lag_s: float, max_lag_s: float) -> Standing:
    """Whether a standby may be asked."""
    if primary.position is None or primary.timeline is None:
        return Standing(NO_PRIMARY)
    if standby.cluster != primary.cluster:
        return Standing(STRANGER)
    if standby.replayed is None:
        return Standing(NO_STANDBY)
    if standby.timeline > primary.timeline:
        return Standing(OTHER_HISTORY)
    lacks = max(0, primary.position - standby.replayed)
    return Standing(BEHIND if lag_s > max_lag_s else "", lag_s, lacks)


class StandbyConnection(psycopg.Connection[Any]):
    """A connection to a standby; `server` names one run of it: after a start it may be further back than before."""

    server: str = ""


def learn_server(conn: StandbyConnection) -> None:
    """Ask once which run of which server this is."""
    prepare_where_it_lasts(conn)
    row = conn.execute("SELECT pg_postmaster_start_time()").fetchone()
    assert row is not None
    conn.server = f"{conn.info.host}:{conn.info.port} {row[0]}"


def open_standby_pool(url: str, size: int) -> ConnectionPool[StandbyConnection]:
    """A pool of autocommit connections that are opened when needed and given up on soon: the primary can be asked
    instead."""
    return ConnectionPool(
        url,
        connection_class=StandbyConnection,
        min_size=0,
        max_size=size,
        kwargs={"autocommit": True, "connect_timeout": CONNECT_S, "tcp_user_timeout": CONNECT_S * 1000},
        configure=learn_server,
        open=True,
        timeout=LENT_S,
        reconnect_timeout=LENT_S,
        name="bayledger-standby",
    )


class Standby:
    """Lends connections to a hot standby while that keeps up. Safe for threads; looks at the standby in the background.

    Parameters
    ----------
    url: the standby, or several as libpq takes them, each in the place of the others
    primary: lends connections to the primary
    size: connections at most
    max_lag_s: a standby further behind is left alone until it has caught up [s]

    `begin_anew` is called when another server has become the primary.
    """

    def __init__(self, url: str, primary: Lender, size: int, max_lag_s: float) -> None:
        self._url = url
        self._primary = primary
        self._lender = Lender(url, size, open_standby_pool)
        self._max_lag_s = max_lag_s
        self._reached: tuple[str, int] = ("", 0)
        self._standing = Standing(UNKNOWN)
        self._history: tuple[int, int] | None = None
        self.begin_anew: Callable[[], object] = bool  # nobody to tell
        self._watching: tuple[int, threading.Event] | None = None
        self._beginning = threading.Lock()

    @property
    def standing(self) -> Standing:
        """How the standby did when last looked at, at most LOOK_S ago."""
        self._watch()
        return self._standing

    @property
    def pool(self) -> Lender:
        """Its connections."""
        return self._lender

    def borrow(self, position: int | None) -> StandbyConnection | None:
        """A connection that sees all that the primary had kept at a position; None where the primary is to be asked.
        To be given back."""
        self._watch()
        if position is None or not self._standing.used:
            return None
        try:
            lent: StandbyConnection = self._lender.take()
        except psycopg.OperationalError:
            self._leave_alone(GONE)
            return None
        try:
            if self._has_reached(lent, position):
                return lent
            self._leave_alone(BEHIND)
        except psycopg.Error:
            self._leave_alone(GONE)
        self._lender.give_back(lent)
        return None

    def give_back(self, lent: StandbyConnection) -> None:
        """Give back what was borrowed."""
        self._lender.give_back(lent)

    def failed(self, lent: StandbyConnection, error: Exception) -> bool:
        """Whether an error is the standby's own, so that the same question may be asked of the primary."""
        if not isinstance(error, psycopg.OperationalError) or isinstance(error, psycopg.errors.QueryCanceled):
            return False
        if error.sqlstate in CANCELLED_FOR_REPLAY:
            return True
        lost = lent.broken or (error.sqlstate or "08")[:2] in UNREACHABLE
        if lost:
            self._leave_alone(GONE)
        return lost

    @contextmanager
    def __call__(self) -> Iterator[Connection]:
        """A connection to read from at this moment: the standby's, else the primary's."""
        with self._primary() as primary:
            lent = self.borrow(position_now(primary))
            if lent is None:
                yield primary
                return
        try:
            yield lent
        except psycopg.OperationalError as error:
            self.failed(lent, error)
            raise
        finally:
            self.give_back(lent)

    def close(self) -> None:
        """Stop looking and give every connection back, before this process ends."""
        if self._watching is not None and self._watching[0] == os.getpid():
            self._watching[1].set()
            self._watching = None
        self._lender.close()

    def _has_reached(self, lent: StandbyConnection, position: int) -> bool:
        """Whether the standby has replayed up to a position, waiting a moment for it."""
        server, reached = self._reached
        if server == lent.server and reached >= position and not is_stirring(lent):
            return True
        end = time.monotonic() + WAIT_S
        while True:
            row = lent.execute(REPLAYED).fetchone()
            if row is None or row[0] is None:
                return False
            self._reached = (lent.server, row[0])
            if row[0] >= position:
                return True
            if time.monotonic() >= end:
                return False
            time.sleep(STEP_S)

    def _leave_alone(self, why: str) -> None:
        """Ask it nothing until the next look."""
        self._stands(Standing(why, self._standing.lag_s, self._standing.lag_bytes))

    def _stands(self, standing: Standing) -> None:
        """Remember how it does; the log says when that changes."""
        before, self._standing = self._standing.why_not, standing
        if standing.why_not and standing.why_not != before:
            log.warning("answers are read from the primary, not the standby: %s", standing.why_not)
        elif before and not standing.why_not:
            log.info("answers are read from the standby")

    def _watch(self) -> None:
        """Begin to look, once in each process: a thread does not come along into a fork."""
        if self._watching is not None and self._watching[0] == os.getpid():
            return
        with self._beginning:
            if self._watching is None or self._watching[0] != os.getpid():
                self._standing = Standing(UNKNOWN)
                stopping = threading.Event()
                self._watching = (os.getpid(), stopping)
                threading.Thread(target=self._look_on, args=(stopping,), name="standby", daemon=True).start()

    def _look_on(self, stopping: threading.Event) -> None:
        lag = Lag()
        while not stopping.is_set():
            try:
                self._look_over_one_line(lag, stopping)
            except psycopg.Error:
                self._stands(Standing(GONE))
                stopping.wait(LOOK_S)

    def _look_over_one_line(self, lag: Lag, stopping: threading.Event) -> None:
        """Look again and again, until told to stop; raises where the standby, or the line to it, is lost."""
        with psycopg.connect(self._url, autocommit=True, connect_timeout=CONNECT_S) as line:
            while True:
                self._stands(self._seen_over(line, lag))
                if stopping.wait(LOOK_S):
                    return

    def _follows(self, history: tuple[int, int]) -> None:
        """Note whose history the primary writes: after a failover the last changes of the one before may be gone, and
        their numbers used again, so that whoever followed them must begin anew."""
        before, self._history = self._history, history
        if before is not None and before != history:
            log.warning("another server is the primary now: the model is read anew")
            self.begin_anew()

    def _seen_over(self, line: Connection, lag: Lag) -> Standing:
        """How the standby does now."""
        try:
            with self._primary() as conn:
                primary = primary_facts(conn)
        except psycopg.Error:
            return Standing(NO_PRIMARY)
        if primary.position is not None and primary.timeline is not None:
            self._follows((primary.cluster, primary.timeline))
            lag.seen(primary.position, time.monotonic())
        standby = standby_facts(line)
        behind_s = lag.behind_s(standby.replayed or 0, time.monotonic())
        return standing_of(primary, standby, behind_s, self._max_lag_s)
