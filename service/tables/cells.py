"""Lines to cells: line ends, separators, and how a file's rows are told from the words around them."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.tables.errors import Unreadable
from service.tables.numbers import looks_like_number

SEPARATORS: Final = (";", "\t", "|", ",", "blanks")
"""In the order in which a tie is settled: a comma is often a decimal mark, a blank often part of a name."""
SEPARATOR_WORDS: Final = {
    ";": "a semicolon",
    "\t": "a tab",
    "|": "a bar",
    ",": "a comma",
    "blanks": "runs of blanks",
}
MOST_COLUMNS: Final = 1000  # our choice: a line of more is no table of a pull


def lines_of(text: str) -> list[str]:
    """The lines of a text, whichever way they end: CR LF, LF or CR."""
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of one line, without the blanks around them; quotation marks around a cell are taken off.

    A quoted cell ends with its line: a table of figures has no line breaks inside a cell.
    """
    if separator == "blanks":
        cells = line.split()
    elif '"' in line:
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
        except csv.Error:
            raise Unreadable(f"a line of {len(line)} characters is longer than any row of a table") from None
    else:
        cells = [cell.strip() for cell in line.split(separator)]
    if len(cells) > MOST_COLUMNS:
        raise Unreadable(f"a line has {len(cells)} cells; at most {MOST_COLUMNS} columns are read")
    return cells


def without_trailing(cells: Sequence[str]) -> list[str]:
    """Cells without the empty ones at the end."""
    kept = len(cells)
    while kept and not cells[kept - 1]:
        kept -= 1
    return list(cells[:kept])


@dataclass(frozen=True)
class Separation:
    """The separator of a file's rows, and why that one."""

    separator: str
    reason: str


def separation_of(lines: Sequence[str]) -> Separation | None:
    """The separator that cuts the most lines into the same number of cells with the most figures among them.

    None where no separator makes rows of two figures or more.
    """
    lines = [line for line in lines if re.search("[0-9]", line)]
    scored = [(score, width, sep) for sep in SEPARATORS for score, width in [_score(lines, sep)]]
    best = max(score for score, _, _ in scored)
    if best <= 0.0:
        return None
    _, width, separator = next(row for row in scored if row[0] >= best - 1e-9)
    return Separation(
        separator, f"{SEPARATOR_WORDS[separator]} cuts its rows into {width} cells with the most figures"
    )


def _score(lines: Sequence[str], separator: str) -> tuple[float, int]:
    """How many lines come out with the commonest width, times their share of figures; and that width."""
    shares: dict[int, list[float]] = {}
    for line in lines:
        cells = [cell for cell in without_trailing(cells_of(line, separator)) if cell]
        figures = sum(_figure(cell, separator) for cell in cells)
        if figures >= 2:
            shares.setdefault(len(cells), []).append(figures / len(cells))
    if not shares:
        return 0.0, 0
    width = Counter({width: len(found) for width, found in shares.items()}).most_common(1)[0][0]
    return sum(sum(found) for n, found in shares.items() if abs(n - width) <= 1), width


def _figure(cell: str, separator: str) -> bool:
    # `180,5 2150,0` cut at its commas would look like a thousands mark in the middle
    return looks_like_number(cell) and not (separator == "," and re.search(r"[\s']", cell))
