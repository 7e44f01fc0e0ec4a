"""The ledger looks at itself: every invariant asked in one moment of it, in words that say what it means and the way out.

It is safe beside a serving ledger: one read-only transaction that takes no lock anybody waits for, no helper processes,
and no statement longer than it is given.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from time import monotonic

import psycopg

from service.store.db import Connection
from service.store.invariants import OF_THE_BOOKS, OF_THE_RECORD, Invariant, backup_late
from service.store.invariants_derived import OF_WHAT_IS_DERIVED
from service.store.past import reading_once
from service.store.samples import SAMPLED, Sampled

INVARIANTS: tuple[Invariant | Sampled, ...] = (*OF_THE_RECORD, *OF_WHAT_IS_DERIVED, *OF_THE_BOOKS, *SAMPLED)
MOST_PLACES = 1000
"""Where more rows than this are found, the ledger is broken through and through: nobody reads on (our choice)."""
MEMORY = "64MB"
"""For sorting and joining in each step (our choice): a million pulls then need little room on the disk."""
SAMPLE = 300
"""How many cars, and how many pulls, the dear ones look at where nobody says otherwise (our choice)."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one self-check came to. places: where it does not hold, MOST_PLACES at most; looked: at how much of the ledger,
    where not at all of it; why_not: why it could not be told, empty where it could; seconds: what that took [s]."""

    name: str
    meaning: str
    way_out: str
    places: list[str]
    looked: str
    why_not: str
    seconds: float

    @property
    def holds(self) -> bool:
        """Whether it was looked at and found nothing."""
        return not self.places and not self.why_not


def is_owner(conn: Connection) -> bool:
    """Whether this role may see all that is looked at: the service's own may not read how far sequences are."""
    row = conn.execute(
        "SELECT pg_has_role(relowner, 'USAGE') FROM pg_class WHERE oid = 'pull'::regclass"
    ).fetchone()
    return row == (True,)


def selfcheck(
    conn: Connection, limit_s: float, sample: int = SAMPLE, backup_days: float | None = None
) -> Iterator[Outcome]:
    """Ask every invariant, all of one moment. conn: as the owner of the schema; limit_s: for one statement [s]; sample: how
    many cars and pulls the sampled ones look at; backup_days: how old the last proved backup may be, None: not asked."""
    with reading_once(conn):
        conn.execute("SET LOCAL max_parallel_workers_per_gather = 0")
        conn.execute(f"SET LOCAL work_mem = '{MEMORY}'")
        conn.execute("SELECT set_config('statement_timeout', %s, true)", (str(round(limit_s * 1000)),))
        backups = () if backup_days is None else (backup_late(backup_days),)
        for one in (*INVARIANTS, *backups):
            yield looked_at(conn, one, limit_s, sample)


def looked_at(conn: Connection, one: Invariant | Sampled, limit_s: float, sample: int) -> Outcome:
    """One invariant; what takes too long is told as that, and the next one is asked all the same."""
    began = monotonic()
    places: list[str] = []
    looked = why_not = ""
    try:
        with conn.transaction():
            if isinstance(one, Sampled):
                places, looked = one.look(conn, sample)
            else:
                places = places_of(conn, one)
    except psycopg.errors.QueryCanceled:
        why_not = f"it was not answered within {limit_s:g} s"
    return Outcome(one.name, one.meaning, one.way_out, places, looked, why_not, monotonic() - began)


def places_of(conn: Connection, one: Invariant) -> list[str]:
    """Where an invariant does not hold."""
    rows = conn.execute(f"SELECT place FROM ({one.sql}) AS found (place) LIMIT {MOST_PLACES}")  # noqa: S608
    return [place for (place,) in rows.fetchall()]
