"""A whole ledger from its export, into an empty one: looked through before anything is written, then all of it or nothing."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile, ZipFile

import psycopg

from service.store import transfer as store
from service.store.db import Connection
from service.store.readiness import REVISION
from service.transfer import samples
from service.transfer.columns import from_cell
from service.transfer.dictionary import TABLES
from service.transfer.dictionary_columns import Table
from service.transfer.errors import TransferError
from service.transfer.export import FORMAT, MANIFEST

LARGEST_CELL: Final = 1 << 28
PIECE: Final = 1 << 20
Progress = Callable[[str, int, int | None], None]


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put in: how many rows of each table, and what the manifest said."""

    rows: Mapping[str, int]
    manifest: Mapping[str, Any]


def restore(conn: Connection, path: Path, progress: Progress) -> Restored:
    """Put an export into an empty ledger, as the schema's owner. Raises TransferError where that cannot be; nothing is kept
    then."""
    try:
        with ZipFile(path) as zipped:
            manifest = checked_manifest(zipped, progress)
            with conn.transaction():
                filled = store.filled_tables(conn, (one.name for one in TABLES if one.name != "slot"))
                if filled:
                    raise TransferError(
                        f"the ledger is not empty: {', '.join(filled)} hold something already. An export goes into a new "
                        "ledger: name another --data-dir or database"
                    )
                rows = _write_all(conn, zipped, manifest, progress)
            store.analyse(conn)
    except BadZipFile as error:
        raise TransferError(f"{path} is damaged or no export: {error}; take another copy of it") from None
    except psycopg.errors.InsufficientPrivilege:
        raise TransferError(
            "only the role that owns the schema may fill a ledger; name it with --owner-database-url"
        ) from None
    return Restored(rows, manifest)


def checked_manifest(zipped: ZipFile, progress: Progress) -> dict[str, Any]:
    """What an export says of itself, every file of it held against that. Raises TransferError with all that is wrong."""
    manifest = _manifest(zipped)
    wrong = list(_out_of_date(manifest))
    if wrong:
        raise TransferError("; ".join(wrong))
    try:
        files = [
            manifest["dictionary"],
            *(one[form] for one in manifest["tables"] for form in ("csv", "parquet")),
        ]
        wrong += _differences(zipped, files, [one["name"] for one in manifest["tables"]], progress)
    except (KeyError, TypeError):
        raise TransferError(f"{MANIFEST} is damaged: it does not list its files; take another copy") from None
    if wrong:
        raise TransferError(f"the export is damaged, nothing was written: {'; '.join(wrong)}")
    return manifest


def _manifest(zipped: ZipFile) -> dict[str, Any]:
    try:
        found = json.loads(zipped.read(MANIFEST))
    except KeyError:
        raise TransferError(
            f"the file holds no {MANIFEST}: it is no export of a ledger, or a part of one"
        ) from None
    except ValueError as error:
        raise TransferError(f"{MANIFEST} is damaged: {error}; take another copy") from None
    if not isinstance(found, dict):
        raise TransferError(f"{MANIFEST} is damaged: it is no object; take another copy")
    return found


def _out_of_date(manifest: Mapping[str, Any]) -> Iterator[str]:
    if manifest.get("format") != FORMAT:
        yield f"the export is laid out by format {manifest.get('format')!r}, this program reads {FORMAT}: use the one that wrote it"
    if manifest.get("revision") != REVISION:
        yield (
            f"the export is of revision {manifest.get('revision')!r}, this ledger is of {REVISION}: import it with the "
            "version that wrote it, run `bayledger migrate` with this one, and export again"
        )


def _differences(
    zipped: ZipFile, files: Sequence[Mapping[str, Any]], tables: Sequence[str], progress: Progress
) -> Iterator[str]:
    """Every file that is missing, strange or not as it was written."""
    there = set(zipped.namelist())
    expected = {one["name"] for one in files} | {MANIFEST}
    yield from (f"{name} is missing" for name in sorted(expected - there))
    yield from (f"{name} does not belong to it" for name in sorted(there - expected))
    yield from (f"the table {one.name} is missing" for one in TABLES if one.name not in tables)
    for done, one in enumerate(files):
        progress("checking", done, len(files))
        if one["name"] in there and _sha256(zipped, one["name"]) != one["sha256"]:
            yield f"{one['name']} is not what was written (its SHA-256 differs)"


def _sha256(zipped: ZipFile, name: str) -> str:
    summed = hashlib.sha256()
    try:
        with zipped.open(name) as entry:
            while piece := entry.read(PIECE):
                summed.update(piece)
    except (BadZipFile, EOFError, OSError, ValueError):
        return "unreadable"
    return summed.hexdigest()


def _write_all(
    conn: Connection, zipped: ZipFile, manifest: Mapping[str, Any], progress: Progress
) -> dict[str, int]:
    said = {one["name"]: one["rows"] for one in manifest["tables"]}
    store.forget_slots(conn)
    rows: dict[str, int] = {}
    for done, table in enumerate(TABLES):
        progress("importing", done, len(TABLES))
        rows[table.name] = _write_table(conn, zipped, table)
        if rows[table.name] != said[table.name]:
            raise TransferError(
                f"{table.name}.csv holds {rows[table.name]} rows where {MANIFEST} says {said[table.name]}; nothing was kept"
            )
        if table.own:
            store.number_on(conn, table.name, table.own)
    return rows


def _write_table(conn: Connection, zipped: ZipFile, table: Table) -> int:
    rows = read_rows(zipped, table)
    if table.name == "model_fit":
        return store.write_fits(conn, rows)
    if table.name in samples.PACKED:
        packed = (samples.packed(table.name, row) for row in rows)
        return store.write_rows(conn, table.name, samples.PACKED[table.name], packed)
    names = [one.name for one in table.columns]
    return store.write_rows(conn, table.name, names, (tuple(row.values()) for row in rows))


def read_rows(zipped: ZipFile, table: Table) -> Iterator[dict[str, Any]]:
    """A table's rows, by column. Raises TransferError where they are not as the dictionary says."""
    csv.field_size_limit(LARGEST_CELL)
    name = f"{table.name}.csv"
    columns = [(one.name, one.kind) for one in table.columns]
    with zipped.open(name) as entry, io.TextIOWrapper(entry, encoding="utf-8", newline="") as text:
        cells = csv.reader(text)
        heading = next(cells, [])
        if heading != [column for column, _ in columns]:
            raise TransferError(
                f"{name} has other columns than this program writes; use the one that wrote it"
            )
        for number, row in enumerate(cells, start=2):
            try:
                yield {
                    column: from_cell(kind, cell) for (column, kind), cell in zip(columns, row, strict=True)
                }
            except ValueError as error:
                raise TransferError(f"{name}, row {number}: {error}; nothing was kept") from None
