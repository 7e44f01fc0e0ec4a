"""A file's rows by a mapping: which lines are rows, and the figures of the wanted columns."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.tables.cells import cells_of, lines_of, without_trailing
from service.tables.errors import Unreadable
from service.tables.header import Said, said_in
from service.tables.numbers import clock, number
from service.tables.records import FileShape, Floats, Mapping, Place, RowFault
from service.tables.text import decode
from service.tables.units import CLOCK, CLOCKS, unit_in
from service.tables.words import bare

SOUGHT_LINES: Final = 300  # how far down the names are sought where their line has moved; our choice


@dataclass
class Rows:
    """The rows of a file: line numbers, figures [row, wanted column] with NaN for none, and all that was left out.

    `air`: the figures of the air's columns; `pulls`: which pull each row names, numbered as they come, NaN for none.
    """

    lines: NDArray[np.int64]
    figures: Floats
    wanted: tuple[int, ...]
    said: list[Said]
    faults: list[RowFault] = field(default_factory=list)
    air: dict[str, Floats] = field(default_factory=dict)
    pulls: Floats | None = None


@dataclass(frozen=True)
class _Places:
    """Where columns stand, counted from 0: the channels', those of clock times among them (with hours or without), the
    air's, and that of the pulls' own numbers."""

    wanted: tuple[int, ...]
    clocks: dict[int, bool]
    air: dict[str, int]
    pull: int | None


def rows_of(raw: bytes, mapping: Mapping) -> tuple[Rows, dict[str, tuple[int, ...]]]:
    """The rows, and where each channel's columns stand (from 0). Raises Unreadable."""
    lines = lines_of(decode(raw, mapping.file.encoding or None).text)
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines:
        raise Unreadable("the file is empty")
    moved = _moved(lines, mapping)
    names = _cells_at(lines, mapping.file.names_line and mapping.file.names_line + moved, mapping.file)
    places = {
        channel: tuple(
            _index(place, f"columns.{channel}.name", names, mapping.file) for place in column.places
        )
        for channel, column in mapping.columns.items()
    }
    return _read(lines, mapping, moved, names, _places(mapping, names, places)), places


def _places(mapping: Mapping, names: Sequence[str], places: dict[str, tuple[int, ...]]) -> _Places:
    time = mapping.columns.get("time")
    unit = None if time is None else unit_in(time.unit, "time")
    is_clock = unit is not None and unit.pint_name in CLOCKS
    clocks = dict.fromkeys(places["time"], unit.pint_name == CLOCK) if unit and is_clock else {}
    air = {
        fact: _index(column.places[0], f"air.{fact}.name", names, mapping.file)
        for fact, column in mapping.air.items()
    }
    of_pull = mapping.file.pull_column
    pull = None if of_pull is None else _index(of_pull, "file.pull_column", names, mapping.file)
    return _Places(tuple(sorted({index for found in places.values() for index in found})), clocks, air, pull)


def _cells_at(lines: Sequence[str], line: int, shape: FileShape) -> list[str]:
    if not 0 < line <= len(lines):
        return []
    return without_trailing(cells_of(lines[line - 1], shape.separator))


def _moved(lines: Sequence[str], mapping: Mapping) -> int:
    """How many lines further down the names stand than the mapping says: a header grows by a remark."""
    names = [
        bare(place)
        for column in mapping.columns.values()
        for place in column.places
        if isinstance(place, str)
    ]
    stated = mapping.file.names_line
    if not names:
        return 0
    for line in (stated, *range(1, min(len(lines), SOUGHT_LINES) + 1)):
        if set(names) <= {bare(cell) for cell in _cells_at(lines, line, mapping.file)}:
            return int(line) - stated
    return 0


def _index(place: Place, key: str, names: Sequence[str], shape: FileShape) -> int:
    """A column's place counted from 0."""
    if isinstance(place, int):
        return place - 1
    found = [index for index, name in enumerate(names) if bare(name) == bare(place)]
    if len(found) == 1:
        return found[0]
    if found:
        numbers = " and ".join(str(index + 1) for index in found)
        raise Unreadable(f"{key}: {place!r} stands over columns {numbers}; use number instead")
    there = ", ".join(repr(name) for name in names) or "nothing"
    raise Unreadable(
        f"{key}: no column is named {place!r} in line {shape.names_line}, which has {there}; "
        "mend the mapping or learn it anew"
    )


def _read(lines: Sequence[str], mapping: Mapping, moved: int, names: Sequence[str], places: _Places) -> Rows:
    shape = mapping.file
    first, end = shape.first_row + moved, len(lines) - shape.footer_lines
    around = [*range(1, first), *range(max(end, first - 1) + 1, len(lines) + 1)]
    heads = {line + moved for line in (shape.names_line, shape.units_line) if line}
    said = _said(lines, [line for line in around if line not in heads], mapping)
    width = len(names) if names and shape.separator != "blanks" else len(_cells_at(lines, first, shape))
    reader = _Reader(mapping, names, places, width)
    for line in range(first, end + 1):
        reader.take(line, lines[line - 1])
    for line in range(max(end, first - 1, 0) + 1, len(lines) + 1):
        reader.pass_over(line, lines[line - 1])
    figures = np.array(reader.figures, dtype=np.float64).reshape(-1, len(places.wanted))
    return Rows(
        np.array(reader.lines, dtype=np.int64), figures, places.wanted, [*said, *reader.said], reader.faults,
        {fact: np.array(values, dtype=np.float64) for fact, values in reader.air.items()},
        None if places.pull is None else np.array(reader.pulls, dtype=np.float64),
    )  # fmt: skip


def _said(lines: Sequence[str], numbers: Sequence[int], mapping: Mapping) -> list[Said]:
    if not mapping.header:
        return []
    return [
        one
        for line in numbers
        if 0 < line <= len(lines)
        for one in said_in(lines[line - 1], line, mapping.file.separator)
    ]


class _Reader:
    """Takes line after line; keeps the figures of rows, and a fault for every other line."""

    def __init__(self, mapping: Mapping, names: Sequence[str], places: _Places, width: int) -> None:
        self.mapping, self.names, self.places, self.width = mapping, list(names), places, width
        self.lines, self.figures, self.pulls = array("q"), array("d"), array("d")
        self.air = {fact: array("d") for fact in places.air}
        self._labels: dict[str, int] = {}
        self.faults: list[RowFault] = []
        self.said: list[Said] = []

    def take(self, line: int, text: str) -> None:
        """Read one line of the table's part of the file."""
        shape = self.mapping.file
        cells = cells_of(text, shape.separator)
        if not any(cells):
            self._leave_out(line, "a blank line")
        elif self.names and without_trailing(cells) == self.names:
            self._leave_out(line, "the columns' names again")
        elif len(cells) > self.width and any(cells[self.width :]):
            self._leave_out(
                line, f"has {len(without_trailing(cells))} cells where the rows have {self.width}"
            )
        else:
            self._take_row(line, text, cells)

    def pass_over(self, line: int, text: str) -> None:
        """A footer line; where it looks like a row that is said, for files may end without their footer."""
        if all(figure is not None for figure in self._figures(cells_of(text, self.mapping.file.separator))):
            self._leave_out(line, "one of the mapping's footer lines, though it could be a row")

    def _figures(self, cells: Sequence[str]) -> list[float | None]:
        if self.places.clocks:
            return [self._figure(cells, index) for index in self.places.wanted]
        shape = self.mapping.file
        return [
            number(cells[i], shape.decimal, shape.thousands) if i < len(cells) else None
            for i in self.places.wanted
        ]

    def _figure(self, cells: Sequence[str], index: int) -> float | None:
        if index >= len(cells):
            return None
        if index in self.places.clocks:
            return clock(cells[index], self.places.clocks[index])
        return number(cells[index], self.mapping.file.decimal, self.mapping.file.thousands)

    def _beside(self, cells: Sequence[str]) -> None:
        """What a row says beside its figures: the air, and whose row it is."""
        for fact, index in self.places.air.items():
            figure = self._figure(cells, index)
            self.air[fact].append(np.nan if figure is None else figure)
        if self.places.pull is not None:
            label = cells[self.places.pull] if self.places.pull < len(cells) else ""
            self.pulls.append(self._labels.setdefault(label, len(self._labels)) if label else np.nan)

    def _take_row(self, line: int, text: str, cells: Sequence[str]) -> None:
        found = self._figures(cells)
        if all(figure is None for figure in found):
            self._leave_out(line, f"no figure where the columns stand: {text.strip()[:40]!r}")
            if self.mapping.header:
                self.said += said_in(text, line, self.mapping.file.separator)
            return
        self.lines.append(line)
        self.figures.extend(np.nan if figure is None else figure for figure in found)
        self._beside(cells)

    def _leave_out(self, line: int, why: str) -> None:
        self.faults.append(RowFault(line, why))
