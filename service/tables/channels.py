"""Which column is which channel, in which unit: by its words where they say it, else by its figures, with a reason."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import tomlkit

from service.tables.headings import Header, Meaning, heading_of, meaning_of
from service.tables.layout import OFTEN, Layout
from service.tables.numbers import Notation, clock, number
from service.tables.records import CHANNELS, Column, Floats, Open, Place
from service.tables.units import AIR_FUEL_RATIO, CLOCK, STOPWATCH, Unit, is_speed_of_car, known_words, unit_in
from service.tables.unnamed import holds, told_by_figures
from service.tables.words import air_of, bare, is_run

CHANNEL_OF: Final = {"wheel_power": "power"}


@dataclass(frozen=True)
class Candidate:
    """A column whose words (or figures, where it has none) mean a channel, with its figures as written; `clock`: how its
    times are written, where they are."""

    index: int
    head: Header
    meaning: Meaning
    figures: Floats
    clock: str = ""

    @property
    def channel(self) -> str:
        """The contract's name for it."""
        return CHANNEL_OF.get(self.meaning.channel, self.meaning.channel)

    def quoted(self) -> str:
        """The column as a person finds it."""
        return (
            f"column {self.index + 1}, {self.head.text!r}" if self.head.text else f"column {self.index + 1}"
        )


@dataclass
class Understood:
    """The columns chosen so far, with all that is to be said about them."""

    columns: dict[str, Column] = field(default_factory=dict)
    reasons: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    observed: str = ""
    """Why the figures are as observed, where the columns say so."""
    taken: dict[str, list[Candidate]] = field(default_factory=dict)
    """The columns whose words mean a channel, also where their unit is not known."""
    how: dict[str, str] = field(default_factory=dict)
    """How each channel's columns were found: said of those that are taken in the end."""
    open: list[Open] = field(default_factory=list)
    """The lines of the mapping that wait for a person."""
    refusal: str = ""
    """Why there is no curve among the columns."""


def candidates_of(layout: Layout, notation: Notation, told: Understood) -> list[Candidate]:
    """The columns whose words are known; for each other one a reason why it is left out."""
    if not layout.names:
        return candidates_without_names(layout, notation, told)
    found = []
    for index, cell in enumerate(layout.names):
        if not cell:
            continue
        unit = layout.units[index] if index < len(layout.units) else ""
        head = heading_of(cell, unit)
        meaning = meaning_of(head)
        if is_speed_of_car(head.unit):
            told.reasons.append(
                f"column {index + 1}, {cell!r}, left out: a speed in {head.unit} gives no rpm without the roller's girth"
            )
        elif meaning is None and (is_run(head.name) or air_of(head.name)):
            continue  # beside_learning.py
        elif meaning is None:
            told.reasons.append(
                f"column {index + 1}, {cell!r}, left out: its heading is no channel's known here"
            )
        else:
            one = Candidate(index, head, meaning, figures_of(layout, index, notation))
            if meaning.channel == "time" and not np.isfinite(one.figures).any():
                one = by_clock(one, layout, told)
            if np.isfinite(one.figures).any():
                found.append(one)
            else:
                told.reasons.append(f"{one.quoted()}, left out: no figure stands under it")
    return found


def candidates_without_names(layout: Layout, notation: Notation, told: Understood) -> list[Candidate]:
    """The columns that their figures tell; for each other one what it holds. Raises Unreadable where none is sure."""
    width = max(len(row) for row in layout.rows)
    columns = [figures_of(layout, index, notation) for index in range(width)]
    found = told_by_figures(columns)
    told.reasons.append(
        f"column {found.rpm + 1} is engine speed, column {found.torque + 1} torque in {found.pair.torque}, column "
        f"{found.power + 1} power in {found.pair.power}: 9549.3 x power / (torque x rpm) is {found.k:.4f}, theirs "
        f"{found.pair.k:.4f}, and no other columns go together so"
    )
    told.doubts.append(
        "there is no line of names: the mapping goes by the columns' numbers, and a file whose columns stand otherwise "
        "would be read wrong; look at the curve"
    )
    for index, values in enumerate(columns):
        if index not in found.channels:
            told.reasons.append(
                f"column {index + 1}, {holds(values)}, left out: without a name it could be much; add it to the mapping"
            )
    return [
        Candidate(index, Header("", "", found.units[index]), Meaning(channel), columns[index])
        for index, channel in found.channels.items()
    ]


def by_clock(one: Candidate, layout: Layout, told: Understood) -> Candidate:
    """The same with its times read as a clock's, where most are; minutes and seconds only where a fraction shows it."""
    cells = [row[one.index] if one.index < len(row) else "" for row in layout.rows]
    for form, hours in ((CLOCK, True), (STOPWATCH, False)):
        read = [clock(cell, hours) for cell in cells]
        if sum(value is not None for value in read) < OFTEN * len(cells):
            continue
        if not hours and not any(re.search("[.,]", cell) for cell in cells):
            told.reasons.append(
                f"{one.quoted()}: {cells[0]!r} may be hours and minutes or minutes and seconds"
            )
            return one
        figures = np.array([np.nan if value is None else value for value in read])
        return replace(one, figures=figures, clock=form)
    return one


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
        how = "by the name" if first.head.text else "by its figures"
        told.how[channel] = f"{channel}: {' and '.join(one.quoted() for one in group)}, {how}"
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


def place_line(places: Sequence[Place]) -> str:
    """The line of a mapping that says where columns stand."""
    written = [str(place) if isinstance(place, int) else quoted(place) for place in places]
    key = "number" if isinstance(places[0], int) else "name"
    return f"{key} = {written[0] if len(written) == 1 else '[' + ', '.join(written) + ']'}"


def quoted(word: str) -> str:
    """A word as TOML."""
    return tomlkit.item(word).as_string()


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
    if group[0].clock:
        told.columns[channel] = Column(places_of(group, layout), group[0].clock)
        told.reasons.append(
            f"time as a clock shows it, {group[0].clock}: it counts from the first row of a pull"
        )
        return
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
        word, scale = _mixture(group, figures, unit, layout, told)
        if not word:
            return
    elif unit is None:
        guessed = unit_by_figures(channel, figures)
        word = guessed[0] if guessed else ""
        if guessed:
            told.reasons.append(f"{channel} in {guessed[0]}: no unit is written, and {guessed[1]}")
    if not word:
        told.doubts.append(
            f"{group[0].quoted()}, left out: its unit is not written; to take it write [columns.{channel}] with the column and "
            f"unit, one of {known_words(quantity)}"
        )
        lines = (
            place_line(places_of(group, layout)),
            f"unit = {quoted(known_words(quantity).split(', ')[0])}",
        )
        told.open.append(
            Open(
                f"columns.{channel}", f"{group[0].quoted()}: its unit, one of {known_words(quantity)}", lines
            )
        )
        return
    gauge = group[0].meaning.gauge and (unit is None or unit.gauge is None)
    if gauge:
        told.doubts.append(
            f"{group[0].quoted()} is taken as above the barometer; set gauge = false if it is absolute"
        )
    told.columns[channel] = Column(places_of(group, layout), word, None, gauge, scale)


def _mixture(
    group: Sequence[Candidate], figures: Floats, unit: Unit | None, layout: Layout, told: Understood
) -> tuple[str, float | None]:
    """The unit's word and, of an air/fuel ratio, the stated scale; no word, and what to write, where it is not stated."""
    one = group[0]
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
        f"{one.quoted()}, left out: it looks like an air/fuel ratio, and the one its gauge counts as lambda 1 is lacking (14.7 "
        "for petrol's scale; ask whoever set the gauge); to take it write in the mapping, under [columns.lambda], the column, "
        'unit = "AFR" and stoichiometric = 14.7'
    )
    lines = (place_line(places_of(group, layout)), 'unit = "AFR"', "stoichiometric = 14.7")
    told.open.append(Open("columns.lambda", f"{one.quoted()}: the scale of its gauge", lines))
    return "", None
