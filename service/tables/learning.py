"""A mapping from a sample: what was understood of it, why, and what only a person can settle."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, replace

import numpy as np

from service.domain.correction import STANDARDS
from service.tables.beside_learning import FEWEST_ROWS, air_columns, by_run_number
from service.tables.channels import Understood, add_side_channel, candidates_of, chosen
from service.tables.draft import NotLearned, draft_of
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
    Open,
    PullWords,
    ReadFile,
)

CORRECTIONS = tuple(name for name in STANDARDS if name != "none")
FALLING = (
    0.02  # share of steps down that a table by rpm may have: one for each pull below another; our choice
)


@dataclass(frozen=True)
class Proposal:
    """A mapping for files like the sample, the reasons for it, what a person must choose, and the sample read by it."""

    mapping: Mapping
    reasons: tuple[str, ...]
    doubts: tuple[str, ...]
    read: ReadFile
    open: tuple[Open, ...] = ()


def propose(raw: bytes) -> Proposal:
    """The mapping a sample shows. Raises NotLearned with a draft where no curve can be made out and what is missing, and
    Unreadable where there is no table."""
    layout = layout_of(raw)
    notation, told = _by_notation(layout)
    refusal = told.refusal or _without_curve(told)
    facts, basis = header_facts(layout, notation, told)
    mapping = Mapping(
        _shape(layout, notation, told.columns),
        told.columns,
        PullWords(basis=_basis(basis, told), source="file"),
        facts,
        air_columns(layout, notation, told),
    )
    if refusal:
        raise NotLearned(refusal, draft_of(mapping, layout, notation, told))
    try:
        mapping, read = _laid_out(raw, mapping, layout, told)
    except Unreadable as error:
        raise NotLearned(str(error), draft_of(mapping, layout, notation, told)) from None
    return Proposal(mapping, (*layout.reasons, *told.reasons), tuple(told.doubts), read, tuple(told.open))


def _without_curve(told: Understood) -> str:
    """Why there is no curve where no torque or power has a unit; nothing where one has."""
    if any(channel in told.columns for channel in ENGINE_CHANNELS):
        return ""
    said = "; ".join(told.doubts or told.reasons)
    return f"no torque or power whose unit is known: {said}."


def _by_notation(layout: Layout) -> tuple[Notation, Understood]:
    """The notation under which the columns make sense, the plainest first, and what was understood by it."""
    tried = [(notation, _understood(layout, notation)) for notation in layout.notation.notations]
    made = [(notation, told) for notation, told in tried if not told.refusal]
    if not made:
        return tried[0]
    notation, told = made[0]
    marks = f"decimal {notation.decimal!r}, thousands {notation.thousands!r}"
    if len(layout.notation.notations) == 1:
        told.reasons.insert(0, f"{marks}: {layout.notation.telling}")
    elif len(made) == 1:
        told.reasons.insert(0, f"{marks}: {layout.notation.telling}, and only so is there an engine speed")
    else:
        told.doubts.insert(0, f"{layout.notation.telling}, which can be read in two ways; taken: {marks}")
    return notation, told


def _understood(layout: Layout, notation: Notation) -> Understood:
    """The columns by one notation; where there is no curve among them, why."""
    told = Understood()
    try:
        told.taken = chosen(candidates_of(layout, notation, told), told)
        add_engine(told.taken, layout, told)
    except Unreadable as error:
        told.refusal = str(error)
    for channel, group in told.taken.items():
        if channel != "rpm" and channel not in ENGINE_CHANNELS:
            add_side_channel(channel, group, layout, told)
    told.reasons[:0] = [how for channel, how in told.how.items() if channel in told.columns]
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


def _basis(stated: Basis | None, told: Understood) -> Basis | None:
    """What the header says of correction, else what the columns say, else a doubt."""
    if stated is not None:
        return stated
    if told.observed:
        told.reasons.append(f"figures as observed: {told.observed}")
        return Basis(None)
    drawn = [one for channel in ENGINE_CHANNELS for one in told.taken.get(channel, ())]
    named = next((one.quoted() for one in drawn if one.meaning.corrected), "")
    beside = f", though {named}, says corrected" if named else ""
    told.doubts.append(
        f"the file does not say whether its figures are as observed or corrected{beside}: write under [pull] basis = "
        '"observed" where they are as measured, or basis = {standard = "sae-j1349"} where the machine corrected them; '
        f"standards: {', '.join(CORRECTIONS)}, or unknown"
    )
    lines = (
        'basis = "observed"',
        *(f'basis = {{standard = "{name}"}}' for name in (*CORRECTIONS, "unknown")),
    )
    told.open.append(Open("pull", "are the figures as observed, or corrected to a standard", lines))
    return None


def _laid_out(raw: bytes, mapping: Mapping, layout: Layout, told: Understood) -> tuple[Mapping, ReadFile]:
    """Whether rows follow time or engine speed, and whether pulls stand below each other, tried on the sample."""
    if mapping.file.pulls == "one":
        mapping = by_run_number(layout, mapping, told, lambda tried: read_file(raw, tried))
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
