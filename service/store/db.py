"""Connections, and the one place where a broken constraint becomes a sentence for the user."""

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import psycopg
from psycopg_pool import ConnectionPool

from service.domain.errors import Conflict, Fault, LedgerError, Refused, Unavailable

Connection = psycopg.Connection[Any]
Connect = Callable[[], AbstractContextManager[Connection]]

BROKEN: dict[str, tuple[type[LedgerError], str, str]] = {
    "platform_slug_once": (
        Conflict,
        "/slug",
        "a platform with this slug exists already; choose another, or change that one",
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


def broken_rule(error: Exception) -> LedgerError | None:
    """The user's words for a broken constraint, or None where the fault is ours."""
    if not isinstance(error, psycopg.Error):
        return None
    if isinstance(error, psycopg.OperationalError) and (error.sqlstate or "08")[:2] in UNREACHABLE:
        return Unavailable("the database cannot be reached at this moment; send it again in a while")
    known = BROKEN.get(error.diag.constraint_name or "")
    if known is None:
        return None
    kind, pointer, words = known
    return kind(words, [Fault(pointer, words)])


def open_pool(url: str, size: int) -> ConnectionPool[Connection]:
    """A pool of autocommit connections, checked when lent: a restarted server is survived, a write opens its own
    transaction, and a read costs one round trip."""
    return ConnectionPool(
        url,
        min_size=1,
        max_size=size,
        kwargs={"autocommit": True},
        check=ConnectionPool.check_connection,
        open=True,
        timeout=10.0,
        name="bayledger",
    )


class Lender:
    """Lends connections from a pool that is opened on first use in each process.

    A pool opened before a fork would hand the same server connection to both processes, so it is keyed by pid.
    """

    def __init__(self, url: str, size: int) -> None:
        self._url = url
        self._size = size
        self._pool: tuple[int, ConnectionPool[Connection]] | None = None

    @contextmanager
    def __call__(self) -> Iterator[Connection]:
        if self._pool is None or self._pool[0] != os.getpid():
            self._pool = (os.getpid(), open_pool(self._url, self._size))
        with self._pool[1].connection() as connection:
            yield connection
