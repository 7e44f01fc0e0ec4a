"""Reach the ledger's database: the given one, or the ledger's own, brought up for as long as it is needed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from service.cli.errors import CouldNotError
from service.settings import Settings, variable

if TYPE_CHECKING:
    from service.local import LocalServer
    from service.store.db import Connection

ROOT = Path(__file__).resolve().parents[2]
SELF = [sys.executable, "-m", "service"]  # run with ROOT as its working folder

OWN_REVISION = re.compile(r'^revision\b[^=\n]*=\s*"([^"]+)"', re.MULTILINE)
EARLIER_REVISION = re.compile(r'^down_revision\b[^=\n]*=\s*"([^"]+)"', re.MULTILINE)


@dataclass(frozen=True)
class Ledger:
    """Settings with every database address filled in, and the local server if there is one."""

    settings: Settings
    server: LocalServer | None

    @property
    def owner_url(self) -> str:
        return self.settings.owner_database_url or self.settings.database_url


@contextmanager
def open_ledger(settings: Settings) -> Iterator[Ledger]:
    """The database, for as long as the block runs."""
    if settings.database_url:
        yield Ledger(settings, None)
        return
    from service.local import start_server

    with start_server(settings.data_dir) as server:
        own = replace(settings, database_url=server.service_url, owner_database_url=server.owner_url)
        yield Ledger(own, server)


@contextmanager
def open_kept_ledger(settings: Settings) -> Iterator[Ledger]:
    """The database of a ledger there is; a folder without one is refused, so that a wrong folder gets no new ledger."""
    _refuse_empty_folder(settings)
    with open_ledger(settings) as ledger:
        yield ledger


def _refuse_empty_folder(settings: Settings) -> None:
    if settings.database_url:
        return
    from service.local.places import places_of

    places = places_of(settings.data_dir)
    if places.written_by_major() is None:
        raise CouldNotError(
            f"there is no ledger in {places.root}. Name its folder with --data-dir, or start one there with "
            "`bayledger serve`."
        )


def migrate_aside(ledger: Ledger) -> None:
    """Migrate, if there is anything to do, in a process of its own: what it loads is gone from memory when it ends."""
    if _revision_of(ledger) == newest_revision():
        return
    environment = os.environ | {
        variable("database_url"): ledger.settings.database_url,
        variable("owner_database_url"): ledger.owner_url,
    }
    done = subprocess.run(
        [*SELF, "migrate", "--quiet"],
        env=environment, cwd=ROOT, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    if done.returncode != 0:
        words = done.stderr.strip().removeprefix("bayledger: ") or f"exit code {done.returncode}"
        raise CouldNotError(f"the database could not be migrated: {words}")


def known_revisions() -> frozenset[str]:
    """Every revision of the schema that this program can bring up to date."""
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "migrations" / "versions").glob("*.py")]
    return frozenset(match[1] for text in texts if (match := OWN_REVISION.search(text)))


def newest_revision() -> str | None:
    """The one revision no other builds on, read from the files: asking alembic costs half a second of every start."""
    texts = [path.read_text(encoding="utf-8") for path in (ROOT / "migrations" / "versions").glob("*.py")]
    own = {match[1] for text in texts if (match := OWN_REVISION.search(text))}
    built_on = {match[1] for text in texts if (match := EARLIER_REVISION.search(text))}
    newest = own - built_on
    return newest.pop() if len(newest) == 1 else None


def _revision_of(ledger: Ledger) -> str | None:
    """The revision the database has, None where it has none."""
    with one_connection(ledger.owner_url) as connection:
        if connection.execute("SELECT to_regclass('public.alembic_version')").fetchone() == (None,):
            return None
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return row[0] if row else None


@contextmanager
def one_connection(url: str) -> Iterator[Connection]:
    """A connection for a moment, and nothing of it left when the web server forks its worker."""
    from service.store.db import Lender

    lender = Lender(url, 1)
    try:
        with lender() as connection:
            yield connection
    finally:
        lender.close()


def must_be_ready(connection: Connection) -> None:
    """Refuse a database that has not the shape this program was written for."""
    from service.store.readiness import not_ready

    reason = not_ready(lambda: nullcontext(connection))
    if reason is not None:
        raise CouldNotError(reason)


@contextmanager
def owner_connection(settings: Settings) -> Iterator[Connection]:
    """A connection as the schema's owner, to a ledger whose schema is there."""
    with open_kept_ledger(settings) as ledger, one_connection(ledger.owner_url) as connection:
        if connection.execute("SELECT to_regclass('public.token')").fetchone() == (None,):
            migrate_aside(ledger)
        yield connection
