"""Cells of delimited text that a spreadsheet opens without running any of them, and that read back as they were.

A text that begins like a formula gets an apostrophe before it; so does one that begins with an apostrophe. An empty
text is a single apostrophe, for an empty cell says that nothing is known.
"""

from __future__ import annotations

from typing import Final

RISKY: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "'")
"""What a spreadsheet may take for the beginning of a formula (OWASP, "CSV Injection"; the apostrophe is ours)."""


def guarded(text: str) -> str:
    """A text as it is written into a cell."""
    return "'" + text if not text or text.startswith(RISKY) else text


def unguarded(cell: str) -> str:
    """The text that `guarded` wrote into a cell."""
    return cell[1:] if cell == "'" or (cell.startswith("'") and cell[1:].startswith(RISKY)) else cell
