"""Facts in the lines around a table: `Air temp: 21.5 °C`, `Date;18.03.2026`."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.tables.cells import cells_of, without_trailing
from service.tables.dates import moment_in, moment_within
from service.tables.headings import header_of
from service.tables.numbers import Notation, number
from service.tables.records import FACT_FIELDS, FACTS, Facts, HeaderFact, RowFault
from service.tables.units import Unit, known_words, one_in_si, unit_in
from service.tables.words import bare


@dataclass(frozen=True)
class Said:
    """One `key: value` of a line: the key's words, its unit if it carries one, and the value as typed. Without a key it is
    the whole line."""

    line: int
    key: str
    unit: str
    value: str


def said_in(line: str, number_of_line: int, separator: str) -> Iterator[Said]:
    """What a line says: the whole of it, and `key: value`, `key = value`, or a key and its value in neighbouring cells."""
    if line.strip():
        yield Said(number_of_line, "", "", line.strip())
    cut = without_trailing(cells_of(line, separator)) if separator != "blanks" else [line.strip()]
    if len(cut) == 1 or re.match(r"[^\d:=]{2,40}[:=]\s*\S", line):
        pair = re.fullmatch(r"\s*#?\s*([^:=]{1,60}?)\s*[:=]\s*(.+?)\s*", separator_off(line, separator))
        if pair:
            yield _said(number_of_line, pair[1], pair[2])
            return
    for key, value in zip(cut[::2], cut[1::2], strict=False):
        if key and value:
            yield _said(number_of_line, key.rstrip(" :="), value)


def separator_off(line: str, separator: str) -> str:
    """The line without the empty cells at its end."""
    return line.rstrip() if separator == "blanks" else line.rstrip(separator + " \t\r").strip('"')


def _said(line: int, key: str, value: str) -> Said:
    head = header_of(key.lstrip("# "))
    name, unit = (bare(head.text), "") if head.unit == head.text else (head.name, head.unit)
    return Said(line, name, unit, value.strip(' "'))


def figure_in(text: str, notation: Notation) -> tuple[float | None, str]:
    """The figure at the start of a value and the unit behind it; the file's notation first, then a plain point."""
    cut = re.fullmatch(r"([-+\u2212]?[0-9.,'\u2019]*[0-9])\s*(\D.{0,15}|)", text.strip())
    if cut is None:
        return None, ""
    found = number(cut[1], notation.decimal, notation.thousands)
    return (number(cut[1]) if found is None else found), cut[2].strip()


def facts_in(
    said: Sequence[Said], wanted: Mapping[str, HeaderFact], notation: Notation
) -> tuple[Facts, list[RowFault]]:
    """The facts a mapping wants of the header, in SI; what stands there and cannot be read is a fault."""
    by_key: dict[str, Said] = {}
    for one in said:
        by_key.setdefault(one.key, one)
    values: dict[str, float | datetime | None] = {}
    faults: list[RowFault] = []
    for fact, where in wanted.items():
        if not where.keys:
            values["started_at"] = _moment_anywhere(said, where.format, faults)
            continue
        found = [by_key[bare(key)] for key in where.keys if bare(key) in by_key]
        if not found or len(found) != len(where.keys):
            continue
        try:
            field = "started_at" if fact == "started_at" else FACT_FIELDS[fact]
            values[field] = (
                _moment(found, where.format)
                if fact == "started_at"
                else _figure(found[0], fact, where.unit, notation)
            )
        except ValueError as error:
            faults.append(RowFault(found[0].line, f"header.{fact}: {error}"))
    return Facts(**values), faults  # type: ignore[arg-type]


def _moment_anywhere(said: Sequence[Said], form: str, faults: list[RowFault]) -> datetime | None:
    """The first moment of that form in any line; a fault where none holds one."""
    moments = (moment_within(one.value, form) for one in said if not one.key)
    moment = next((one for one in moments if one is not None), None)
    if moment is None:
        faults.append(RowFault(0, f"header.started_at: no line of the header holds a time written as {form}"))
    return moment


def _moment(found: Sequence[Said], form: str) -> datetime:
    text = " ".join(one.value for one in found)
    moment = moment_in(text, form)
    if moment is None:
        raise ValueError(
            f"{text!r} is not written as {form}; mend the format or leave the fact out of the mapping"
        )
    return moment


def _figure(found: Said, fact: str, unit: str, notation: Notation) -> float:
    value, behind = figure_in(found.value, notation)
    if value is None:
        raise ValueError(f"{found.value!r} is no figure; leave the fact out of the mapping or mend the line")
    stated = unit_in(unit, FACTS[fact])
    if stated is None:
        raise ValueError(f"unit {unit!r} is none of it; use one of {known_words(FACTS[fact])}")
    beside = unit_in(behind or found.unit, FACTS[fact])
    if beside is not None and beside.pint_name != stated.pint_name:
        raise ValueError(f"the line says {behind or found.unit!r}, the mapping {unit!r}; mend the mapping")
    return one_in_si(value, stated)


def unit_of(said: Said, fact: str, notation: Notation) -> Unit | None:
    """The unit a line gives for its fact, behind the value or in the key."""
    _, behind = figure_in(said.value, notation)
    word = behind or said.unit
    return unit_in(word, FACTS[fact]) if word else None
