"""How an unknown file is laid out: its separator, its notation, the lines of names, units, figures and remarks."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.tables.cells import cells_of, lines_of, separation_of, without_trailing
from service.tables.errors import Unreadable
from service.tables.numbers import Found, looks_like_number, notations_of
from service.tables.text import decode
from service.tables.units import is_unit

SAMPLE_LINES: Final = 400  # spread over the file; our choice
OFTEN: Final = 0.6  # of a sample's rows a column of figures holds one; our choice
FILLED: Final = 0.75  # of the columns of figures a row fills; our choice
NO_FIGURE_WORDS: Final = frozenset({"nan", "n/a", "inf", "-inf", "null", "none"})


@dataclass(frozen=True)
class Layout:
    """Where things stand in a file. Lines are counted from 1; `rows` is a sample of its rows, cut into cells."""

    lines: tuple[str, ...]
    encoding: str
    separator: str
    notation: Found
    names_line: int
    units_line: int
    first_row: int
    footer_lines: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    reasons: tuple[str, ...]

    @property
    def around(self) -> list[int]:
        """The lines that may hold facts: above the figures and below them, but the names and units."""
        above = [n for n in range(1, self.first_row) if n not in (self.names_line, self.units_line)]
        return [*above, *range(len(self.lines) - self.footer_lines + 1, len(self.lines) + 1)]


def layout_of(raw: bytes) -> Layout:
    """The layout of a file nobody has described. Raises Unreadable where it holds no rows of figures."""
    decoded = decode(raw)
    lines = lines_of(decoded.text)
    while lines and not lines[-1].strip():
        lines.pop()
    sample = _spread(lines)
    separation = separation_of(sample) if sample else None
    if separation is None:
        raise Unreadable(
            "no rows of figures were found: a table needs two columns of figures or more, cut by a semicolon, comma, "
            "tab, bar or blanks"
        )
    table = _Table(lines, separation.separator, sample)
    first, last = table.first_row(), table.last_row()
    names_line, units_line = table.heads(first)
    rows = [row for row in _spread(lines[first - 1 : last]) if table.is_row(row)]
    cut = tuple(tuple(cells_of(row, separation.separator)) for row in rows)
    notation = notations_of(cell for row in cut for i, cell in enumerate(row) if i in table.figures)
    footer = len(lines) - last
    reasons = [
        "encoding found anew in each file: this one is plain ASCII"
        if raw.isascii()
        else f"encoding {decoded.encoding}: {decoded.reason}",
        f"separator {separation.separator!r}: {separation.reason}",
        _place_of(names_line, units_line, first, footer),
    ]
    return Layout(
        tuple(lines), "" if raw.isascii() else decoded.encoding, separation.separator, notation, names_line, units_line, first, footer,
        table.names(names_line), table.names(units_line), cut, tuple(reasons),
    )  # fmt: skip


def _place_of(names: int, units: int, first: int, footer: int) -> str:
    said = [f"names in line {names}" if names else "no line of names"]
    said += [f"units in line {units}"] if units else []
    said += [f"figures from line {first}"]
    said += [f"the last {footer} lines are no figures"] if footer else []
    return ", ".join(said)


def _spread(lines: Sequence[str]) -> list[str]:
    """A sample of the lines that are not blank, evenly over the file and its first ones whole."""
    filled = [line for line in lines if line.strip()]
    step = max(1, len(filled) // SAMPLE_LINES)
    return filled[::step]


class _Table:
    """A file's lines by one separator, and which columns hold figures."""

    def __init__(self, lines: Sequence[str], separator: str, sample: Sequence[str]) -> None:
        self.lines, self.separator = lines, separator
        cut = [cells_of(line, separator) for line in sample]
        flags = [{i for i, cell in enumerate(row) if looks_like_number(cell)} for row in cut]
        rows = [found for found in flags if len(found) >= 2]
        every = set().union(*rows)
        self.figures = {i for i in every if sum(i in found for found in rows) >= OFTEN * len(rows)}

    def is_row(self, line: str) -> bool:
        """Whether most columns of figures hold one here, and none of them a word."""
        if not line.strip():
            return False
        cells = cells_of(line, self.separator)
        held = [cells[i] for i in self.figures if i < len(cells)]
        figures = sum(looks_like_number(cell) for cell in held)
        return figures >= max(2.0, FILLED * len(self.figures)) and not any(_is_word(cell) for cell in held)

    def first_row(self) -> int:
        """The first row that more rows follow; raises Unreadable where there is none."""
        rows = (n for n, line in enumerate(self.lines, start=1) if self.is_row(line))
        for n, later in itertools.pairwise(rows):
            between = [line for line in self.lines[n : later - 1] if line.strip()]
            if len(between) <= 1:
                return n
        raise Unreadable("no two rows of figures stand below each other; is this the table of a pull?")

    def last_row(self) -> int:
        """The last row of figures."""
        return next(n for n in range(len(self.lines), 0, -1) if self.is_row(self.lines[n - 1]))

    def heads(self, first: int) -> tuple[int, int]:
        """The lines of names and of units above the first row; 0 where there is none."""
        above = [n for n in range(first - 1, max(0, first - 6), -1) if self.lines[n - 1].strip()][:2]
        heads = [n for n in above if self._is_head(n)]
        if not heads or heads[0] != above[0]:
            return 0, 0
        if len(heads) == 2 and self._units_share(heads[0]) >= OFTEN and self._units_share(heads[1]) < OFTEN:
            return heads[1], heads[0]
        return heads[0], 0

    def _is_head(self, line: int) -> bool:
        cells = [cell for cell in self.names(line) if cell]
        return (
            len(cells) >= max(2.0, 0.5 * len(self.figures))
            and sum(map(looks_like_number, cells)) <= len(cells) / 4
        )

    def _units_share(self, line: int) -> float:
        cells = [cell.strip("[](){}<>") for cell in self.names(line) if cell]
        return sum(is_unit(cell) for cell in cells) / max(1, len(cells))

    def names(self, line: int) -> tuple[str, ...]:
        """The cells of a head; between blanks names of several words are cut where two blanks stand."""
        if not line:
            return ()
        text = self.lines[line - 1]
        width = max(self.figures) + 1
        if self.separator == "blanks":
            wide = re.split(r"\s{2,}|\t", text.strip())
            return tuple(wide if len(wide) >= width else text.split())
        return tuple(without_trailing(cells_of(text, self.separator)))


def _is_word(cell: str) -> bool:
    return bool(re.search(r"[^\W\d_]{3}", cell)) and cell.lower() not in NO_FIGURE_WORDS
