"""The rows of a spreadsheet or of delimited text, one after the other: a file of any length takes the same memory."""

from __future__ import annotations

import codecs
import csv
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile, ZipFile

from service.tables.errors import Unreadable
from service.tables.text import decode
from service.tables.words import bare
from service.transfer.cells import unguarded
from service.transfer.errors import TransferError
from service.transfer.history_mapping import OldFile, OldMapping

REASON: Final = "reason it was not taken"
"""The column that a file of refused rows has more than the file they came from."""
SAMPLE_BYTES: Final = 4096
CHUNK_BYTES: Final = 1 << 20
SPREADSHEETS: Final = (".xlsx", ".xlsm")
MOST_UNPACKED: Final = 1 << 30
"""A spreadsheet may unpack to so much [bytes]: millions of rows (our choice)."""
MOST_PACKED: Final = 200
"""How many times its packed size a large part of it may unpack to: rows of figures come to ten or twenty (our choice)."""
SMALL: Final = 16 << 20
"""A part of this size is read whatever it was packed to [bytes]."""
# What zipfile, zlib and the XML reader raise at a damaged file; the reader's ParseError is a SyntaxError.
DAMAGED: Final = (BadZipFile, zlib.error, EOFError, RuntimeError, SyntaxError, KeyError, ValueError)

Cell = Any
"""A cell's value: text, or what the spreadsheet keeps (a number, a moment, true or false, None)."""


@dataclass(frozen=True, slots=True)
class SourceRow:
    """A row of the file by its number, counted from 1."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Source:
    """An opened file: the rows above the records, where each column stands counted from 0, and the records."""

    head: tuple[tuple[Cell, ...], ...]
    places: dict[str, int]
    rows: Iterator[SourceRow]


@contextmanager
def opened(path: Path, mapping: OldMapping) -> Iterator[Source]:
    """The file by its mapping. Raises TransferError where it cannot be read or a column is not there."""
    with _all_rows(path, mapping.file) as every:
        rows = iter(enumerate(every, start=1))
        head = []
        for _, cells in rows:
            head.append(cells)
            if len(head) == mapping.file.first_row - 1:
                break
        names = head[mapping.file.names_line - 1] if 0 < mapping.file.names_line <= len(head) else ()
        fed_again = bool(names) and names[-1] == REASON
        yield Source(tuple(head), _places(names, mapping), _records(rows, names, fed_again))


def _records(
    rows: Iterator[tuple[int, tuple[Cell, ...]]], names: tuple[Cell, ...], fed_again: bool
) -> Iterator[SourceRow]:
    """The rows that hold something, without the names repeated; the reason of a refusal is not read again."""
    for number, cells in rows:
        if fed_again:
            cells = tuple(unguarded(one) if isinstance(one, str) else one for one in cells[: len(names) - 1])
        if any(one not in (None, "") for one in cells) and cells[: len(names)] != names:
            yield SourceRow(number, cells)


def _places(names: Sequence[Cell], mapping: OldMapping) -> dict[str, int]:
    found, faults = {}, []
    there = [bare(as_text(name)) for name in names]
    for column, where in mapping.columns.items():
        if isinstance(where.place, int):
            found[column] = where.place - 1
        elif there.count(bare(where.place)) == 1:
            found[column] = there.index(bare(where.place))
        else:
            times = "not" if bare(where.place) not in there else "more than once"
            faults.append(f"columns.{column}.name = {where.place!r} is {times} among the names")
    if faults:
        shown = ", ".join(repr(as_text(name)) for name in names) or "nothing"
        raise TransferError(
            f"{'; '.join(faults)}. Line {mapping.file.names_line} has {shown}: mend the mapping, or use number"
        )
    return found


@contextmanager
def _all_rows(path: Path, file: OldFile) -> Iterator[Iterator[tuple[Cell, ...]]]:
    try:
        if path.suffix.lower() in SPREADSHEETS:
            with _spreadsheet(path, file) as rows:
                yield rows
        else:
            with path.open(encoding=file.encoding or encoding_of(path), newline="") as text:
                yield _delimited(text, path, file)
    except OSError as error:
        raise TransferError(f"{path}: {error.strerror or error}; see that it is there and readable") from None


def _delimited(text: Any, path: Path, file: OldFile) -> Iterator[tuple[Cell, ...]]:
    csv.field_size_limit(CHUNK_BYTES)
    try:
        for number, cells in enumerate(csv.reader(text, delimiter=file.separator), start=1):
            if number == 1 and cells:
                cells[0] = cells[0].removeprefix("\ufeff")
            yield tuple(cell.strip() for cell in cells)
    except UnicodeError as error:
        raise TransferError(f"{path}: {error}; say the file's encoding in [file] of the mapping") from None
    except csv.Error as error:
        raise TransferError(
            f"{path}: {error}; is a quotation mark left open, or the separator wrong?"
        ) from None


def encoding_of(path: Path) -> str:
    """The encoding a file shows: by its mark or its zeros, else UTF-8 if all of it is, else Windows-1252 or Latin-1."""
    with path.open("rb") as raw:
        sample = raw.read(SAMPLE_BYTES)
    try:
        found = decode(sample[: len(sample) // 2 * 2]).encoding
    except Unreadable as error:
        raise TransferError(f"{path}: {error}") from None
    if found.startswith("utf-16"):
        return found
    return next((name for name in ("utf-8", "cp1252") if _reads(path, name)), "latin-1")


def _reads(path: Path, encoding: str) -> bool:
    """Whether all of a file is text in an encoding."""
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        with path.open("rb") as raw:
            while chunk := raw.read(CHUNK_BYTES):
                decoder.decode(chunk)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


@contextmanager
def _spreadsheet(path: Path, file: OldFile) -> Iterator[Iterator[tuple[Cell, ...]]]:
    import openpyxl  # type: ignore[import-untyped]

    try:
        _refuse_bombs(path)
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except DAMAGED as error:
        raise _unreadable(path, error) from None
    except OSError as error:
        if error.errno is not None:
            raise
        raise _unreadable(path, error) from None  # the library's word for a file that holds no workbook
    try:
        sheet = _sheet_of(book, file.sheet)
        sheet.reset_dimensions()  # what a file says of its own size is often wrong
        yield _rows_of(path, sheet)
    finally:
        book.close()


def _rows_of(path: Path, sheet: Any) -> Iterator[tuple[Cell, ...]]:
    """The rows of a sheet, which is unpacked while it is read."""
    rows = sheet.iter_rows(values_only=True)
    while True:
        try:
            cells = next(rows, None)
        except DAMAGED as error:
            raise _unreadable(path, error) from None
        if cells is None:
            return
        yield tuple(_stripped(cell) for cell in cells)


def _unreadable(path: Path, error: Exception) -> TransferError:
    return TransferError(f"{path} is no spreadsheet that can be read: {error}; save it anew as .xlsx")


def _refuse_bombs(path: Path) -> None:
    """Refuse a file that unpacks to far more than a spreadsheet does. What its parts say of their size holds: no more of
    them is unpacked than that."""
    with ZipFile(path) as zipped:
        parts = zipped.infolist()
    unpacked = sum(part.file_size for part in parts)
    if unpacked > MOST_UNPACKED:
        raise TransferError(
            f"{path} unpacks to {unpacked:,} bytes; at most {MOST_UNPACKED:,}: split it, or save it as .csv"
        )
    for part in parts:
        if part.file_size > SMALL and part.file_size > MOST_PACKED * part.compress_size:
            raise TransferError(
                f"{path}: {part.filename} unpacks to {part.file_size:,} bytes from {part.compress_size:,}, which rows do "
                "not; save it anew as .xlsx, or as .csv"
            )


def _sheet_of(book: Any, wanted: str | int) -> Any:
    names = book.sheetnames
    if isinstance(wanted, int) and wanted <= len(names):
        wanted = names[wanted - 1]
    if wanted not in names:
        raise TransferError(f"file.sheet = {wanted!r}: the file has {', '.join(map(repr, names))}")
    return book[wanted]


def _stripped(cell: Cell) -> Cell:
    return cell.strip() if isinstance(cell, str) else cell


def as_text(cell: Cell, decimal: str = ".") -> str:
    """A cell as a person would have typed it, so that the mapping reads it alike from text."""
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        whole_day = cell.time() == time(0) and cell.tzinfo is None
        return cell.date().isoformat() if whole_day else cell.isoformat(sep=" ")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float):
        text = str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
        return text.replace(".", decimal)
    return str(cell)
