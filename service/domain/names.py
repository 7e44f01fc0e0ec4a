"""Names of parts and cars: inside sentences, and beside each other."""

import re
from collections.abc import Sequence
from typing import Final

DIGITS: Final = re.compile(r"[0-9]+")


def listed(words: Sequence[str]) -> str:
    """`2, 3 and 4`."""
    *most, last = words or ("",)
    return f"{', '.join(most)} and {last}" if most else last


def quoted(name: str) -> str:
    """A name with a comma in it stands in quotes, so that a sentence with it can be read aloud."""
    return f"\u201c{name}\u201d" if "," in name else name


def is_one_series(a: str, b: str) -> bool:
    """Whether two tags differ in their digits only, as `old-1` and `old-10`: a shop that numbers its cars means both
    (our choice)."""
    return DIGITS.sub("", a) == DIGITS.sub("", b)


def in_sentence(name: str) -> str:
    """A part's name in the middle of a sentence: `Road calibration` loses its capital, `ECU board` keeps it."""
    return quoted(name[:1].lower() + name[1:] if name[1:2].islower() else name)
