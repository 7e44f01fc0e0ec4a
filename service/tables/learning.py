"""A mapping from a sample: what was understood of it, why, and what only a person can settle."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, replace

import numpy as np

from service.tables.channels import Understood, add_side_channel, candidates_of, chosen
from service.tables.engine_units import add_engine
from service.tables.errors import Unreadable
from service.tables.header_learning import header_facts
from service.tables.layout import Layout, layout_of
from service.tables.numbers import Notation
from service.tables.pulls import read_file
from service.tables.records import (
    CHANNELS,
    ENGINE_CHANNELS,
    Basis,
    Column,
    FileShape,
    Mapping,
    PullWords,
    ReadFile,
)

FALLING = (
    0.02  # share of steps down that a table by rpm may have: one for each pull below another; our choice
)
FEWEST_ROWS = 5  # that make a pull of a stacked file; our choice


@dataclass(frozen=True)
class Proposal:
    """A mapping for files like the sample, the reasons for it, what a person must choose, and the sample read by it."""

    mapping: Mapping
    reasons: tuple[str, ...]
    doubts: tuple[str, ...]
    read: ReadFile


def propose(raw: bytes) -> Proposal:
    """The mapping a sample shows. Raises Unreadable where no curve can be made out, with what is missing."""
    layout = layout_of(raw)
    notation, told, columns = _by_notation(layout)
    facts, basis = header_facts(layout, notation, told)
    if not any(channel in columns for channel in ENGINE_CHANNELS):
        said = "; ".join(told.doubts or told.reasons)
        raise Unreadable(
            f"no torque or power whose unit is known: {said}. Write a mapping that says its unit"
        )
    mapping = Mapping(
        _shape(layout, notation, columns),
        columns,
        PullWords(basis=_basis(basis, layout, told), source="file"),
        facts,
    )
    mapping, read = _laid_out(raw, mapping, told)
    return Proposal(mapping, (*layout.reasons, *told.reasons), tuple(told.doubts), read)


def _by_notation(layout: Layout) -> tuple[Notation, Understood, dict[str, Column]]:
    """The notation under which the columns make sense, the plainest first, and what was understood by it."""
    refusal: Unreadable | None = None
    made: list[tuple[Notation, Understood]] = []
    for notation in layout.notation.notations:
        try:
            made.append((notation, _understood(layout, notation)))
        except Unreadable as error:
            refusal = refusal or error
    if not made:
        raise refusal or Unreadable("no figure could be read")
    notation, told = made[0]
    marks = f"decimal {notation.decimal!r}, thousands {notation.thousands!r}"
    if len(layout.notation.notations) == 1:
        told.reasons.insert(0, f"{marks}: {layout.notation.telling}")
    elif len(made) == 1:
        told.reasons.insert(0, f"{marks}: {layout.notation.telling}, and only so is there an engine speed")
    else:
        told.doubts.insert(0, f"{layout.notation.telling}, which can be read in two ways; taken: {marks}")
    return notation, told, told.columns


def _understood(layout: Layout, notation: Notation) -> Understood:
    told = Understood()
    taken = chosen(candidates_of(layout, notation, told), told)
    add_engine(taken, layout, told)
    for channel, group in taken.items():
        if channel != "rpm" and channel not in ENGINE_CHANNELS:
            add_side_channel(channel, group, layout, told)
    told.columns = {channel: told.columns[channel] for channel in CHANNELS if channel in told.columns}
    return told


def _shape(layout: Layout, notation: Notation, columns: MappingOf[str, Column]) -> FileShape:
    side = any(len(column.places) > 1 for column in columns.values())
    return FileShape(
        encoding=layout.encoding,
        separator=layout.separator,
        decimal=notation.decimal,
        thousands=notation.thousands,
        names_line=layout.names_line,
        units_line=layout.units_line,
        first_row=layout.first_row,
        footer_lines=layout.footer_lines,
        rows="time",
        pulls="side-by-side" if side else "one",
    )


def _basis(stated: Basis | None, layout: Layout, told: Understood) -> Basis | None:
    """What the header says of correction, else what the columns say, else a doubt."""
    if stated is not None:
        return stated
    if told.observed:
        told.reasons.append(f"figures as observed: {told.observed}")
        return Basis(None)
    words = " ".join(layout.names).lower()
    beside = ", though a column's name says corrected" if "correct" in words else ""
    told.doubts.append(
        f"the file does not say whether its figures are as observed or corrected{beside}: say pull.basis in the mapping"
    )
    return None


def _laid_out(raw: bytes, mapping: Mapping, told: Understood) -> tuple[Mapping, ReadFile]:
    """Whether rows follow time or engine speed, and whether pulls stand below each other, tried on the sample."""
    if mapping.file.pulls == "one":
        stacked = replace(mapping, file=replace(mapping.file, pulls="stacked"))
        read = read_file(raw, stacked)
        if len(read.pulls) > 1 and all(pull.channels["rpm"].size >= FEWEST_ROWS for pull in read.pulls):
            what = (
                "time starts again or pauses" if "time" in mapping.columns else "engine speed falls at once"
            )
            told.reasons.append(f"{len(read.pulls)} pulls below each other: {what} between them")
            mapping = stacked
    elif mapping.file.pulls == "side-by-side":
        told.reasons.append("several pulls side by side: the same names stand over several columns")
    read = read_file(raw, mapping)
    rows, why = _rows(mapping, read)
    told.reasons.append(f"rows by {rows}: {why}")
    mapping = replace(mapping, file=replace(mapping.file, rows=rows))
    return mapping, read if rows == "time" else read_file(raw, mapping)


def _rows(mapping: Mapping, read: ReadFile) -> tuple[str, str]:
    if "time" in mapping.columns:
        return "time", "there is a time column"
    falling = [np.mean(np.diff(pull.channels["rpm"]) < 0.0) for pull in read.pulls]
    if max(falling, default=0.0) <= FALLING or min(falling) >= 1.0 - FALLING:
        return "rpm", "engine speed only rises, or only falls, from row to row"
    return "time", "engine speed rises and falls, as samples in time do"
