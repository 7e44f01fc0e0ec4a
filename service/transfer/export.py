"""Everything in the ledger in one file: each table as delimited text and as Parquet, with what every column means.

No identification number, no token and no other secret goes out. The keyed hashes of identification numbers say only
whether two cars are the same, and only to who holds the ledger's key; they go out on request alone, for a ledger that will
be served with the same key.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

import pyarrow as pa  # type: ignore[import-untyped]
from pyarrow import parquet

from service.answers.packed import METHOD as MODEL
from service.domain.derive import METHOD
from service.store import transfer as store
from service.store.db import Connection
from service.store.past import reading_once
from service.store.readiness import REVISION
from service.transfer import samples
from service.transfer.columns import KINDS, to_arrow, to_cell
from service.transfer.dictionary import LEFT_OUT, TABLES, dictionary_rows
from service.transfer.dictionary_columns import Table

FORMAT: Final = 1
"""Number of the way an export is laid out."""
MANIFEST: Final = "manifest.json"
DICTIONARY: Final = "dictionary.csv"
ROWS_AT_ONCE: Final = 5_000
PULLS_AT_ONCE: Final = 250
"""Rows held in memory, and in one row group of Parquet; rows with samples are some kilobytes each (our choice)."""
ABOUT_CELLS: Final = (
    "An empty cell is null. A text that a spreadsheet could take for a formula, and an empty text, has one apostrophe "
    "before it. Times are in UTC; lists are JSON; bytes are hexadecimal after \\x."
)

Progress = Callable[[str, int, int | None], None]


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file of the export, by what it holds and how that can be checked."""

    name: str
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True)
class WrittenTable:
    """A table as it was written."""

    name: str
    rows: int
    csv: WrittenFile
    parquet: WrittenFile


def export(conn: Connection, path: Path, *, hashes: bool, progress: Progress) -> list[WrittenTable]:
    """Write all that is in the ledger at one moment. hashes: with the keyed hashes of identification numbers.

    The file appears under its name when it is whole.
    """
    part = path.with_name(path.name + ".part")
    try:
        with reading_once(conn), ZipFile(part, "w", ZIP_DEFLATED, compresslevel=6) as zipped:
            written = []
            for done, table in enumerate(TABLES):
                progress("exporting", done, len(TABLES))
                written.append(_write_table(conn, zipped, table, hashes))
            dictionary = _write(zipped, DICTIONARY, _as_csv(dictionary_rows()).encode())
            manifest = _manifest(conn, written, dictionary, hashes)
            zipped.writestr(MANIFEST, json.dumps(manifest, indent=2, ensure_ascii=False))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return written


def _manifest(
    conn: Connection, written: Sequence[WrittenTable], dictionary: WrittenFile, hashes: bool
) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "revision": REVISION,
        "derived_by": METHOD,
        "model": MODEL,
        "exported_at": datetime.now(UTC).isoformat(),
        "cells": ABOUT_CELLS,
        "keyed_hashes": hashes,
        "fits": store.exported_fits(conn),
        "left_out": LEFT_OUT,
        "dictionary": asdict(dictionary),
        "tables": [asdict(one) for one in written],
    }


def _write(zipped: ZipFile, name: str, content: bytes) -> WrittenFile:
    zipped.writestr(name, content)
    return WrittenFile(name, hashlib.sha256(content).hexdigest(), len(content))


def _as_csv(rows: Iterator[tuple[str, ...]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()


class _Counted(io.RawIOBase):
    """Bytes on their way into the archive, summed up as they pass."""

    def __init__(self, into: IO[bytes]) -> None:
        self._into, self._sum, self.length = into, hashlib.sha256(), 0

    def writable(self) -> bool:
        return True

    def write(self, content: Any) -> int:
        raw = bytes(content)
        self._into.write(raw)
        self._sum.update(raw)
        self.length += len(raw)
        return len(raw)

    def written(self, name: str) -> WrittenFile:
        return WrittenFile(name, self._sum.hexdigest(), self.length)


def _write_table(conn: Connection, zipped: ZipFile, table: Table, hashes: bool) -> WrittenTable:
    """One table, read once and written both ways."""
    with tempfile.TemporaryFile() as columns:
        name = f"{table.name}.csv"
        with zipped.open(name, "w", force_zip64=True) as entry:
            raw = _Counted(entry)
            text = io.TextIOWrapper(io.BufferedWriter(raw, 1 << 16), encoding="utf-8", newline="")
            rows = _write_rows(table, _chunks(conn, table, hashes), text, columns)
            text.flush()
        as_text = raw.written(name)
        columns.seek(0)
        return WrittenTable(table.name, rows, as_text, _store(zipped, f"{table.name}.parquet", columns))


def _write_rows(
    table: Table, chunks: Iterator[list[dict[str, Any]]], text: IO[str], columns: IO[bytes]
) -> int:
    schema = arrow_schema(table)
    cells = csv.writer(text)
    cells.writerow([column.name for column in table.columns])
    count = 0
    with parquet.ParquetWriter(columns, schema, compression="zstd") as writer:
        for chunk in chunks:
            for row in chunk:
                cells.writerow([to_cell(column.kind, row.get(column.name)) for column in table.columns])
            arrays = [
                pa.array(
                    [to_arrow(column.kind, row.get(column.name)) for row in chunk], KINDS[column.kind].arrow
                )
                for column in table.columns
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(chunk)
    return count


def arrow_schema(table: Table) -> pa.Schema:
    """A table's columns as Parquet has them, each with its meaning."""
    return pa.schema(
        [
            pa.field(
                one.name,
                KINDS[one.kind].arrow,
                metadata={"meaning": one.meaning, "unit": one.unit, "null": one.null},
            )
            for one in table.columns
        ],
        metadata={"meaning": table.meaning},
    )


def _chunks(conn: Connection, table: Table, hashes: bool) -> Iterator[list[dict[str, Any]]]:
    """A table's rows as they are exported, some at a time."""
    if table.name in samples.PACKED:
        packed = store.rows_of_table(conn, table.name, samples.PACKED[table.name], table.order, PULLS_AT_ONCE)
        yield from ([samples.unpacked(table.name, row) for row in chunk] for chunk in packed)
    elif table.name in store.QUERIES:
        yield from store.rows_of_query(conn, table.name, ROWS_AT_ONCE)
    else:
        names = [one.name for one in table.columns if hashes or one.name != "vin_hash"]
        as_text = {one.name for one in table.columns if one.kind == "json"}
        yield from store.rows_of_table(conn, table.name, names, table.order, ROWS_AT_ONCE, as_text)


def _store(zipped: ZipFile, name: str, content: IO[bytes]) -> WrittenFile:
    """A file that is packed already, as it is."""
    info = ZipInfo(name)
    info.compress_type = ZIP_STORED
    with zipped.open(info, "w", force_zip64=True) as entry:
        raw = _Counted(entry)
        while piece := content.read(1 << 20):
            raw.write(piece)
    return raw.written(name)
