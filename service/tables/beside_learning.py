"""Columns that are no channel of the pull: the air of the bay, and the number that tells one pull from the next."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from service.tables.channels import Understood, figures_of
from service.tables.errors import Unreadable
from service.tables.header_learning import PRESSURES
from service.tables.headings import Header, heading_of, meaning_of
from service.tables.layout import Layout
from service.tables.numbers import Notation
from service.tables.records import FACTS, Column, Floats, Mapping, Place, ReadFile
from service.tables.units import unit_in
from service.tables.words import air_of, bare, is_run

FEWEST_ROWS: Final = 5  # that make a pull of a stacked file; our choice


def place_of(layout: Layout, index: int) -> Place:
    """A column by its name where that stands once, else by its number."""
    names = [bare(name) for name in layout.names]
    plain = layout.separator != "blanks" and names[index] and names.count(names[index]) == 1
    return layout.names[index] if plain else index + 1


def _headers(layout: Layout) -> list[tuple[int, Header]]:
    """The columns whose names are no channel's."""
    units = (*layout.units, *[""] * len(layout.names))
    heads = [(i, heading_of(cell, units[i])) for i, cell in enumerate(layout.names) if cell]
    return [(i, head) for i, head in heads if meaning_of(head) is None]


def air_columns(layout: Layout, notation: Notation, told: Understood) -> dict[str, Column]:
    """The columns of the bay's air, where their names can mean nothing else and their units are known."""
    columns: dict[str, Column] = {}
    for index, head in _headers(layout):
        found = air_of(head.name)
        if found is None:
            continue
        fact, sure = found
        quoted = f"column {index + 1}, {head.text!r}"
        say = f"say [air.{fact}] with name and unit in the mapping if it is the bay's air"
        word = _unit(head, fact, figures_of(layout, index, notation))
        if not sure:
            told.reasons.append(f"{quoted}, left out: it may be another {fact.replace('_', ' ')}; {say}")
        elif fact in columns or (fact == "dew_point" and "humidity" in columns):
            told.reasons.append(f"{quoted}, left out: the air has its {fact.replace('_', ' ')} already")
        elif not word:
            told.reasons.append(f"{quoted}, left out: its unit is not written or not known; {say}")
        else:
            columns[fact] = Column((place_of(layout, index),), word)
            told.reasons.append(
                f"{quoted}, is the {fact.replace('_', ' ')} in {word} of the air of each pull, where it stands still along it"
            )
    if "humidity" in columns:
        columns.pop("dew_point", None)
    return columns


def _unit(head: Header, fact: str, figures: Floats) -> str:
    """The unit's word; a barometer and a humidity tell it by their figures."""
    known = figures[np.isfinite(figures)]
    if head.unit or not known.size:
        return head.unit if unit_in(head.unit, FACTS[fact]) else ""
    middle = float(np.median(known))
    if fact == "pressure":
        return next((name for name, low, high in PRESSURES if low <= middle <= high), "")
    return ("%" if middle > 2.0 else "1") if fact == "humidity" else ""


def by_run_number(
    layout: Layout, mapping: Mapping, told: Understood, read: Callable[[Mapping], ReadFile]
) -> Mapping:
    """The mapping with the column of run numbers, where there is one that makes whole pulls of the sample."""
    for index, head in _headers(layout):
        if not is_run(re.sub(r"[ #]+$", "", head.name)):
            continue
        place = place_of(layout, index)
        shape = replace(mapping.file, pulls="stacked", pull_column=place)
        tried = replace(mapping, file=shape)
        quoted = f"column {index + 1}, {head.text!r}"
        try:
            pulls = read(tried).pulls
        except Unreadable:
            pulls = ()
        if pulls and all(pull.channels["rpm"].size >= FEWEST_ROWS for pull in pulls):
            told.reasons.append(f"{quoted}, tells pulls apart: {len(pulls)} in this file")
            return tried
        told.reasons.append(f"{quoted}, left out: its number changes too often to be that of a pull")
    return mapping
