"""A column's heading: its unit cut off its name, and the channel its words stand for."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from service.tables.units import is_unit, unit_in
from service.tables.words import (
    ABBREVIATIONS,
    CORRECTED,
    GAUGE_WORDS,
    LINKS,
    NUMBERED,
    NUMBERING,
    OBSERVED,
    OTHER_PLACE,
    PHRASES,
    PLACES,
    SPEEDS,
    bare,
)

_BRACKETED: Final = re.compile(r"(.*?)\s*[\[({<]([^\[\](){}<>]*(?:\([^()]*\))?[^\[\](){}<>]*)[\])}>]\s*(.*)")
_CUTS: Final = re.compile(r"\s*[,;|]\s*|\s+/\s+|\s*:\s*|\s*[-\u2013]\s*|[\s_]+")
"""Where a name may end and its unit begin."""
_HUMPS: Final = re.compile(
    r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z]{2})(?=[A-Z][a-z]{2})|(?<=[a-z]{2})(?=(?:kW|kPa|hPa|mbar|bar|deg[CF])$)"
)
"""Where a word begins in letters written as one: EngineSpeed, RPMEngine, PowerkW."""
_BASIS: Final = re.compile(
    rf"(?<![^\W_])(?:{NUMBERED.pattern}|{'|'.join(sorted(CORRECTED | OBSERVED))})(?![^\W_])", re.IGNORECASE
)
_LEFT_BEHIND: Final = re.compile(r"[\s,;:/_-]+(?=[\])}>])|(?<=[\[({<])[\s,;:/_-]+")
_QUANTITIES: Final = {"rpm": "speed", "torque": "torque", "power": "power"}
_BY_PLACE: Final = {
    ("engine", "speed"): "rpm",
    ("engine", "torque"): "torque",
    ("engine", "power"): "power",
    ("wheel", "torque"): "axle_torque",
    ("wheel", "power"): "wheel_power",
    ("roller", "speed"): "roller_speed",
    ("roller", "power"): "wheel_power",
}
"""The channel of a quantity at a place. A wheel's speed and a roller's torque are none."""
_OF_UNIT: Final = {
    "rpm": "speed",
    "roller_speed": "speed",
    "torque": "torque",
    "axle_torque": "torque",
    "power": "power",
    "wheel_power": "power",
}


@dataclass(frozen=True)
class Header:
    """A column's header cell: its words without the unit, and the unit's word; empty where there is none."""

    text: str
    name: str
    unit: str


@dataclass(frozen=True)
class Meaning:
    """What a column's words say: its channel, whether corrected or as observed, whether a pressure is a gauge's."""

    channel: str
    corrected: bool = False
    observed: bool = False
    gauge: bool = False


def heading_of(cell: str, unit_cell: str = "") -> Header:
    """A column's heading. What it says of correction is no part of its unit, and a word may begin with a capital letter:
    cut as it stands where that has a meaning, else at its capitals."""
    text = cell.strip()
    heads = [replace(header_of(_without_basis(form), unit_cell), text=text) for form in (text, _spread(text))]
    head = next((head for head in heads if meaning_of(head) is not None), heads[0])
    return head if head.unit else replace(head, unit=_unit_among(head.name))


def _unit_among(name: str) -> str:
    """The unit among the words of a name that does not end in it: `HP at wheels`."""
    words = name.split()
    return (
        next((word for word in words if len(word) > 1 and _quantity_of_unit(word)), "")
        if len(words) > 1
        else ""
    )


def header_of(cell: str, unit_cell: str = "") -> Header:
    """A cell cut into name and unit: in brackets, after a comma, slash or hyphen, as its last words, or a line below."""
    text = cell.strip()
    if unit_cell.strip():
        return Header(text, bare(text), re.sub(r"^[\[({<]|[\])}>]$", "", unit_cell.strip()))
    if is_unit(text):
        return Header(text, bare(text), text)
    bracketed = _BRACKETED.fullmatch(text)
    if bracketed and bracketed[1] and (not bracketed[3] or is_unit(bracketed[2])):
        return Header(text, bare(f"{bracketed[1]} {bracketed[3]}"), bracketed[2].strip())
    for cut in _CUTS.finditer(text):
        name, unit = re.sub(r"\s+in$", "", text[: cut.start()]), text[cut.end() :]
        if bare(name) and re.search(r"[^\W\d_]|%", unit) and is_unit(unit):
            return Header(text, bare(name), unit)
    return Header(text, bare(text), "")


def meaning_of(head: Header) -> Meaning | None:
    """The channel a heading stands for; None where its words are not known, mean another place, or have another unit."""
    every = {*bare(head.text).split(), *bare(_spread(head.text)).split()}
    if OTHER_PLACE & every:
        return None
    numbered = NUMBERING.sub(" ", head.name).split()
    words = [word for word in numbered if word not in CORRECTED | OBSERVED] or head.name.split()
    phrase = next((known for known in _phrases(words) if known in PHRASES), "")
    channel = PHRASES.get(phrase) or _by_unit_alone(head) or _by_place(words, head.unit)
    if channel is None or _of_another_quantity(channel, head.unit):
        return None
    corrected = bool(CORRECTED & every) or any(NUMBERED.fullmatch(word) for word in every)
    gauge = channel == "map" and phrase in GAUGE_WORDS
    return Meaning(channel, corrected, bool(OBSERVED & every), gauge)


def _without_basis(text: str) -> str:
    """The heading without what it says of correction; the whole of it where nothing else is said."""
    left = _LEFT_BEHIND.sub("", _BASIS.sub(" ", text))
    if left == text:
        return text
    left = re.sub(r"[\[({<]\s*[\])}>]", " ", left)
    return " ".join(left.split()).strip(" ,;:/_-") or text


def _spread(text: str) -> str:
    return _HUMPS.sub(" ", text)


def _long(words: Sequence[str]) -> list[str]:
    return " ".join(ABBREVIATIONS.get(word, word) for word in words).split()


def _phrases(words: Sequence[str]) -> tuple[str, ...]:
    """The ways in which words may be known: as they stand, written out, and as one, as in German."""
    return " ".join(words), " ".join(_long(words)), "".join(words)


def _by_unit_alone(head: Header) -> str | None:
    """A column named by its unit and nothing else is the engine's, or the time."""
    if not head.unit or bare(head.unit) != head.name:
        return None
    quantity = _quantity_of_unit(head.unit)
    if quantity is None:
        return "time" if unit_in(head.unit, "time") else None
    return _BY_PLACE["engine", quantity]


def _by_place(words: Sequence[str], unit: str) -> str | None:
    """The channel of a quantity, or of a unit alone, at a place, in any order: `RPM engine`, `Wheel kW`."""
    words = _long(words)
    places = {PLACES[word] for word in words if word in PLACES}
    rest = " ".join(word for word in words if word not in PLACES and word not in LINKS)
    if len(places) > 1:
        return None
    quantity = _quantity(rest, unit, bool(places)) if rest else _quantity_of_unit(unit)
    return _BY_PLACE.get((next(iter(places), "engine"), quantity or ""))


def _quantity(words: str, unit: str, placed: bool) -> str | None:
    if words in SPEEDS:
        return "speed" if placed or unit_in(unit, "speed") else None
    if len(words) < 2 and _QUANTITIES.get(PHRASES.get(words, "")) != _quantity_of_unit(unit):
        return None  # one letter may be anything, where its unit does not say the same
    return _QUANTITIES.get(PHRASES.get(words, "")) or _quantity_of_unit(words)


def _quantity_of_unit(unit: str) -> str | None:
    return next((quantity for quantity in _QUANTITIES.values() if unit_in(unit, quantity)), None)


def _of_another_quantity(channel: str, unit: str) -> bool:
    """Whether the unit is known, and none of this channel's: the lowest engine speed (`RPM min`) is no engine speed."""
    quantity = _OF_UNIT.get(channel)
    return quantity is not None and is_unit(unit) and unit_in(unit, quantity) is None
