"""Names like one that was typed wrong."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

ALIKE: Final = 0.6
"""Of difflib's ratio, from which a name is worth a hint (our choice)."""


def nearest(name: str, known: Sequence[str]) -> list[str]:
    """Up to three of the known names, the nearest first."""
    return get_close_matches(name, known, n=3, cutoff=ALIKE)
