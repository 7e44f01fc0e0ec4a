"""A batch of old records struck as one, and counted again as one: nothing is deleted, and the history says who and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from service.domain.resources import Caller
from service.ledger.marking import strike_session
from service.store import transfer as store
from service.store.db import Connection
from service.transfer.errors import TransferError
from service.transfer.posting import Progress, posted_as, silent


@dataclass(frozen=True, slots=True)
class Marked:
    """How many sessions of a batch were marked now, of how many."""

    now: int
    sessions: int


def undo(conn: Connection, name: str, reason: str, progress: Progress = silent) -> Marked:
    """Strike every session of a batch that counts. Broken off, it goes on where it was."""
    why = f"{struck_as(name)}{reason}"
    return _mark(conn, name, lambda struck: struck is None, why, "undoing", progress)


def redo(conn: Connection, name: str, progress: Progress = silent) -> Marked:
    """Count again every session of a batch that was struck by `undo`; what a person struck for itself stays struck."""

    def undone(struck: str | None) -> bool:
        return struck is not None and struck.startswith(struck_as(name))

    return _mark(conn, name, undone, None, "counting again", progress)


def struck_as(name: str) -> str:
    """How the reason of an undone batch begins."""
    return f"import {name} undone: "


def _mark(
    conn: Connection,
    name: str,
    wanted: Callable[[str | None], bool],
    struck: str | None,
    doing: str,
    progress: Progress,
) -> Marked:
    batch = store.sessions_of(conn, posted_as(name))
    if not batch:
        raise TransferError(f"no session was imported as {name!r}; {_known(conn)}")
    chosen: list[UUID] = [id for id, before in batch if wanted(before)]
    caller = Caller(posted_as(name), "admin")
    for done, id in enumerate(chosen, start=1):
        with conn.transaction():
            strike_session(conn, id, struck, caller)
        if done % 50 == 0:
            progress(doing, done, len(chosen))
    return Marked(len(chosen), len(batch))


def _known(conn: Connection) -> str:
    names = [who.removeprefix(posted_as("")) for who in store.posters(conn, posted_as(""))]
    return f"the batches are {', '.join(names)}" if names else "there is no batch in this ledger"
