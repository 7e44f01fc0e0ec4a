"""Fits of the history model: kept whole, beside what they have seen; and who wants a new one."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg.rows import class_row, kwargs_row
from psycopg.types.json import Jsonb

from service.store.car_changes import Mark
from service.store.db import Connection, Later

KEPT_FITS = 3
"""Newest fits kept of each kind: a process may still be answering from the one before (our choice)."""
KEPT_DAYS = 30
"""For how long a fit of a standard or method that is no longer in use is kept (our choice)."""

CLUSTER = "(SELECT system_identifier FROM pg_control_system())"
"""Which Postgres this is. Transaction numbers begin anew in a ledger put back from a dump: fits that came with it must not
be followed there."""


@dataclass(frozen=True, slots=True)
class FitFacts:
    """A fit without its numbers: what it is of, how much it rests on, and all it has seen (`as_of` as a moment, `mark` as
    the changes). notes: what it says of itself, plain JSON."""

    fit_id: int
    as_of: datetime
    made_at: datetime
    measure: str
    standard: str
    method: int
    cars: int
    setups: int
    mark: Mark
    notes: dict[str, Any]


@dataclass(frozen=True, slots=True)
class StoredFit:
    """A fit as it was packed."""

    facts: FitFacts
    packed: bytes


FACTS = """
    fit_id, as_of, made_at, measure, standard, method, cars, setups, seen_xid::text::bigint AS seen_xid, seen_changes,
    notes
"""


def fit_facts(seen_xid: int, seen_changes: list[int], **rest: Any) -> FitFacts:
    """A row, its mark put together."""
    return FitFacts(mark=Mark(seen_xid, frozenset(seen_changes)), **rest)


def newest_fit_facts(conn: Connection, measure: str, standard: str, method: int) -> Later[FitFacts | None]:
    """The newest fit of a kind, made in this very database; None where there is none."""
    cursor = conn.cursor(row_factory=kwargs_row(fit_facts))
    return cursor.execute(
        f"""
        SELECT {FACTS} FROM model_fit
        WHERE  measure = %s AND standard = %s AND method = %s AND cluster = {CLUSTER}
        ORDER  BY fit_id DESC LIMIT 1
        """,  # noqa: S608
        (measure, standard, method),
    ).fetchone


def read_fit(conn: Connection, fit_id: int) -> StoredFit | None:
    """A fit with its numbers; None where a newer one has displaced it."""
    packed = conn.execute("SELECT packed FROM model_fit WHERE fit_id = %b", (fit_id,), binary=True).fetchone()
    if packed is None:
        return None
    with conn.cursor(row_factory=kwargs_row(fit_facts)) as cursor:
        facts = cursor.execute(f"SELECT {FACTS} FROM model_fit WHERE fit_id = %s", (fit_id,)).fetchone()  # noqa: S608
    return None if facts is None else StoredFit(facts, packed[0])


def keep_fit(
    conn: Connection,
    *,
    as_of: datetime,
    measure: str,
    standard: str,
    method: int,
    cars: int,
    setups: int,
    mark: Mark,
    packed: bytes,
    notes: dict[str, Any],
) -> int:
    """Keep a fit, whole, and answer its number. What it displaces goes: older fits, and changes that every fit has seen."""
    row = conn.execute(
        f"""
        INSERT INTO model_fit (as_of, measure, standard, method, cars, setups, cluster, seen_xid, seen_changes, packed, notes)
        VALUES (%s, %s, %s, %s, %s, %s, {CLUSTER}, %s::xid8, %s, %b, %s)
        RETURNING fit_id
        """,  # noqa: S608
        (
            *(as_of, measure, standard, method, cars, setups),
            *(str(mark.xid), sorted(mark.seen), packed, Jsonb(notes)),
        ),
    ).fetchone()
    assert row is not None
    drop_displaced(conn)
    return int(row[0])


def drop_displaced(conn: Connection) -> None:
    """Forget fits that newer ones displaced, those of another database, and changes that every fit left has seen.

    A change of a transaction that is yet to come was made in another database.
    """
    conn.execute(
        f"""
        DELETE FROM model_fit USING (
            SELECT fit_id, row_number() OVER (PARTITION BY measure, standard, method ORDER BY fit_id DESC) AS age
            FROM   model_fit
        ) placed
        WHERE  placed.fit_id = model_fit.fit_id
               AND (age > %s OR made_at < now() - %s * interval '1 day' OR cluster <> {CLUSTER})
        """,  # noqa: S608
        (KEPT_FITS, KEPT_DAYS),
    )
    conn.execute(
        """
        DELETE FROM car_change
        WHERE  xid < (SELECT min(seen_xid) FROM model_fit) OR xid >= pg_snapshot_xmax(pg_current_snapshot())
        """
    )


@contextmanager
def estimating(lock: Connection) -> Iterator[bool]:
    """Be the only one in the whole database to estimate; False, at once, where another one is. The lock goes with the
    connection too.

    lock: a connection for nothing else. It stays in one transaction all the while: behind a pooler nothing that is held
    outlives a transaction. Waiting, that one has no snapshot and no number, so nobody waits for it, and it is not cut off.
    """
    with lock.transaction():
        lock.execute("SET LOCAL idle_in_transaction_session_timeout = 0")
        row = lock.execute("SELECT pg_try_advisory_xact_lock(hashtext('model_fit'))").fetchone()
        yield row == (True,)


def free_to_estimate(conn: Connection) -> bool:
    """Whether nobody estimates at this moment."""
    with estimating(conn) as alone:
        return alone


@dataclass(frozen=True, slots=True)
class Wish:
    """That somebody wants the model estimated again from all that is committed now."""

    wish_id: int
    asked_at: datetime


def ask_refit(conn: Connection, who: str) -> Wish:
    """Leave a wish; the worker looks for them."""
    with conn.cursor(row_factory=class_row(Wish)) as cursor:
        wish = cursor.execute(
            "INSERT INTO refit_wish (who) VALUES (%s) RETURNING wish_id, asked_at", (who,)
        ).fetchone()
    assert wish is not None
    return wish


def is_granted(conn: Connection, wish_id: int) -> bool:
    """Whether the model was estimated since."""
    row = conn.execute("SELECT NOT EXISTS (SELECT FROM refit_wish WHERE wish_id = %s)", (wish_id,)).fetchone()
    return row == (True,)


def open_wishes(conn: Connection) -> list[int]:
    """The wishes left at this moment."""
    return [row[0] for row in conn.execute("SELECT wish_id FROM refit_wish").fetchall()]


def grant_wishes(conn: Connection, wish_ids: list[int]) -> None:
    """Take away the wishes that a fit knew of; by number, because a clock that was put back would leave them forever."""
    conn.execute("DELETE FROM refit_wish WHERE wish_id = ANY(%s)", (wish_ids,))


@dataclass(frozen=True, slots=True)
class Standing:
    """Whether the model wants estimating again: when that was asked, whether anything was ever measured, cars changed since
    the fit, open wishes."""

    newest: FitFacts | None
    at: datetime
    measured: bool
    changed: int
    wishes: int


def standing(conn: Connection, measure: str, standard: str, method: int) -> Standing:
    """How a kind of fit stands."""
    newest = newest_fit_facts(conn, measure, standard, method)()
    mark = newest.mark if newest else Mark(0, frozenset())
    row = conn.execute(
        """
        SELECT clock_timestamp(),
               EXISTS (SELECT FROM session),
               (SELECT count(DISTINCT vehicle_id) FROM car_change
                WHERE  xid >= %s::xid8 AND change_id <> ALL(%s::bigint[])),
               (SELECT count(*) FROM refit_wish)
        """,
        (str(mark.xid), sorted(mark.seen)),
    ).fetchone()
    assert row is not None
    return Standing(newest, *row)
