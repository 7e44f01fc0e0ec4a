"""Where a sample does not tell all: what was understood of it, and beside it the lines among which a person chooses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.tables.beside_learning import place_of
from service.tables.channels import Understood, figures_of, place_line, places_of, quoted
from service.tables.engine_units import UNIT_CHOICES, open_unit
from service.tables.errors import Unreadable
from service.tables.layout import Layout
from service.tables.numbers import Notation
from service.tables.records import CHANNELS, ENGINE_CHANNELS, Column, Floats, Mapping, Open
from service.tables.units import unit_in
from service.tables.unnamed import holds, may_be_speed

MOST_OFFERED: Final = 12  # columns offered for what is lacking; our choice


@dataclass(frozen=True)
class Draft:
    """A mapping that cannot be used yet: the reasons for what stands in it, and what is open."""

    mapping: Mapping
    reasons: tuple[str, ...]
    doubts: tuple[str, ...]
    open: tuple[Open, ...]


class NotLearned(Unreadable):
    """A table of which no curve can be made out before a person settles something; `draft` is what was understood."""

    def __init__(self, words: str, draft: Draft) -> None:
        self.draft = draft
        super().__init__(words)


def draft_of(mapping: Mapping, layout: Layout, notation: Notation, told: Understood) -> Draft:
    """The mapping with every column whose words are known, and lines for what is lacking."""
    columns = dict(mapping.columns)
    waiting = [one for one in told.open if one.table not in _engine_tables()]
    for channel in ("rpm", *ENGINE_CHANNELS):
        group = told.taken.get(channel)
        if group and channel not in columns:
            known = unit_in(group[0].head.unit, CHANNELS[channel]) is not None
            columns[channel] = Column(places_of(group, layout), group[0].head.unit if known else "")
            if not known:
                asked = open_unit(channel, group, layout, "its unit is not known")
                waiting.append(replace(asked, lines=asked.lines[1:]))
    figures = {index: figures_of(layout, index, notation) for index in _free(layout, columns, told)}
    figures = {index: values for index, values in figures.items() if np.isfinite(values).any()}
    if "rpm" not in columns:
        waiting += _offered(layout, _likely(figures, True), "columns.rpm", UNIT_CHOICES["speed"])
    if not any(channel in columns for channel in ENGINE_CHANNELS):
        for quantity in ("torque", "power"):
            drawn = _likely(figures, False)
            waiting += _offered(layout, drawn, f"columns.{quantity}", UNIT_CHOICES[quantity])
    ordered = {channel: columns[channel] for channel in CHANNELS if channel in columns}
    shape = replace(mapping.file, rows=_rows(layout, notation, ordered, told))
    return Draft(
        replace(mapping, file=shape, columns=ordered), (*layout.reasons, *told.reasons), tuple(told.doubts), tuple(waiting)
    )  # fmt: skip


def _engine_tables() -> set[str]:
    return {f"columns.{channel}" for channel in ENGINE_CHANNELS}


def _free(layout: Layout, columns: dict[str, Column], told: Understood) -> list[int]:
    """The columns (from 0) that are no channel's yet."""
    used = {one.index for channel in columns for one in told.taken.get(channel, ())}
    return [i for i in range(max(map(len, layout.rows), default=0)) if i not in used]


def _likely(figures: dict[int, Floats], speed: bool) -> dict[int, Floats]:
    """The columns whose figures an engine's speed may have, or those that cannot be it; where there is none, all of them."""
    return {i: values for i, values in figures.items() if may_be_speed(values) == speed} or figures


def _offered(
    layout: Layout, figures: dict[int, Floats], table: str, units: tuple[str, ...]
) -> Iterator[Open]:
    for index, values in list(figures.items())[:MOST_OFFERED]:
        named = f", {layout.names[index]!r}" if index < len(layout.names) and layout.names[index] else ""
        place = place_of(layout, index) if named else index + 1
        lines = (place_line((place,)), *(f"unit = {quoted(unit)}" for unit in units))
        yield Open(
            table, f"{table.partition('.')[2]}: is it column {index + 1}{named}, {holds(values)}", lines
        )


def _rows(layout: Layout, notation: Notation, columns: dict[str, Column], told: Understood) -> str:
    """By time where there is one, or engine speed goes up and down; by engine speed where it only rises or falls."""
    if "time" in columns:
        return "time"
    taken = told.taken.get("rpm")
    width = max(map(len, layout.rows), default=0)
    speeds = taken[0].figures if taken else next(
        (values for i in range(width) if may_be_speed(values := figures_of(layout, i, notation))), None
    )  # fmt: skip
    if speeds is None:
        return "time"
    steps = np.diff(speeds[np.isfinite(speeds)])
    return "rpm" if (steps > 0.0).all() or (steps < 0.0).all() else "time"
