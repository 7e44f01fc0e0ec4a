"""Which column is which channel, in which unit: by its words where they say it, else by its figures, with a reason."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from service.tables.layout import Layout
from service.tables.numbers import Notation, number
from service.tables.records import CHANNELS, Column, Floats, Place
from service.tables.units import AIR_FUEL_RATIO, Unit, is_speed_of_car, unit_in
from service.tables.words import Header, Meaning, bare, header_of, is_speed, meaning_of

UNIT_NAMES: Final = (("speed", "rpm"), ("torque", "torque"), ("power", "power"), ("time", "time"))
"""A column named by its unit alone."""
CHANNEL_OF: Final = {"wheel_power": "power"}


@dataclass(frozen=True)
class Candidate:
    """A column whose words mean a channel, with its figures as written."""

    index: int
    head: Header
    meaning: Meaning
    figures: Floats

    @property
    def channel(self) -> str:
        """The contract's name for it."""
        return CHANNEL_OF.get(self.meaning.channel, self.meaning.channel)

    def quoted(self) -> str:
        """The column as a person finds it."""
        return f"column {self.index + 1}, {self.head.text!r}"


@dataclass
class Understood:
    """The columns chosen so far, with all that is to be said about them."""

    columns: dict[str, Column] = field(default_factory=dict)
    reasons: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    observed: str = ""
    """Why the figures are as observed, where the columns say so."""


def candidates_of(layout: Layout, notation: Notation, told: Understood) -> list[Candidate]:
    """The columns whose words are known; for each other one a reason why it is left out."""
    found = []
    for index, cell in enumerate(layout.names):
        if not cell:
            continue
        unit = layout.units[index] if index < len(layout.units) else ""
        head = header_of(cell, unit)
        meaning = _meaning(head)
        if is_speed_of_car(head.unit):
            told.reasons.append(
                f"column {index + 1}, {cell!r}, left out: a speed in {head.unit} gives no rpm without the roller's girth"
            )
        elif meaning is None:
            told.reasons.append(
                f"column {index + 1}, {cell!r}, left out: its name is no channel's known here"
            )
        else:
            one = Candidate(index, head, meaning, figures_of(layout, index, notation))
            if np.isfinite(one.figures).any():
                found.append(one)
            else:
                told.reasons.append(f"{one.quoted()}, left out: no figure stands under it")
    return found


def _meaning(head: Header) -> Meaning | None:
    meaning = meaning_of(head.name, head.text)
    if meaning is None and is_speed(head.name) and unit_in(head.unit, "speed"):
        return Meaning("rpm")
    if meaning is None and head.unit == head.text:
        for quantity, channel in UNIT_NAMES:
            if unit_in(head.unit, quantity):
                return Meaning(channel)
    return meaning


def figures_of(layout: Layout, index: int, notation: Notation) -> Floats:
    """One column's figures in the sample, NaN where it holds none."""
    cells = (row[index] if index < len(row) else "" for row in layout.rows)
    read = (number(cell, notation.decimal, notation.thousands) for cell in cells)
    return np.array([np.nan if value is None else value for value in read])


def chosen(candidates: Sequence[Candidate], told: Understood) -> dict[str, list[Candidate]]:
    """For every channel the columns to take: one, or one for each pull side by side."""
    drawn = [one for one in candidates if one.channel in ("torque", "power", "axle_torque")]
    if any(one.meaning.corrected for one in drawn) and not all(one.meaning.corrected for one in drawn):
        for one in drawn:
            if one.meaning.corrected:
                told.reasons.append(
                    f"{one.quoted()}, left out: it is corrected, and what was measured stands beside it"
                )
        candidates = [one for one in candidates if not (one in drawn and one.meaning.corrected)]
        told.observed = "corrected ones stand beside them"
    elif drawn and all(one.meaning.observed for one in drawn):
        told.observed = "the names say so"
    taken: dict[str, list[Candidate]] = {}
    for channel in CHANNELS:
        own = [one for one in candidates if one.channel == channel]
        if not own:
            continue
        first = min(
            own,
            key=lambda one: (
                one.meaning.channel == "power" and one.channel == "power",
                not one.meaning.observed,
            ),
        )
        group = [one for one in own if _alike(one, first)]
        taken[channel] = group
        told.reasons.append(f"{channel}: {' and '.join(one.quoted() for one in group)}, by the name")
        for one in own:
            if one not in group:
                told.reasons.append(f"{one.quoted()}, left out: {first.quoted()} is the {channel} already")
    return _consistent(taken, told)


def _alike(one: Candidate, other: Candidate) -> bool:
    """Columns that differ by a number at most: the same channel of several pulls."""
    return _without_number(one) == _without_number(other) and one.head.unit == other.head.unit


def _without_number(one: Candidate) -> str:
    return re.sub(r"\b(?:run|pull|test|lauf|essai|prueba|prova)\b|\d", "", one.head.name).strip()


def _consistent(taken: dict[str, list[Candidate]], told: Understood) -> dict[str, list[Candidate]]:
    """Every channel once, or as often as there are pulls side by side."""
    drawn = [len(taken[c]) for c in ("torque", "power", "axle_torque") if c in taken]
    pulls = max(drawn, default=1)
    for channel, group in taken.items():
        if len(group) not in (1, pulls):
            told.reasons.append(
                f"{channel}: only {group[0].quoted()} taken; {len(group)} columns do not go with {pulls}"
            )
            taken[channel] = group[:1]
    return taken


def places_of(group: Sequence[Candidate], layout: Layout) -> tuple[Place, ...]:
    """The columns by name where the names tell them apart, else by number."""
    names = [bare(name) for name in layout.names]
    plain = layout.separator != "blanks" and all(
        names.count(bare(one.head.text)) == 1 and bare(one.head.text) for one in group
    )
    return tuple(one.head.text if plain else one.index + 1 for one in group)


def unit_by_figures(channel: str, figures: Floats) -> tuple[str, str] | None:
    """The unit a column without one must have, and why; None where its figures do not tell."""
    known = figures[np.isfinite(figures)]
    if not known.size:
        return None
    low, high = float(np.min(known)), float(np.max(known))
    middle = float(np.median(known))
    said = f"{low:g} to {high:g}"
    if channel in ("rpm", "roller_speed") and 400.0 < high < 30_000.0:
        return "rpm", f"{said} can only be rpm"
    if channel == "rpm" and 1.0 < high < 25.0:
        return "x1000 rpm", f"{said} can only be thousands of rpm"
    if channel == "throttle" and 1.5 < high <= 110.0:
        return "%", f"{said} can only be per cent"
    if channel == "throttle" and low >= 0.0 and high <= 1.1:
        return "1", f"{said} is a share"
    if channel == "lambda" and 0.5 < middle < 2.0:
        return "lambda", f"{said} is lambda's range"
    if channel in ("spark", "knock_retard") and low >= -70.0 and high <= 90.0:
        return "deg", "spark is given in degrees of crank"
    return _time_by_step(known, said) if channel == "time" else None


def _time_by_step(known: Floats, said: str) -> tuple[str, str] | None:
    step = np.diff(known)
    usual = float(np.median(np.abs(step))) if step.size else 0.0
    span = float(np.ptp(known))
    if 0.0 < usual <= 2.0 and span <= 3600.0:
        return "s", f"{said} in steps of {usual:g} are seconds"
    return ("ms", f"{said} in steps of {usual:g} are milliseconds") if usual >= 5.0 else None


def add_side_channel(channel: str, group: Sequence[Candidate], layout: Layout, told: Understood) -> None:
    """Take a channel beside the engine's figures, or say why not."""
    head, figures = group[0].head, np.concatenate([one.figures for one in group])
    quantity = CHANNELS[channel]
    unit = unit_in(head.unit, quantity) if head.unit else None
    word = head.unit
    if head.unit and unit is None and channel != "lambda":
        told.reasons.append(
            f"{group[0].quoted()}, left out: {head.unit!r} is no unit of {quantity} known here"
        )
        return
    if channel == "knock_retard" and np.nanmin(figures) < 0.0:
        told.doubts.append(
            f"{group[0].quoted()}, left out: below nought; spark taken back counts as positive here"
        )
        return
    scale = None
    if channel == "lambda":
        word, scale = _mixture(group[0], figures, unit, told)
    elif unit is None:
        guessed = unit_by_figures(channel, figures)
        word = guessed[0] if guessed else ""
        if guessed:
            told.reasons.append(f"{channel} in {guessed[0]}: no unit is written, and {guessed[1]}")
    if not word:
        told.reasons.append(
            f"{group[0].quoted()}, left out: its unit is not written; add the column with its unit"
        )
        return
    gauge = group[0].meaning.gauge and (unit is None or unit.gauge is None)
    if gauge:
        told.doubts.append(
            f"{group[0].quoted()} is taken as above the barometer; set gauge = false if it is absolute"
        )
    told.columns[channel] = Column(places_of(group, layout), word, None, gauge, scale)


def _mixture(
    one: Candidate, figures: Floats, unit: Unit | None, told: Understood
) -> tuple[str, float | None]:
    """The unit's word and, of an air/fuel ratio, the stated scale; no word where it is not stated."""
    if unit is not None and unit.pint_name != AIR_FUEL_RATIO:
        return one.head.unit, None
    guessed = unit_by_figures("lambda", figures)
    if guessed and unit is None:
        told.reasons.append(f"lambda: no unit is written, and {guessed[1]}")
        return guessed[0], None
    stated = re.search(r"\d{1,2}[.,]\d{1,2}", one.head.text)
    if stated:
        told.reasons.append(f"lambda: the column is an air/fuel ratio on the scale it states, {stated[0]}")
        return AIR_FUEL_RATIO, float(stated[0].replace(",", "."))
    told.doubts.append(
        f"{one.quoted()} looks like an air/fuel ratio; to take it say its scale: stoichiometric = 14.7, or another"
    )
    return "", None
