"""Words and tables for the terminal."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

PIPE_WIDTH = 100  # columns where the output is not a terminal
POWER = {"si": "kW", "us": "hp", "ps": "PS"}
TORQUE = {"si": "N·m", "us": "lbf·ft", "ps": "N·m"}


def console() -> Console:
    """Standard output as it stands now; no styles where it is not a terminal."""
    width = None if sys.stdout.isatty() else PIPE_WIDTH
    return Console(width=width, highlight=False, markup=False, emoji=False)


def unit_of(measure: str, units: str) -> str:
    """The unit a measure is given in."""
    return (TORQUE if "torque" in measure else POWER).get(units, "")


def measure_in_words(measure: str) -> str:
    return measure.replace("_", " ")


def number(value: float | None, digits: int = 1) -> str:
    """A number, or a dash where nothing is known."""
    return "–" if value is None else f"{_plain_nought(value, digits):.{digits}f}"


def signed(value: float | None, digits: int = 1) -> str:
    """A number with its sign; nought has none."""
    if value is None:
        return "–"
    shown = _plain_nought(value, digits)
    return f"{shown:+.{digits}f}" if shown else f"{shown:.{digits}f}"


def _plain_nought(value: float, digits: int) -> float:
    """Rounded; what rounds to nought is not minus nought."""
    return round(value, digits) + 0.0


def count(how_many: object, one: str) -> str:
    """`1 car`, `2 cars`."""
    return f"{how_many} {one}" if how_many == 1 else f"{how_many} {one}s"


def between(interval: Sequence[float | None] | None, unit: str) -> str | None:
    """`between 9.9 and 13.7 hp`, None where it is not known."""
    if not interval or interval[0] is None or interval[1] is None:
        return None
    return f"between {signed(interval[0])} and {signed(interval[1])} {unit}"


def plain_table(*headings: str) -> Table:
    return Table(*headings, box=None, pad_edge=False, header_style="bold")


def get(document: Any, *path: str) -> Any:
    """A value deep in a document, None where any step is missing."""
    for step in path:
        if not isinstance(document, dict):
            return None
        document = document.get(step)
    return document
