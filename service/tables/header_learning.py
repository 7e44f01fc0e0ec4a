"""Facts of a sample's header lines, and how to find them in the next file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Final

from service.tables.channels import Understood
from service.tables.dates import dates_like, moment_formats
from service.tables.header import Said, figure_in, said_in, unit_of
from service.tables.layout import Layout
from service.tables.numbers import Notation
from service.tables.records import FACTS, Basis, HeaderFact, Open
from service.tables.words import BESIDE_DATE, FACT_WORDS, OBSERVED_WORDS, STANDARD_WORDS, bare

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
    started = _started(said, layout, told)
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


def _started(said: Sequence[Said], layout: Layout, told: Understood) -> HeaderFact | None:
    """When it was recorded: behind its words, else as the only date around the table, where nothing else stands beside it."""
    day = next((one for one in said if one.key in FACT_WORDS["date"]), None)
    if day is None:
        return _date_without_words(said, layout, told)
    clock = next((one for one in said if one.key in FACT_WORDS["clock"] and ":" in one.value), None)
    keys: tuple[str, ...] = (day.key,)
    text = day.value
    if clock and ":" not in day.value:
        keys, text = (day.key, clock.key), f"{day.value} {clock.value}"
    forms = moment_formats(text)
    if len(forms) == 1:
        told.reasons.append(f"line {day.line}: {text!r} is when it began, written {forms[0]}")
        return HeaderFact(keys, format=forms[0])
    _ask_when(f"line {day.line}: {text!r}", keys, forms, told)
    return None


def _date_without_words(said: Sequence[Said], layout: Layout, told: Understood) -> HeaderFact | None:
    lines = [one for one in said if not one.key]
    found = {(one.line, date): one.value for one in lines for date in dates_like(one.value)}
    if not found:
        _ask_of_column(layout, told)
    for (line, date), whole in found.items():
        forms = moment_formats(date)
        quoted = f"line {line}: {date!r}"
        beside = {word for word in bare(whole.replace(date, " ")).split() if not word.isdecimal()}
        if len(found) == len(forms) == 1 and beside <= BESIDE_DATE:
            told.reasons.append(
                f"{quoted} is when it began, written {forms[0]}, wherever it stands in a line"
            )
            return HeaderFact((), format=forms[0])
        keys = [one.key for one in said if one.line == line and one.value == date and one.key]
        _ask_when(quoted, tuple(keys[:1]), forms, told)
    return None


def _ask_when(quoted: str, keys: tuple[str, ...], forms: Sequence[str], told: Understood) -> None:
    """A date that may be when it was recorded, and cannot be taken: which way round, or whether it is."""
    offered = forms or ("%d.%m.%Y %H:%M",)
    named = (
        f"key = {json.dumps(list(keys) if len(keys) > 1 else keys[0], ensure_ascii=False)}, " if keys else ""
    )
    lines = tuple(f'started_at = {{{named}format = "{form}"}}' for form in offered)
    if not forms:
        why = "looks like a date and is none known here; write its format"
    elif len(forms) > 1:
        why = f"is two dates; say header.started_at.format: {' or '.join(forms)}"
    else:
        why = "looks like a date; is it that?"
    told.doubts.append(
        f"when it was recorded: {quoted} {why}; under [header] write {' or '.join(lines)}. Without it a pull counts as begun when "
        "its file was written to the disk"
    )
    told.open.append(Open("header", f"when it was recorded, {quoted}", lines))


def _ask_of_column(layout: Layout, told: Understood) -> None:
    """A column of dates: a mapping takes none, and a file's own papers may say it."""
    for index, cell in enumerate(layout.rows[0] if layout.rows else ()):
        if dates_like(cell):
            told.doubts.append(
                f"when it was recorded: column {index + 1} holds dates, {cell!r}; a mapping takes the time from lines around the table "
                "only: say it beside each file (FILE.toml: started_at = 2026-03-18T16:20:00+00:00), else a pull counts as begun when "
                "its file was written to the disk"
            )
            return


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
