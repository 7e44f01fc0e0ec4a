"""The tables of a mapping's TOML: values taken out by key, every mistake kept in a sentence; and what a value may be."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from service.tables.errors import Unreadable
from service.tables.text import encoding_named
from service.tables.units import known_words, unit_in

LAST_LINE: Final = 10_000_000

Check = Callable[[Any], str | None]
"""What is wrong with a value, or None."""


class Entries:
    """One table of the document: takes values out by key, and keeps a sentence for each mistake."""

    def __init__(self, name: str, value: Any, faults: list[str]) -> None:
        self.name, self.faults = name, faults
        if not isinstance(value, dict):
            faults.append(f"{name} = {value!r}: must be a table, [{name}]")
            value = {}
        self.values: dict[str, Any] = dict(value)

    def take(self, key: str, check: Check, default: Any = None, required: str = "") -> Any:
        """The value of a key where the check finds nothing wrong, else the default."""
        if key not in self.values:
            if required:
                self.missing(key, required)
            return default
        value = self.values.pop(key)
        wrong = check(value)
        if wrong:
            self.fault(key, value, wrong)
            return default
        return value

    def table(self, key: str, default: Any = None) -> Entries | None:
        """A table inside this one; None where it is not there."""
        value = self.values.pop(key, default)
        return None if value is None else Entries(self._at(key), value, self.faults)

    def fault(self, key: str, value: Any, wrong: str) -> None:
        """Note a mistake."""
        self.faults.append(f"{self._at(key)} = {value!r}: {wrong}")

    def missing(self, key: str, words: str) -> None:
        """Note that something must be said."""
        self.faults.append(f"{self._at(key)} is missing: {words}")

    def end(self, known: Iterable[str]) -> None:
        """Whatever is left has no meaning here."""
        for key, value in self.values.items():
            self.fault(key, value, f"no such key; use one of {', '.join(known)}")

    def _at(self, key: str) -> str:
        return f"{self.name}.{key}" if self.name else key


def one_of(words: Sequence[str]) -> Check:
    """One of these words."""
    listed = ", ".join(repr(word) for word in words)
    return lambda value: None if isinstance(value, str) and value in words else f"must be one of {listed}"


def is_whole(value: Any, low: int, high: int = LAST_LINE) -> bool:
    """Whether a value is a whole number in a range; true and false are none."""
    return type(value) is int and low <= value <= high


def whole(low: int) -> Check:
    """A number of lines or columns."""
    return lambda value: None if is_whole(value, low) else f"must be a whole number from {low} to {LAST_LINE}"


def text(longest: int) -> Check:
    """Words of a length."""
    return lambda value: (
        None if isinstance(value, str) and 0 < len(value) <= longest else f"must be 1 to {longest} characters"
    )


def encoding(value: Any) -> str | None:
    """The name of an encoding."""
    try:
        encoding_named(str(value))
    except Unreadable:
        return "is not known; use utf-8, utf-16-le, utf-16-be, cp1252 or latin-1, or leave it out"
    return None


def unit(quantity: str) -> Check:
    """A unit of this quantity."""
    return lambda value: (
        None
        if isinstance(value, str) and unit_in(value, quantity)
        else f"is no unit of {quantity} known here; use one of {known_words(quantity)}"
    )
