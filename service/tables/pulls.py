"""A file by its mapping: its pulls in SI, as recorded, and every line that was left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.tables.errors import Unreadable
from service.tables.header import facts_in
from service.tables.numbers import Notation
from service.tables.records import (
    CHANNELS,
    ENGINE_CHANNELS,
    FACT_FIELDS,
    FACTS,
    Column,
    Facts,
    FilePull,
    Floats,
    Mapping,
    ReadFile,
    RowFault,
)
from service.tables.rows import Rows, rows_of
from service.tables.units import CLOCK, in_si, rounded, unit_in

GAPS: Final = 0.05  # share of rows a channel may miss before it is left out instead of the rows; our choice
FALL: Final = 0.3  # of the range of engine speed, in one row: the next stacked pull begins; our choice
PAUSE_S: Final = (
    2.0  # at least, and PAUSE_STEPS times the usual step: the next stacked pull begins; our choice
)
PAUSE_STEPS: Final = 20.0
BACK_STEPS: Final = (
    1.5  # usual steps back in time: it starts again, and is not a clock that jitters; our choice
)
STEADY: Final = {"temperature": 1.0, "dew_point": 1.0, "pressure": 0.2, "humidity": 0.05}
"""How far a column of the bay's air may flicker along a pull of seconds [degC, degC, kPa, share]; our choice."""
IN: Final = {"temperature": " °C", "dew_point": " °C", "pressure": " kPa", "humidity": ""}
HALF_A_DAY_S: Final = 43_200.0
LARGEST: Final = 1e12  # no figure of a pull is greater in its unit; our choice

Bools = NDArray[np.bool_]


def read_file(raw: bytes, mapping: Mapping, barometer_kpa: float | None = None) -> ReadFile:
    """The pulls of a file.

    Parameters: raw, the file; mapping, how to read it; barometer_kpa, absolute pressure of the station for a manifold
    gauge where the header has none [kPa]. Channels come out as recorded (roll-on and coast-down too), in SI; what the
    file does not say stays unknown. Raises Unreadable where nothing can be read.
    """
    rows, places = rows_of(raw, mapping)
    notation = Notation(mapping.file.decimal, mapping.file.thousands)
    facts, faults = facts_in(rows.said, mapping.header, notation)
    pulls: list[FilePull] = []
    stacked = mapping.file.pulls == "stacked"
    for columns in _side_by_side(places):
        part = _Part(rows, columns, mapping, faults)
        before = 0
        for chosen in part.stacked():
            first, last = (int(line) for line in rows.lines[chosen][[0, -1]])
            own = _own_facts(rows, (before, first), mapping, notation) if stacked else facts
            before = last
            pull = part.pull(chosen, part.with_air(chosen, own), barometer_kpa)
            if pull is not None:
                pulls.append(pull)
    faults = sorted({*rows.faults, *faults}, key=lambda fault: (fault.line, fault.why))
    if not pulls:
        raise Unreadable(_nothing(rows, faults))
    return ReadFile(tuple(pulls), facts, tuple(faults))


def _nothing(rows: Rows, faults: Sequence[RowFault]) -> str:
    first = f"; first: line {faults[0].line}, {faults[0].why}" if faults else ""
    return (
        f"no pull could be read: of {rows.lines.size} rows with a figure none had engine speed above 0 and every wanted "
        f"column in two rows or more{first}. Look at separator, decimal and the columns of the mapping"
    )


def _side_by_side(places: dict[str, tuple[int, ...]]) -> Iterator[dict[str, int]]:
    """The columns of each pull; a column that stands once belongs to all of them."""
    for pull in range(max(len(found) for found in places.values())):
        yield {channel: found[pull if len(found) > 1 else 0] for channel, found in places.items()}


def _own_facts(rows: Rows, gap: tuple[int, int], mapping: Mapping, notation: Notation) -> Facts:
    """The facts of the file's head and foot, and before them those of the lines between the pull before and this one."""
    before, first = gap
    between = [one for one in rows.said if before < one.line < first]
    of_all = [one for one in rows.said if not rows.lines[0] < one.line < rows.lines[-1]]
    return facts_in([*between, *of_all], mapping.header, notation)[0]


def over_midnight(seconds: Floats) -> Floats:
    """A clock's times of day [s] that go on where it begins at nought again; a stopwatch never falls by half a day."""
    known = np.flatnonzero(~np.isnan(seconds))
    days = np.cumsum(np.diff(seconds[known], prepend=seconds[known][:1]) < -HALF_A_DAY_S)
    through = seconds.copy()
    through[known] += 2.0 * HALF_A_DAY_S * days
    return through


@dataclass
class _Part:
    """The columns of one pull, or of several below each other."""

    rows: Rows
    columns: dict[str, int]
    mapping: Mapping
    faults: list[RowFault]

    def __post_init__(self) -> None:
        at = {index: place for place, index in enumerate(self.rows.wanted)}
        self.raw = {channel: self.rows.figures[:, at[index]] for channel, index in self.columns.items()}
        if self._by_clock():
            self.raw["time"] = over_midnight(self.raw["time"])
        for channel, values in self.raw.items():
            beyond = np.abs(values) > LARGEST
            if beyond.any():
                self.raw[channel] = np.where(beyond, np.nan, values)
        self._leave_out_thin_channels()
        self.usable = self._usable()

    def _by_clock(self) -> bool:
        unit = unit_in(self.mapping.columns["time"].unit, "time") if "time" in self.raw else None
        return unit is not None and unit.pint_name == CLOCK

    def _drawn(self) -> Bools:
        """Rows that say something of the engine; side by side a pull ends before the file does."""
        engine = [self.raw[channel] for channel in ENGINE_CHANNELS if channel in self.raw]
        nothing = np.full_like(self.raw["rpm"], np.nan)
        return np.asarray(~np.isnan(np.column_stack([nothing, *engine])).all(axis=1))

    def _leave_out_thin_channels(self) -> None:
        """A channel recorded in some rows only cannot be posted beside the others: all need the same length."""
        spoken = self._drawn() & ~np.isnan(self.raw["rpm"])
        total = int(np.count_nonzero(spoken))
        for channel in [name for name in self.raw if name != "rpm"]:
            known = int(np.count_nonzero(spoken & ~np.isnan(self.raw[channel])))
            if known < (1.0 - GAPS) * total:
                why = f"{channel} stands in {known} of {total} rows; a channel needs a figure in every one: left out"
                self.faults.append(RowFault(0, why))
                del self.raw[channel]

    def _usable(self) -> Bools:
        """Rows with a figure in every channel, at an engine speed above 0; each other one is a fault."""
        every = np.column_stack(list(self.raw.values()))
        ended = ~self._drawn() if self.mapping.file.pulls == "side-by-side" else np.isnan(every).all(axis=1)
        turning = np.asarray(self.raw["rpm"] > 0.0)
        whole = ~np.isnan(every).any(axis=1)
        for row in np.flatnonzero(~whole & ~ended).tolist():
            lacking = [channel for channel, values in self.raw.items() if np.isnan(values[row])]
            self._fault(row, f"no figure for {' and '.join(lacking)}")
        for row in np.flatnonzero(whole & ~turning).tolist():
            self._fault(row, f"engine speed {self.raw['rpm'][row]:g}: a pull takes only speeds above 0")
        named = np.ones_like(whole) if self.rows.pulls is None else ~np.isnan(self.rows.pulls)
        for row in np.flatnonzero(whole & turning & ~named).tolist():
            self._fault(row, "no run number: it belongs to no pull")
        return whole & turning & named

    def _fault(self, row: int, why: str) -> None:
        self.faults.append(RowFault(int(self.rows.lines[row]), why))

    def stacked(self) -> Iterator[Bools]:
        """Which rows belong to each pull."""
        if self.mapping.file.pulls != "stacked":
            if self.usable.any():
                yield self.usable
            return
        index = np.flatnonzero(self.usable)
        for piece in np.split(index, self._breaks(index)) if index.size else []:
            chosen = np.zeros_like(self.usable)
            chosen[piece] = True
            yield chosen

    def _breaks(self, index: NDArray[np.intp]) -> NDArray[np.intp]:
        """Where the run number is another; without one, where time starts again or pauses; without time, where engine
        speed falls at once."""
        if self.rows.pulls is not None:
            return np.flatnonzero(np.diff(self.rows.pulls[index])) + 1
        if "time" in self.raw:
            unit = unit_in(self.mapping.columns["time"].unit, "time")
            assert unit is not None
            step = np.diff(in_si(self.raw["time"][index], unit))
            usual = float(np.median(np.abs(step))) if step.size else 0.0
            return (
                np.flatnonzero((step < -BACK_STEPS * usual) | (step > max(PAUSE_S, PAUSE_STEPS * usual))) + 1
            )
        rpm = self.raw["rpm"][index]
        return np.flatnonzero(np.diff(rpm) < -FALL * float(np.ptp(rpm))) + 1

    def with_air(self, chosen: Bools, facts: Facts) -> Facts:
        """The facts with the air that stands in columns of its own, before what the header says; an air that runs away
        along the pull is none, and said."""
        for fact, values in self.rows.air.items():
            unit = unit_in(self.mapping.air[fact].unit, FACTS[fact])
            known = values[chosen & ~np.isnan(values)]
            if unit is None or not known.size:
                continue
            known = in_si(known, unit)
            low, high = float(np.min(known)), float(np.max(known))
            if high - low > STEADY[fact]:
                line = int(self.rows.lines[chosen][0])
                why = f"{fact.replace('_', ' ')} runs from {low:g} to {high:g}{IN[fact]} along the pull, which a bay's air does not: left out"
                self.faults.append(RowFault(line, why))
                continue
            told: dict[str, Any] = {FACT_FIELDS[fact]: rounded(float(np.median(known)))}
            other = {"humidity": "dew_point_c", "dew_point": "humidity"}.get(fact)
            facts = replace(facts, **told, **({} if other is None else {other: None}))
        return facts

    def pull(self, chosen: Bools, facts: Facts, barometer_kpa: float | None) -> FilePull | None:
        """The chosen rows as one pull in SI; None where there are too few."""
        lines = self.rows.lines[chosen]
        channels: dict[str, Floats] = {}
        barometer = facts.pressure_kpa if facts.pressure_kpa is not None else barometer_kpa
        for channel, values in self.raw.items():
            converted = self._in_si(channel, values[chosen], barometer)
            if converted is not None:
                channels[channel] = converted
        channels, kept = self._shifted(channels, lines)
        lines = lines[kept]
        if lines.size < 2:
            self.faults += [RowFault(int(line), "one row alone makes no pull") for line in lines]
            return None
        if not any(channel in channels for channel in ENGINE_CHANNELS):
            return None
        if "time" in channels:
            channels["time"] = channels["time"] - channels["time"][0]
        if self.mapping.file.rows == "rpm":  # a table has no order of its own
            order = np.argsort(channels["rpm"], kind="stable")
            channels = {channel: values[order] for channel, values in channels.items()}
        return FilePull(channels, facts, (int(lines[0]), int(lines[-1])))

    def _in_si(self, channel: str, values: Floats, barometer_kpa: float | None) -> Floats | None:
        column: Column = self.mapping.columns[channel]
        unit = unit_in(column.unit, CHANNELS[channel])
        if unit is None:
            raise Unreadable(
                f"columns.{channel}.unit: {column.unit!r} is not known; settle it in the mapping"
            )
        converted = in_si(values, unit, column.stoichiometric)
        if not (column.gauge or unit.gauge):
            return converted
        if barometer_kpa is None:
            why = (
                f"{channel} is a gauge's and the barometer is not known: left out; give the station pressure"
            )
            self.faults.append(RowFault(0, why))
            return None
        return converted + barometer_kpa

    def _shifted(
        self, channels: dict[str, Floats], lines: NDArray[np.int64]
    ) -> tuple[dict[str, Floats], Bools]:
        """Channels moved by their recorded lag. Where a moved one has no figure any more the row is left out."""
        lags = {channel: self.mapping.columns[channel].shift_s for channel in channels}
        lags = {channel: lag for channel, lag in lags.items() if lag}
        kept = np.ones(lines.size, dtype=np.bool_)
        if not lags:
            return channels, kept
        time = channels.get("time")
        if time is None or (np.diff(time) <= 0.0).any():
            why = f"{' and '.join(lags)} cannot be shifted: time does not rise from row to row; left out"
            self.faults.append(RowFault(0, why))
            return {channel: values for channel, values in channels.items() if channel not in lags}, kept
        for channel, lag in lags.items():
            assert lag is not None
            recorded = time + lag
            channels[channel] = np.interp(recorded, time, channels[channel])
            kept &= (recorded >= time[0]) & (recorded <= time[-1])
        for line in lines[~kept]:
            self.faults.append(
                RowFault(int(line), f"{' and '.join(lags)} shifted: no figure left for this row")
            )
        return {channel: values[kept] for channel, values in channels.items()}, kept
