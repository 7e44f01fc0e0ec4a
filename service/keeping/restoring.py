"""Put a backup back into a database of a server, beside what is there: nothing is overwritten before the new one is whole."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from service.keeping.errors import KeepingError
from service.keeping.programs import Address, connect, major_of, programs_for, put_back
from service.keeping.proving import Proof, compared
from service.keeping.shelf import Backup, check_dump
from service.keeping.taking import plainly
from service.local.roles import SERVICE
from service.store import backups as store
from service.store.db import Connection
from service.store.readiness import REVISION

LONGEST_NAME: Final = 40
"""Of a database [bytes]: Postgres cuts at 63, and the one put aside carries a date (our choice)."""
SHOWN_TABLES: Final = 4
LEAVING_S: Final = 2.0
"""For how long a connection that was just closed may still be seen (our choice)."""
POLL_S: Final = 0.05

Migrate = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Target:
    """Where to: the name of a database, which the `owner` shall own and a `maker` may make; they may be one role."""

    database: str
    owner: Address
    maker: Address


@dataclass(frozen=True, slots=True)
class PutBack:
    """What came of it; `aside` is the name under which the ledger that was there is kept."""

    proof: Proof
    aside: str | None


@dataclass(frozen=True, slots=True)
class _Filling:
    """How an empty database becomes the ledger."""

    backup: Backup
    program: str
    migrate: Migrate

    def __call__(self, address: Address) -> Proof:
        """Put everything in, compare, bring the schema up to date and see that the service gets in."""
        put_back(self.program, self.backup.dump, address, privileges=True)
        with connect(address) as conn:
            store.close_database(conn, SERVICE)
            proof = compared(conn, self.backup.manifest)
        if self.backup.manifest.revision != REVISION:
            self.migrate(address.url)
        with connect(address) as conn:
            if closed := store.closed_tables(conn, SERVICE):
                raise KeepingError(
                    f"the role {SERVICE} may not read {', '.join(closed)} of what was put back"
                )
        return proof


def restore(
    backup: Backup, target: Target, *, overwrite: str | None, known: Collection[str], migrate: Migrate
) -> PutBack:
    """Put a backup back. Raises KeepingError; what was there is as it was then.

    Parameters
    ----------
    overwrite: name of the database whose ledger may be put aside
    known: the revisions of the schema that this program knows
    migrate: brings the database at an address up to this program's schema
    """
    check_dump(backup)
    if backup.manifest.revision not in known:
        raise KeepingError(
            f"the backup's schema is at {backup.manifest.revision}, which this program does not know (it knows up to "
            f"{REVISION}): put it back with version {backup.manifest.program} or a newer one"
        )
    name = target.database
    if len(name.encode()) > LONGEST_NAME:
        raise KeepingError(f"the name {name} is longer than {LONGEST_NAME} bytes; choose a shorter one")
    with plainly(), connect(target.maker.other("postgres")) as maker:
        fill = _Filling(backup, _program(maker, backup), migrate)
        if not store.has_database(maker, name):
            return PutBack(_beside(maker, target, fill, []), None)
        held = _held(target)
        if held is None:
            return PutBack(fill(target.owner.other(name)), None)
        _refuse_unless_named(name, held, overwrite)
        _refuse_in_use(maker, name)
        aside = f"{name}_before_{datetime.now(UTC):%Y%m%dT%H%M%S}"
        proof = _beside(maker, target, fill, [(name, aside)])
        if held:
            return PutBack(proof, aside)
        store.drop_database(maker, aside)
        return PutBack(proof, None)


def _program(maker: Connection, backup: Backup) -> str:
    """The pg_restore to use. Raises KeepingError where this server cannot take the backup."""
    here = store.database_facts(maker).server_version
    if major_of(here) < major_of(backup.manifest.server_version):
        raise KeepingError(
            f"the backup is of Postgres {backup.manifest.server_version} and this server is {here}: an older server "
            "cannot take it. Put it back into one of the same version or a newer one"
        )
    if not store.has_role(maker, SERVICE):
        raise KeepingError(
            f"this server does not know the role {SERVICE}: prepare it first (psql -f migrations/roles.sql)"
        )
    newest = max(major_of(backup.manifest.dumped_by), major_of(here))
    return programs_for(newest).program("pg_restore")


def _held(target: Target) -> list[str] | None:
    """The tables of the database that hold anything; None where it has none at all."""
    with connect(target.owner.other(target.database)) as there:
        return store.holds_rows(there) if store.tables_of(there) else None


def _refuse_unless_named(name: str, held: list[str], overwrite: str | None) -> None:
    if held and overwrite != name:
        shown = ", ".join(held[:SHOWN_TABLES]) + (" and more" if len(held) > SHOWN_TABLES else "")
        raise KeepingError(
            f"the database {name} holds a ledger already ({shown}), and nothing was touched. Put it back under another "
            f"name with --into, or put what is there aside, under another name, with --overwrite {name}"
        )


def _refuse_in_use(maker: Connection, name: str) -> None:
    deadline = time.monotonic() + LEAVING_S
    while others := store.users_of_database(maker, name):
        if time.monotonic() < deadline:
            time.sleep(POLL_S)
            continue
        raise KeepingError(
            f"{others} connection{'s are' if others > 1 else ' is'} open to the database {name}: stop the service, and "
            "whatever else uses it, and run it again. Nothing was touched"
        )


def _beside(maker: Connection, target: Target, fill: _Filling, moved: list[tuple[str, str]]) -> Proof:
    """Fill a new database, and only when it is whole let it have its name, after what is moved away."""
    with _new_database(maker, target) as new:
        proof = fill(target.owner.other(new))
        store.rename_databases(maker, [*moved, (new, target.database)])
    store.unmark_database(maker, target.database)
    return proof


@contextmanager
def _new_database(maker: Connection, target: Target) -> Iterator[str]:
    """A database under another name, gone again where what is done with it fails."""
    new = f"{target.database}_restoring"
    with connect(target.owner.other("postgres")) as own:
        owner = store.database_facts(own).role
    if not store.may_make_databases(maker):
        raise KeepingError(
            f"the role {store.database_facts(maker).role} may not make databases. Give --maker-url with one that may, or "
            f'let such a one run: CREATE DATABASE "{target.database}" OWNER "{owner}" TEMPLATE template0 ENCODING '
            "'UTF8'; and name that empty database with --into"
        )
    if store.has_database(maker, new):
        if not store.is_half_put_back(maker, new):
            raise KeepingError(f"a database {new} is there and is not ours: rename it, and run it again")
        store.drop_database(maker, new)
    store.make_database(maker, new, owner)
    try:
        yield new
    except BaseException:
        store.drop_database(maker, new)
        raise
