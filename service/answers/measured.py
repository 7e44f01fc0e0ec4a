"""Other measures of the history that the model holds: their values, and the same questions answered about them.

The model's matrix stands; only its right-hand side changes. Another peak is read from the summaries, the rest from the
mean curves. What was read is carried from one state of the model to the next: only cars that changed are read again.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.answers.carried import Carried, nothing_read
from service.answers.figures import of_curve
from service.answers.model import PEAK, ModelState
from service.domain.history import Bools, Floats, Ints
from service.domain.measures import Measure
from service.stats.history.cells import CarEffects, Cell, CellColumns
from service.stats.history.system import Others, System
from service.store.curves import curves_of_setups
from service.store.db import Connection
from service.store.past import Past, past, past_of

CHUNK: Final = 2_000
"""Curves in memory at once (our choice: 4 MB)."""


@dataclass(frozen=True, slots=True)
class Solved:
    """The model's answers in one measure and standard: its own, or another it was solved for."""

    system: System
    other: Others | None

    def gain(
        self, part: int, platform: int, against: int = 0, beside: Mapping[int, float] | None = None
    ) -> Cell:
        """As System.gain."""
        if self.other is None:
            return self.system.gain(part, platform, against, beside)
        return only_column(self.other.gain(part, platform, against, beside))

    def build_of(self, platform: int, parts: Sequence[int], beside: Sequence[int] = ()) -> Cell:
        """As System.build_of."""
        if self.other is None:
            return self.system.build_of(platform, parts, beside)
        return only_column(self.other.build_of(platform, parts, beside))

    def beyond_their_sum(self, platform: int, parts: Sequence[int]) -> Floats:
        """As System.beyond_their_sum."""
        return (self.other or self.system).beyond_their_sum(platform, parts)

    def joint(self, platform: int, parts: Sequence[int]) -> tuple[Floats, Floats]:
        """As System.joint."""
        if self.other is None:
            return self.system.joint(platform, parts)
        means, covariance = self.other.joint(platform, parts)
        return means[:, 0], covariance[:, :, 0]

    def stock(self, platform: int) -> float | None:
        """The typical stock car's figure at the common level of the bays [kW or N.m]; None where it is not known."""
        level = self.system.levels(platform) if self.other is None else float(self.other.levels(platform)[0])
        return float(np.exp(level)) if np.isfinite(level) else None

    def cars(self, platform: int | None = None) -> CarEffects:
        """As System.cars."""
        return (self.other or self.system).cars(platform)

    def shop_spread(self) -> float:
        """As System.shop_spread."""
        return (self.other or self.system).shop_spread


def only_column(columns: CellColumns) -> Cell:
    """The gain in the one measure that was solved for."""
    scale = float(columns.scale[0])
    return replace(
        columns.cell,
        mean=float(columns.mean[0]),
        variance=float(columns.variance[0]),
        prior_variance=scale * columns.cell.prior_variance,
        elsewhere_variance=scale * columns.cell.elsewhere_variance,
        car_spread_variance=float(columns.car_spread_variance[0]),
    )


def solved_for(conn: Connection, state: ModelState, measure: Measure, standard: str) -> Solved:
    """The model in a measure and standard; kept with the state."""
    if measure == PEAK and standard == state.standard:
        return Solved(state.system, None)

    def solve(conn: Connection, state: ModelState) -> Solved:
        return Solved(state.system, state.system.solve_for(*values_of(conn, state, measure, standard)))

    return state.kept(conn, (measure, standard), solve)


def values_of(conn: Connection, state: ModelState, measure: Measure, standard: str) -> tuple[Ints, Floats]:
    """Setups and ln of a measure of each [n, 1], NaN where it is not known in the standard."""

    def read(vehicles: Vehicles) -> tuple[Past, Floats]:
        peak = measure if measure.is_peak else PEAK
        found = some_past(conn, peak, standard, vehicles)
        if measure.is_peak:
            values = found.history.value[:, np.newaxis]
        else:
            values = curve_values(conn, found, lambda grids, _: of_curve(grids, measure)[:, np.newaxis], 1)
        if standard != state.standard:
            gone = fell_out(conn, state, found, vehicles)
            values = np.where(gone[:, np.newaxis], np.nan, values)
        return found, values

    whole = carried_or_read(state, (measure, standard), read)
    return whole.setup_ids, whole.values


Vehicles = frozenset[int] | None
"""Whose setups are read; None: all."""


def carried_or_read(
    state: ModelState, key: tuple[object, ...], read: Callable[[Vehicles], tuple[Past, Floats]]
) -> Carried:
    """The values as they were read for an earlier state, with the cars that changed since read anew; else all read."""
    carried = state.read.get(key)
    if carried is None or carried.unread:
        found, values = read(None if carried is None else carried.unread)
        history = found.history
        whole = (carried or nothing_read(values.shape[1])).with_rows(
            history.setup_id, history.vehicle_id, values
        )
        state.read[key] = carried = whole
    return carried


def some_past(conn: Connection, measure: Measure, standard: str, vehicles: Vehicles) -> Past:
    """The history of all cars, or of some."""
    return past(conn, measure, standard) if vehicles is None else past_of(conn, measure, standard, vehicles)


def fell_out(conn: Connection, state: ModelState, read: Past, vehicles: Vehicles) -> Bools:
    """Which setups stand at the model's standard but not at the one that was read."""
    base = some_past(conn, PEAK, state.standard, vehicles).history
    levelled = base.setup_id[base.levelled]
    return np.isin(read.history.setup_id, levelled) & ~read.history.levelled


def curve_values(
    conn: Connection, read: Past, figure: Callable[[Floats, Ints], Floats], width: int
) -> Floats:
    """ln of a figure of every setup's mean curve [n, width]: `figure` gives it for curves [k, grid] and their rows."""
    values = np.full((len(read.history), width), np.nan)
    for rows, grids in mean_curves(conn, read.history.setup_id):
        found = figure(grids, rows) * read.ratio[rows, np.newaxis]
        values[rows] = np.log(np.where(found > 0.0, found, np.nan))
    return values


def mean_curves(conn: Connection, setup_ids: Ints) -> Iterator[tuple[Ints, Floats]]:
    """(rows, their mean torque curves on the grid [N.m]), some at a time."""
    for start in range(0, len(setup_ids), CHUNK):
        curves = curves_of_setups(conn, setup_ids[start : start + CHUNK].tolist())
        rows = [
            row for row in range(start, min(start + CHUNK, len(setup_ids))) if int(setup_ids[row]) in curves
        ]
        if rows:
            yield np.array(rows), np.array([curves[int(setup_ids[row])] for row in rows])
