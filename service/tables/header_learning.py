"""Facts of a sample's header lines, and how to find them in the next file."""

from __future__ import annotations

from typing import Final

from service.tables.channels import Understood
from service.tables.header import Said, figure_in, moment_formats, said_in, unit_of
from service.tables.layout import Layout
from service.tables.numbers import Notation
from service.tables.records import FACTS, Basis, HeaderFact
from service.tables.words import FACT_WORDS, OBSERVED_WORDS, STANDARD_WORDS, bare

PRESSURES: Final = (
    ("kPa", 80.0, 110.0),
    ("hPa", 800.0, 1100.0),
    ("inHg", 23.6, 32.5),
    ("mmHg", 600.0, 825.0),
)
"""A barometer without a unit: the ranges do not touch; 80 to 110 kPa in each unit, our choice."""


def header_facts(
    layout: Layout, notation: Notation, told: Understood
) -> tuple[dict[str, HeaderFact], Basis | None]:
    """Where the header says when, in what air, and corrected to what."""
    said = [one for n in layout.around for one in said_in(layout.lines[n - 1], n, layout.separator)]
    facts: dict[str, HeaderFact] = {}
    for fact in FACTS:
        found = next((one for one in said if one.key in FACT_WORDS[fact]), None)
        where = _figure_fact(found, fact, notation, told) if found else None
        if where:
            facts[fact] = where
    started = _started(said, told)
    if started:
        facts["started_at"] = started
    return facts, _basis(said, told)


def _figure_fact(found: Said, fact: str, notation: Notation, told: Understood) -> HeaderFact | None:
    value, behind = figure_in(found.value, notation)
    if value is None:
        return None
    unit = unit_of(found, fact, notation)
    word = (behind or found.unit) if unit else ""
    if not word and fact == "pressure":
        word = next((name for name, low, high in PRESSURES if low <= value <= high), "")
    elif not word and FACTS[fact] in ("share", "factor"):
        word = "%" if value > 2.0 and fact == "humidity" else "1"
    said = f"line {found.line}, {found.key}: {found.value!r}"
    if not word:
        told.reasons.append(f"{said}, left out: its unit is not written or not known")
        return None
    told.reasons.append(f"{said} is the {fact.replace('_', ' ')} in {word}")
    return HeaderFact((found.key,), unit=word)


def _started(said: list[Said], told: Understood) -> HeaderFact | None:
    day = next((one for one in said if one.key in FACT_WORDS["date"]), None)
    if day is None:
        return None
    clock = next((one for one in said if one.key in FACT_WORDS["clock"] and ":" in one.value), None)
    keys: tuple[str, ...] = (day.key,)
    text = day.value
    if clock and ":" not in day.value:
        keys, text = (day.key, clock.key), f"{day.value} {clock.value}"
    forms = moment_formats(text)
    if len(forms) == 1:
        told.reasons.append(f"line {day.line}: {text!r} is when it began, written {forms[0]}")
        return HeaderFact(keys, format=forms[0])
    if forms:
        listed = " or ".join(forms)
        told.doubts.append(f"line {day.line}: {text!r} is two dates; say header.started_at.format: {listed}")
    else:
        told.reasons.append(f"line {day.line}: {text!r} left out, it is no date known here")
    return None


def _basis(said: list[Said], told: Understood) -> Basis | None:
    found = next((one for one in said if one.key in FACT_WORDS["basis"]), None)
    if found is None:
        return None
    words = bare(found.value)
    if words in OBSERVED_WORDS:
        told.reasons.append(f"figures as observed: line {found.line} says {found.value!r}")
        return Basis(None)
    standard = next((slug for name, slug in STANDARD_WORDS.items() if f" {name} " in f" {words} "), None)
    if standard is None:
        return None
    told.reasons.append(f"figures corrected to {standard}: line {found.line} says {found.value!r}")
    return Basis(standard)
