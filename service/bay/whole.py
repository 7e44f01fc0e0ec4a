"""Whether a file looks cut short: as it does while a machine writes it slowly. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
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
    if len(rows) <= 2:
        return False
    marks = _marks_between(rows[:-1])
    usual = Counter(_separators(row, marks) for row in rows[:-1]).most_common(1)[0][0]
    return _separators(rows[-1], marks) < usual


def cut_short_in_words(content: bytes, written_at: datetime, now: datetime) -> str | None:
    """What is to be said of a file that was written a moment ago and looks cut short; None of any other."""
    if not 0.0 <= (now - written_at).total_seconds() < CUT_SHORT_S or not looks_cut_short(content):
        return None
    return (
        "its end looks cut off. Where the machine is still writing it, send it again when it is whole: its pull is then "
        "taken anew"
    )


def _marks_between(rows: Sequence[str]) -> str:
    """The marks that part these rows' cells. A comma is one where no other stands in most of them: beside a semicolon it
    is a decimal comma, which whole numbers in the same column go without."""
    surer = "".join(mark for mark in ";\t|" if sum(mark in row for row in rows) > len(rows) / 2)
    return surer or ","


def _separators(line: str, marks: str) -> int:
    """How many marks stand in a line that part its cells."""
    return sum(line.count(mark) for mark in marks)
