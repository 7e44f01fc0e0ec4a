"""Take a backup of a whole ledger, of one moment, while it serves."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path
from typing import Any

import psycopg

from service.keeping.errors import KeepingError
from service.keeping.figures import figures
from service.keeping.manifest import Manifest
from service.keeping.programs import Address, connect, dump, major_of, programs_for
from service.keeping.shelf import Backup, keep
from service.local.binaries import Binaries
from service.store import backups as store
from service.store.db import Connection
from service.store.readiness import REVISION


def take(address: Address, folder: Path, *, program: str, vin_key: str | None) -> Backup:
    """Write a backup into a folder the caller holds. Raises KeepingError; nothing that counts is left then.

    Parameters
    ----------
    address: the database as the schema's owner, past any pooler
    program: this program's version
    vin_key: fingerprint of the key that VINs are hashed under
    """
    with plainly(), connect(address) as conn:
        facts = store.database_facts(conn)
        programs = programs_for(major_of(facts.server_version))
        _refuse_in_part(conn, facts)
        with store.one_moment(conn) as moment:
            manifest = _manifest(conn, moment, facts, programs, program, vin_key)
            return keep(folder, manifest, lambda file: dump(programs, address, moment.snapshot, file))


def _refuse_in_part(conn: Connection, facts: store.DatabaseFacts) -> None:
    """Of a ledger only all of it is worth keeping."""
    if store.revision_of(conn) is None:
        raise KeepingError(f"the database {facts.database} holds no ledger: run `bayledger migrate`")
    if closed := store.closed_tables(conn, facts.role):
        raise KeepingError(
            f"the role {facts.role} may not read {', '.join(closed)}: name the schema's owner in "
            "BAYLEDGER_OWNER_DATABASE_URL"
        )


def _manifest(
    conn: Connection,
    moment: store.Moment,
    facts: store.DatabaseFacts,
    programs: Binaries,
    program: str,
    vin_key: str | None,
) -> Manifest:
    revision = store.revision_of(conn) or ""
    answers, unanswered = _answers(conn, revision)
    return Manifest(
        taken_at=moment.at.astimezone(UTC),
        program=program,
        database=facts.database,
        system_identifier=facts.system_identifier,
        server_version=facts.server_version,
        dumped_by=programs.version,
        revision=revision,
        size=facts.size,
        vin_key=vin_key,
        rows=store.rows_of_tables(conn),
        answers=answers,
        unanswered=unanswered,
    )


def _answers(conn: Connection, revision: str) -> tuple[dict[str, Any] | None, str | None]:
    """The three answers, or why they cannot be had: a ledger that answers wrongly must still be kept."""
    if revision != REVISION:
        return None, f"the schema is at {revision}, this program asks one at {REVISION}"
    try:
        with conn.transaction():
            return figures(conn), None
    except psycopg.OperationalError:
        raise
    except Exception as error:
        return None, f"{type(error).__name__}: {error}"


@contextmanager
def plainly() -> Iterator[None]:
    """What the database says on the way, as a sentence."""
    try:
        yield
    except psycopg.Error as error:
        said = (str(error).strip().splitlines() or ["no further words"])[0]
        raise KeepingError(f"the database said: {said}. Run it again once that is mended") from error


def tell_ledger(address: Address, backup: Backup) -> str | None:
    """Note in a ledger that a backup holds it and was put back and compared: `/metrics` and `selfcheck` tell its age by that.
    Answers why it could not be noted, None where it was; the backup is as good either way."""
    try:
        with connect(address) as conn:
            noted = store.note_proved(conn, backup.manifest.taken_at)
    except (KeepingError, psycopg.Error) as error:
        return (str(error).strip().splitlines() or ["no further words"])[0]
    return None if noted else "somebody else's comment stands on the database"
