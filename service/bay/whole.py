"""Whether a file looks cut short: as it does while a machine writes it slowly. Pure."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from typing import Final

from service.tables.cells import lines_of
from service.tables.errors import Unreadable
from service.tables.text import decode

CUT_SHORT_S: Final = 30.0
"""A file that looks cut short and stands still for so long will not grow any more (our choice)."""
LINES: Final = 200
"""Looked at from the end of a file (our choice)."""


def looks_cut_short(content: bytes) -> bool:
    """Whether its last line has no line end, or fewer cells than the rows before. What is no text is not judged."""
    try:
        lines = lines_of(decode(content).text)
    except Unreadable:
        return False
    if lines[-1].strip():
        return True
    rows = [line for line in lines[-LINES:] if line.strip()]
    return len(rows) > 2 and _separators(rows[-1]) < Counter(map(_separators, rows[:-1])).most_common(1)[0][0]


def cut_short_in_words(content: bytes, written_at: datetime, now: datetime) -> str | None:
    """What is to be said of a file that was written a moment ago and looks cut short; None of any other."""
    if not 0.0 <= (now - written_at).total_seconds() < CUT_SHORT_S or not looks_cut_short(content):
        return None
    return (
        "its end looks cut off. Where the machine is still writing it, send it again when it is whole: its pull is then "
        "taken anew"
    )


def _separators(line: str) -> int:
    """How many marks stand in a line that part its cells; a decimal comma adds one to each cell of every row alike."""
    return sum(line.count(mark) for mark in ";\t|,")
