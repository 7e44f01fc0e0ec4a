"""What became of every row, as delimited text; and the refused rows as a file that can be mended and fed again."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from service.transfer.cells import guarded
from service.transfer.history_mapping import OldFile
from service.transfer.sheets import REASON, Cell, as_text
from service.transfer.shelf import Shelf

COLUMNS: Final = ("row", "fate", "vehicle", "bay", "day", "session", "why", "noted")


def write_fates(path: Path, shelf: Shelf) -> None:
    """One line for every row of the file."""
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        for one in shelf.fates():
            said = (one.fate, one.vehicle, one.bay, one.day, one.session, one.words, one.notes)
            table.writerow([one.line, *(guarded(text) if text else "" for text in said)])


def write_refused(path: Path, shelf: Shelf, head: Sequence[Sequence[Cell]], file: OldFile) -> int:
    """The refused rows below the file's own first lines, each with why it was refused; answers how many.

    The same mapping reads it: separator, encoding and marks are those of the file. Nothing is written where nothing was
    refused.
    """
    written = 0
    width = max((len(cells) for cells in head), default=0)
    with path.open("w", encoding=file.encoding or "utf-8", newline="", errors="replace") as target:
        table = csv.writer(target, delimiter=file.separator)
        for number, cells in enumerate(head, start=1):
            row = [as_text(cell, file.decimal) for cell in cells]
            if number == file.names_line:
                row = [*padded(row, width), REASON]
            table.writerow(row)
        for cells, words in shelf.refused_rows():
            row = padded([guarded(cell) if cell else "" for cell in cells], width)
            table.writerow([*row[:width], guarded(words)] if width else [*row, guarded(words)])
            written += 1
    if not written:
        path.unlink()
    return written


def padded(row: list[str], width: int) -> list[str]:
    """A row of at least so many cells."""
    return row + [""] * (width - len(row))
