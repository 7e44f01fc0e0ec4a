"""The model solved at the knots of a gain curve.

Knots lie at the same places of every platform's own range, so that a part's knots mean the same on each. A setup whose mean
curve does not reach over the whole range has no part in it: all knots then rest on the same setups and are solved together,
which costs a quarter of what it does apart. The range is where nearly all of a platform's curves reach.
"""

from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from service.answers.measured import Vehicles, carried_or_read, curve_values, some_past
from service.answers.model import PEAK, ModelState, Recipes
from service.domain.curve import GRID_RPM
from service.domain.history import Floats, Ints
from service.stats.history.system import Others
from service.store.db import Connection
from service.store.model_questions import reaches
from service.store.past import Past

KNOTS: Final = 25
"""Knots of a gain curve (our choice: 180 rpm apart on a range of 4,300)."""
REACHED_BY: Final = 0.9
"""Share of a platform's mean curves that reach either end of its range (our choice)."""

Ranges = dict[int, tuple[float, float]]
"""Between which speeds the knots of each platform lie [rpm]."""


@dataclass(frozen=True, slots=True)
class Knots:
    """The model solved at every knot of torque, and each platform's range [rpm]."""

    others: Others
    ranges: Ranges

    def rpm(self, platform: int) -> Floats | None:
        """A platform's knots; None where none of its setups has a curve."""
        found = self.ranges.get(platform)
        return None if found is None else np.linspace(*found, KNOTS)


def knots_solved(conn: Connection, state: ModelState, standard: str) -> Knots | None:
    """The model at every knot, kept with the state; None where no setup has a curve."""
    found = state.kept(conn, ("knots", standard), partial(solve_knots, standard=standard))
    return found if found.ranges else None


def knots_first(standard: str) -> Recipes:
    """The knots, to be solved before a large history's first state is shown: nearly every page asks for a curve."""
    return {("knots", standard): partial(solve_knots, standard=standard)}


def solve_knots(conn: Connection, state: ModelState, standard: str) -> Knots:
    """Read every setup's curve at its platform's knots, and solve the model for them."""
    ranges: Ranges = dict(state.ranges)

    def read(vehicles: Vehicles) -> tuple[Past, Floats]:
        found = some_past(conn, PEAK, standard, vehicles)
        platforms = found.history.platform_id
        for platform, ends in ranges_of(platforms, *reach_of(conn, found.history.setup_id)).items():
            ranges.setdefault(platform, ends)
        values = curve_values(
            conn, found, lambda grids, rows: at_knots(grids, platforms[rows], ranges), KNOTS
        )
        return found, np.where(np.isfinite(values).all(axis=1, keepdims=True), values, np.nan)

    whole = carried_or_read(state, ("knots", standard), read)
    state.ranges.update(ranges)
    others = state.system.solve_for(whole.setup_ids, whole.values)
    _ = others.correlation  # every curve asks for it, and it takes in all setups
    return Knots(others, ranges)


def reach_of(conn: Connection, setup_ids: Ints) -> tuple[Floats, Floats]:
    """First and last speed of each setup's mean curve [rpm]; NaN without one."""
    first, last = np.full(len(setup_ids), np.nan), np.full(len(setup_ids), np.nan)
    place = {int(setup): row for row, setup in enumerate(setup_ids)}
    for setup, start, knots in reaches(conn, place):
        first[place[setup]], last[place[setup]] = GRID_RPM[start], GRID_RPM[start + knots - 1]
    return first, last


def ranges_of(platforms: Ints, first: Floats, last: Floats) -> Ranges:
    """Between which speeds nearly all of each platform's curves run [rpm]."""
    ranges: Ranges = {}
    for platform in np.unique(platforms).tolist():
        own = (platforms == platform) & np.isfinite(first)
        if own.any():
            low = float(np.quantile(first[own], REACHED_BY, method="inverted_cdf"))
            high = float(np.quantile(last[own], 1.0 - REACHED_BY, method="inverted_cdf"))
            if low < high:
                ranges[platform] = low, high
    return ranges


def at_knots(grids: Floats, platforms: Ints, ranges: Ranges) -> Floats:
    """Mean torque curves read at their platforms' knots [k, KNOTS], NaN where they do not reach."""
    found = np.full((len(grids), KNOTS), np.nan)
    step = GRID_RPM[1] - GRID_RPM[0]
    for platform in np.unique(platforms).tolist():
        if platform not in ranges:
            continue
        own = platforms == platform
        place = (np.linspace(*ranges[platform], KNOTS) - GRID_RPM[0]) / step
        below = np.minimum(place.astype(np.int64), GRID_RPM.size - 2)
        part = place - below
        under, over = grids[own][:, below], grids[own][:, below + 1]
        # At a knot of the grid the next one need not be reached.
        found[own] = np.where(part > 1e-9, (1.0 - part) * under + part * over, under)
    return found
