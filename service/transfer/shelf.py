"""Rows set aside on disk between reading and posting: they are put in order there, so that memory stays what it is."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Final

from service.transfer.old_records import OldRecord, Unread

ACCEPTED: Final = "accepted"
QUESTIONED: Final = "questioned"
REFUSED: Final = "refused"
KEPT_BEFORE: Final = "kept before"
FATES: Final = (ACCEPTED, QUESTIONED, REFUSED, KEPT_BEFORE)

TABLES: Final = """
    PRAGMA journal_mode = OFF;
    PRAGMA synchronous = OFF;
    PRAGMA temp_store = FILE;
    CREATE TABLE record (line INTEGER PRIMARY KEY, day TEXT, bay TEXT, vehicle TEXT, started TEXT, record TEXT);
    CREATE TABLE fate (line INTEGER PRIMARY KEY, fate TEXT, words TEXT, notes TEXT, session TEXT, vehicle TEXT, bay TEXT,
                       day TEXT, cells TEXT);
    CREATE TABLE why (line INTEGER, words TEXT);
    CREATE INDEX record_of_one_strap_down ON record (day, bay, vehicle);
    BEGIN;
"""
IN_ORDER: Final = """
    SELECT   record.day, record.bay, record.vehicle, record.record, record.line
    FROM     record
             JOIN (SELECT day, bay, vehicle, min(started) AS began, min(line) AS first
                   FROM record GROUP BY day, bay, vehicle) USING (day, bay, vehicle)
    ORDER BY day, began, first, line
"""


@dataclass(frozen=True, slots=True)
class RowFate:
    """What became of a row: its fate, the words of whatever questioned or refused it, codes of what was only noted, and
    the session it went into."""

    line: int
    fate: str
    words: str = ""
    notes: str = ""
    session: str = ""
    vehicle: str = ""
    bay: str = ""
    day: str = ""


@dataclass(frozen=True, slots=True)
class StrapDownRows:
    """The rows of one strap-down: the records, and the lines of those that could not be read."""

    records: list[OldRecord]
    unread: list[int]


class Shelf:
    """The rows of one file and their fates."""

    def __init__(self, base: sqlite3.Connection) -> None:
        self._base = base
        base.executescript(TABLES)

    def put(self, record: OldRecord, cells: Sequence[str]) -> None:
        """Set a record aside."""
        self._base.execute(
            "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?)",
            (
                *(record.line, record.day, record.bay, record.vehicle, record.started_at),
                json.dumps(record.plain(), ensure_ascii=False),
            ),
        )
        self._base.execute(
            "INSERT INTO fate (line, vehicle, bay, day, cells) VALUES (?, ?, ?, ?, ?)",
            (record.line, record.vehicle, record.bay, record.day, json.dumps(cells, ensure_ascii=False)),
        )

    def refuse(self, unread: Unread, cells: Sequence[str]) -> None:
        """Note a row that cannot be read; where its strap-down is known, the others of it will be held back."""
        place = (unread.day, unread.bay, unread.vehicle)
        if unread.placed:
            self._base.execute(
                "INSERT INTO record (line, day, bay, vehicle) VALUES (?, ?, ?, ?)", (unread.line, *place)
            )
        self._base.execute(
            "INSERT INTO fate (line, fate, words, notes, session, day, bay, vehicle, cells)"
            " VALUES (?, ?, ?, '', '', ?, ?, ?, ?)",
            (unread.line, REFUSED, "; ".join(unread.faults), *place, json.dumps(cells, ensure_ascii=False)),
        )
        self._base.executemany("INSERT INTO why VALUES (?, ?)", [(unread.line, why) for why in unread.faults])

    def decide(self, fate: RowFate) -> None:
        """Note what became of a record."""
        self._base.execute(
            "UPDATE fate SET fate = ?, words = ?, notes = ?, session = ? WHERE line = ?",
            (fate.fate, fate.words, fate.notes, fate.session, fate.line),
        )
        if fate.words:
            self._base.execute("INSERT INTO why VALUES (?, ?)", (fate.line, fate.words))

    def records(self) -> int:
        """How many records were set aside."""
        return int(self._base.execute("SELECT count(record) FROM record").fetchone()[0])

    def strap_downs(self) -> Iterator[StrapDownRows]:
        """The records of one car, bay and day together, in the order of their rows; the oldest day first."""
        rows = self._base.cursor().execute(IN_ORDER)
        for _, together in groupby(rows, key=lambda row: row[:3]):
            lines = list(together)
            yield StrapDownRows(
                records=[OldRecord(**json.loads(row[3])) for row in lines if row[3] is not None],
                unread=[row[4] for row in lines if row[3] is None],
            )

    def counts(self) -> dict[str, int]:
        """How many rows met each fate."""
        found = dict(self._base.execute("SELECT fate, count(*) FROM fate GROUP BY fate").fetchall())
        return {fate: int(found.get(fate, 0)) for fate in FATES}

    def fates(self) -> Iterator[RowFate]:
        """What became of every row, in the order of the file."""
        columns = "line, fate, words, notes, session, vehicle, bay, day"
        for row in self._base.execute(f"SELECT {columns} FROM fate ORDER BY line"):  # noqa: S608
            yield RowFate(*row)

    def reasons(self, most: int) -> list[tuple[int, str]]:
        """The reasons that refuse or question the most rows, each with how many."""
        return self._base.execute(
            "SELECT count(*) AS held, words FROM why GROUP BY words ORDER BY held DESC, min(line) LIMIT ?",
            (most,),
        ).fetchall()

    def refused_rows(self) -> Iterator[tuple[list[str], str]]:
        """The cells of every refused row, and why."""
        rows = self._base.execute("SELECT cells, words FROM fate WHERE fate = ? ORDER BY line", (REFUSED,))
        for cells, words in rows:
            yield json.loads(cells), words


@contextmanager
def shelf() -> Iterator[Shelf]:
    """A shelf in a folder of its own that goes with it."""
    with tempfile.TemporaryDirectory(prefix="bayledger-import-") as folder:
        base = sqlite3.connect(Path(folder) / "rows", isolation_level=None)
        try:
            yield Shelf(base)
        finally:
            base.close()
