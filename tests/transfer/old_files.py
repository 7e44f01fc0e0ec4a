"""Old spreadsheets as a shop keeps them, and the import of them over a test's connection."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.store.db import Connection
from service.transfer.history_mapping import read_mapping
from service.transfer.posting import Task, post_all, shelve
from service.transfer.row_report import write_fates, write_refused
from service.transfer.shelf import RowFate, shelf
from tests.old_columns import EVERY, headings, mapped

MEASURED = ("vehicle", "bay", "parts", "power", "power_rpm", "torque", "best_of", "notes")
NAMES = (*headings("date"), "Customer", *headings(*MEASURED))
MAPPING = (
    mapped("date", *MEASURED)
    + EVERY
    + """
[parts]
stock = []
"wide one" = "wide-pipe"
"road map" = "road-map"
"""
)


def row(
    date: str = "04.05.2019",
    car: str = "Stoat-1",
    bay: str = "north",
    fitted: str = "stock",
    kw: object = "150,5",
    rpm: object = "5600",
    nm: object = "290,5",
    best_of: object = "3",
    notes: str = "",
    customer: str = "A Name",
) -> tuple[Any, ...]:
    """One old record; whatever a test does not care about is as usual."""
    return (date, customer, car, bay, fitted, kw, rpm, nm, best_of, notes)


@dataclass
class Imported:
    """What an import left: every row's fate, and the files written beside it."""

    fates: list[RowFate]
    errors: Path
    listed: Path
    by_row: dict[int, RowFate] = field(init=False)

    def __post_init__(self) -> None:
        self.by_row = {one.line: one for one in self.fates}

    def fate(self, line: int) -> str:
        """The fate of the row in this line of the file."""
        return self.by_row[line].fate

    def words(self, line: int) -> str:
        """Why it was questioned or refused."""
        return self.by_row[line].words


COMMA = '[file]\ndecimal = ","\nseparator = ";"\n'


def import_file(
    conn: Connection, path: Path, mapping: str = COMMA + MAPPING, *, name: str = "old", dry_run: bool = False
) -> Imported:
    """Import a file as the command does."""
    task = Task(path, read_mapping(mapping), path.parent, name, dry_run)
    errors, listed = path.with_suffix(".refused.csv"), path.with_suffix(".fates.csv")
    with shelf() as rows:
        head = shelve(conn, task, rows)
        post_all(conn, task, rows)
        write_fates(listed, rows)
        write_refused(errors, rows, head, task.mapping.file)
        return Imported(list(rows.fates()), errors, listed)


def write_csv(path: Path, rows: Sequence[Sequence[object]], names: Sequence[str] = NAMES) -> Path:
    """Delimited text with semicolons."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=";").writerows([names, *rows])
    return path
