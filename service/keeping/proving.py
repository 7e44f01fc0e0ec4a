"""Prove a backup: put it back where it harms nobody, and compare rows and answers."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from service.keeping.errors import KeepingError
from service.keeping.figures import differences, figures
from service.keeping.manifest import Manifest
from service.keeping.programs import Address, connect, major_of, put_back
from service.keeping.scratch import scratch_server
from service.keeping.shelf import Backup, check_dump, note_proof
from service.keeping.taking import plainly
from service.store import backups as store
from service.store.db import Connection
from service.store.readiness import REVISION
from service.store.transfer import analyse


@dataclass(frozen=True, slots=True)
class Proof:
    """What was compared: tables, the rows in them, and which of the three answers the ledger could give."""

    tables: int
    rows: int
    answers: tuple[str, ...]
    why_none: str | None


def prove(backup: Backup) -> Proof:
    """Put a backup back into a Postgres made for it, compare, and write the proof down. Raises KeepingError."""
    check_dump(backup)
    manifest = backup.manifest
    with plainly(), scratch_server(manifest.size) as server:
        if major_of(server.version) < major_of(manifest.dumped_by):
            raise KeepingError(
                f"the backup was written by Postgres {manifest.dumped_by}, and the one here is {server.version}: put the "
                "folder of a newer one into PG_BIN"
            )
        address = Address(server.owner_url)
        put_back(
            str(server.program("pg_restore")), backup.dump, address,
            privileges=False, what=f"{backup.dump} cannot be put back",
        )  # fmt: skip
        with connect(address) as conn:
            proof = compared(conn, manifest)
    if proof.why_none is not None and manifest.revision == REVISION:
        raise KeepingError(
            f"{backup.dump} was put back and its {proof.rows} rows are all there, but the ledger could not be asked: "
            f"{proof.why_none}. It is kept, and not called verified"
        )
    note_proof(
        backup,
        {
            "verified_at": datetime.now(UTC).isoformat(),
            "server_version": server.version,
            "tables": proof.tables,
            "rows": proof.rows,
            "answers": proof.answers,
        },
    )
    return proof


def compared(conn: Connection, manifest: Manifest) -> Proof:
    """Hold a database against what the manifest says must be in it. Raises KeepingError with all that differs."""
    analyse(conn)
    wrong = list(differences(manifest.rows, store.rows_of_tables(conn), "rows"))
    answers, why_none = _comparable(manifest)
    if not wrong and why_none is None:
        wrong += _other_answers(conn, manifest)
    if wrong:
        raise KeepingError(
            f"what was put back is not what the backup of {manifest.taken_at:%Y-%m-%d %H:%M} UTC says it holds (program "
            f"{manifest.program}): {'; '.join(wrong)}"
        )
    return Proof(len(manifest.rows), sum(manifest.rows.values()), answers, why_none)


def _comparable(manifest: Manifest) -> tuple[tuple[str, ...], str | None]:
    """Which answers there are to compare, and why there are none."""
    if manifest.answers is None:
        return (), manifest.unanswered
    if manifest.revision != REVISION:
        return (), f"its schema is at {manifest.revision}, this program asks one at {REVISION}"
    return tuple(name for name, one in manifest.answers.items() if one is not None), None


def _other_answers(conn: Connection, manifest: Manifest) -> Iterator[str]:
    with conn.transaction():
        found = json.loads(json.dumps(figures(conn)))
    yield from differences(manifest.answers, found, "answers")
