"""Columns without names: told by their figures where only one reading is possible, else described for a person to name.

Sure is one thing only: three columns of which one is power, one torque and one engine speed, because power is torque times
speed in one pair of units (ratio.py). A column that rises in even steps of a fraction is the time beside them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Final

import numpy as np

from service.tables.errors import Unreadable
from service.tables.ratio import CONSTANT, Pair, Ratio, pairs_near, ratio
from service.tables.records import Floats

SLOWEST_TOP_RPM: Final = 2000.0
FASTEST_RPM: Final = 30_000.0
"""Between them lies the fastest row of a pull, and above everything a torque or power is written as; our choice."""
WIDEST_OF_ONE: Final = (
    1.3  # a pull's engine speed at its end over that at its beginning, at least; our choice
)
RISING: Final = (
    0.6  # share of rows in which the engine speed of a pull rises, or falls in a table by rpm; our choice
)
EVEN: Final = 0.02  # how far the steps of a clock may differ, as a share; our choice
LONGEST_STEP_S: Final = 0.5  # between two rows of a trace in time; our choice
MOST_COLUMNS: Final = 24  # that are tried against each other; our choice


@dataclass(frozen=True)
class Told:
    """Which column (from 0) is which, in which unit, and the figures that say so."""

    power: int
    torque: int
    rpm: int
    time: int | None
    pair: Pair
    k: float

    @property
    def units(self) -> dict[int, str]:
        """The unit of each column that was told."""
        units = {self.power: self.pair.power, self.torque: self.pair.torque, self.rpm: "rpm"}
        return units if self.time is None else {**units, self.time: "s"}

    @property
    def channels(self) -> dict[int, str]:
        """The channel of each column that was told."""
        channels = {self.power: "power", self.torque: "torque", self.rpm: "rpm"}
        return channels if self.time is None else {**channels, self.time: "time"}


def told_by_figures(columns: Sequence[Floats]) -> Told:
    """Which column is which. Raises Unreadable where that is not sure, with what each column holds."""
    found = list(_triples(columns))
    if len(found) == 1:
        power, torque, rpm, pair, k = found[0]
        taken = {power, torque, rpm}
        clocks = [i for i, values in enumerate(columns) if i not in taken and _is_clock(values, columns[rpm])]
        return Told(power, torque, rpm, clocks[0] if len(clocks) == 1 else None, pair, k)
    if found:
        each = (", ".join(str(i + 1) for i in sorted({p, t, n})) for p, t, n, _, _ in found)
        why = f"columns {' or '.join(dict.fromkeys(each))} go together, and one may be a corrected copy"
    else:
        why = "no three of them are power, torque and engine speed in units that can be told"
    described = "; ".join(f"column {i + 1}, {holds(values)}" for i, values in enumerate(columns))
    raise Unreadable(
        f"the columns are without names, and {why}: {described}; write a mapping that says by number which is the engine "
        "speed, and which torque or power"
    )


def _triples(columns: Sequence[Floats]) -> Iterator[tuple[int, int, int, Pair, float]]:
    """Every reading of three columns as power, torque and engine speed that one pair of units allows."""
    speeds = [i for i, values in enumerate(columns[:MOST_COLUMNS]) if may_be_speed(values)]
    others = [i for i, values in enumerate(columns[:MOST_COLUMNS]) if _may_be_drawn(values)]
    for rpm in speeds:
        for power, torque in permutations(others, 2):
            found = _ratio(columns[power], columns[torque], columns[rpm])
            if found is None or found.spread > CONSTANT:
                continue
            for pair in pairs_near(found):
                yield power, torque, rpm, pair, found.k


def _ratio(power: Floats, torque: Floats, rpm: Floats) -> Ratio | None:
    known = np.isfinite(power) & np.isfinite(torque) & np.isfinite(rpm)
    return ratio(power[known], torque[known], rpm[known])


def may_be_speed(values: Floats) -> bool:
    """Whether a pull's engine speed may run so."""
    known = values[np.isfinite(values)]
    if known.size < 3 or np.min(known) <= 0.0 or not SLOWEST_TOP_RPM <= np.max(known) <= FASTEST_RPM:
        return False
    steps = np.diff(known)
    one_way = max(float(np.mean(steps > 0.0)), float(np.mean(steps < 0.0)))
    return bool(np.max(known) >= WIDEST_OF_ONE * np.min(known)) and one_way >= RISING


def _may_be_drawn(values: Floats) -> bool:
    known = values[np.isfinite(values)]
    return bool(known.size >= 3 and 0.0 < np.max(known) < SLOWEST_TOP_RPM)


def _is_clock(values: Floats, rpm: Floats) -> bool:
    """Even steps of a fraction of a second, from nought or later. Whole steps may count rows, and what goes with engine
    speed in proportion is that speed again."""
    if not np.isfinite(values).all() or values.size < 3 or values[0] < 0.0:
        return False
    steps = np.diff(values)
    usual = float(np.median(steps))
    even = bool(usual > 0.0 and np.all(np.abs(steps - usual) <= EVEN * usual + 0.0011))
    proportion = values / rpm
    return even and usual <= LONGEST_STEP_S and float(np.ptp(proportion)) > EVEN * float(np.max(proportion))


def holds(values: Floats) -> str:
    """What a column holds, for a person who may name it."""
    known = values[np.isfinite(values)]
    if not known.size:
        return "no figures"
    rises = " and only rises" if known.size > 2 and np.all(np.diff(known) > 0.0) else ""
    return f"{np.min(known):g} to {np.max(known):g}{rises}"
