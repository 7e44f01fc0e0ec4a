"""Figures as they are typed: decimal point or comma, thousands marks, and nothing that could be read two ways."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

DECIMALS: Final = (".", ",")
THOUSANDS: Final = ("", ",", ".", " ", "'")
SPELLINGS: Final = {" ": "[ \u00a0\u202f\u2009]", "'": "['\u2019]"}
"""Marks that are typed in more than one way: a no-break, narrow or thin space, a straight or raised comma."""
LONGEST: Final = 40  # characters of a figure; our choice, well above any that is written out


@dataclass(frozen=True)
class Notation:
    """How figures are written in a file."""

    decimal: str = "."
    thousands: str = ""


NOTATIONS: Final = tuple(Notation(d, t) for t in THOUSANDS for d in DECIMALS if d != t)
"""The plain ones first."""


def number(cell: str, decimal: str = ".", thousands: str = "") -> float | None:
    """The figure in a cell, or None where the cell holds none in this notation.

    Strict: a thousands mark must stand before every third digit and nowhere else, so `1,23` with thousands `,` is no
    figure; nor is `nan`, an infinity, a share with `%` or an empty cell. Raises ValueError where both marks are the same.
    """
    text = cell.strip()
    if len(text) > LONGEST or not _pattern(decimal, thousands).fullmatch(text):
        return None
    if thousands:
        text = re.sub(SPELLINGS.get(thousands, re.escape(thousands)), "", text)
    value = float(text.replace(decimal, ".").replace("\u2212", "-"))
    return value if math.isfinite(value) else None


@cache
def _pattern(decimal: str, thousands: str) -> re.Pattern[str]:
    if decimal not in DECIMALS or thousands not in THOUSANDS or decimal == thousands:
        raise ValueError(f"decimal {decimal!r} and thousands {thousands!r} are no pair of marks")
    whole = "[0-9]+"
    if thousands:
        mark = SPELLINGS.get(thousands, re.escape(thousands))
        whole = f"(?:[1-9][0-9]{{0,2}}(?:{mark}[0-9]{{3}})+|[0-9]+)"
    point = re.escape(decimal)
    return re.compile(f"[-+\u2212]?(?:{whole}(?:{point}[0-9]*)?|{point}[0-9]+)(?:[eE][-+]?[0-9]{{1,3}})?")


_CLOCK: Final = re.compile(r"(?:([0-9]{1,3}):)?([0-5]?[0-9]):([0-5][0-9](?:[.,][0-9]{1,9})?)")


def clock(cell: str, hours: bool = True) -> float | None:
    """The seconds of a time as a clock writes it, `12:31:05,25`, or without hours `1:05.25`; None where the cell is none.

    A fraction may stand behind a point or a comma: between colons neither can be a thousands mark.
    """
    found = _CLOCK.fullmatch(cell.strip())
    if found is None or (found[1] is not None) != hours:
        return None
    return 3600.0 * int(found[1] or 0) + 60.0 * int(found[2]) + float(found[3].replace(",", "."))


_ANY: Final = re.compile("[-+\u2212]?[.,]?[0-9][0-9.,'\u2019 \u00a0\u202f\u2009]*(?:[eE][-+]?[0-9]{1,3})?")


def looks_like_number(cell: str) -> bool:
    """Whether a cell holds a figure in some notation."""
    return bool(_ANY.fullmatch(cell)) and any(
        number(cell, notation.decimal, notation.thousands) is not None for notation in NOTATIONS
    )


@dataclass(frozen=True)
class Found:
    """The notations that fit a sample's figures best; more than one where nothing tells them apart."""

    notations: tuple[Notation, ...]
    telling: str

    @property
    def first(self) -> Notation:
        """The plainest of them."""
        return self.notations[0]


def notations_of(cells: Iterable[str]) -> Found:
    """Which notations read the most cells, told by what marks the cells hold.

    Only one is left where no cell holds a mark, or where a cell with one fits a single notation. Those that read every
    cell alike count as the same.
    """
    marked = [cell for cell in cells if re.search("[^-+0-9]", cell.strip()) and looks_like_number(cell)]
    if not marked:
        return Found((Notation(),), "no figure holds a decimal or thousands mark")
    readings = {
        notation: tuple(number(cell, notation.decimal, notation.thousands) for cell in marked)
        for notation in NOTATIONS
    }
    best = max(_read(values) for values in readings.values())
    fitting: dict[tuple[float | None, ...], Notation] = {}
    for notation, values in readings.items():
        if _read(values) == best:
            fitting.setdefault(values, notation)
    example = next(c for c in marked if number(c, *_marks(next(iter(fitting.values())))) is not None)
    return Found(tuple(fitting.values()), f"figures are written as {example.strip()!r}")


def _marks(notation: Notation) -> tuple[str, str]:
    return notation.decimal, notation.thousands


def _read(values: Sequence[float | None]) -> int:
    return sum(value is not None for value in values)
