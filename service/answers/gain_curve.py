"""Gain over the rev range: every car's ratio curve, pooled at each knot of the grid."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.curve import GRID_RPM
from service.stats.history.curves import Stretch, clear_stretches
from service.stats.pooling import MIN_STUDIES, PooledTable, pool_table
from service.store.evidence import PairRow

LEAST_SHARE_OF_CARS = 0.5
"""Knots that fewer of the cars reach are not drawn: the set of cars would change along the axis (our choice)."""

Curve = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class GainCurve:
    """Pooled gain in logs at each drawn knot, its interval and one more car's, the typical baseline torque [N.m]."""

    rpm: Curve
    mean: Curve
    low: Curve
    high: Curve
    next_low: Curve
    next_high: Curve
    cars: NDArray[np.int64]
    base_torque_nm: Curve
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class GainStates:
    """Of each car with curves: ln(with / without) on the drawn knots, and its pair's variance; the typical baseline
    torque [N.m]."""

    rpm: Curve
    gains: Curve
    variances: Curve
    base_torque_nm: Curve


@dataclass(frozen=True, slots=True)
class PooledStates:
    """The cars pooled at each drawn knot [ln], and the typical baseline torque [N.m]: all that no level changes."""

    rpm: Curve
    pooled: PooledTable
    base_torque_nm: Curve


def gain_states(
    used: Sequence[tuple[PairRow, float, Sequence[float]]], curves: Mapping[int, Curve]
) -> GainStates | None:
    """The state curves of the cars used, given each one's pair, its variance and what brings its sides to one level.

    None where no car has curves, or no knot is reached by enough of them.
    """
    drawn = [one for one in used if has_curves(one[0], curves)]
    if not drawn:
        return None
    with_ = log_curves([(curves[row.with_.setup_id], ratios[0]) for row, _, ratios in drawn])
    without = log_curves([(curves[row.without.setup_id], ratios[1]) for row, _, ratios in drawn])
    for i, (row, _, ratios) in enumerate(drawn):
        if row.again is not None and row.again_share is not None:
            again = log_curves([(curves[row.again.setup_id], ratios[2])])[0]
            state = with_ if row.again_is_with else without
            state[i] = (1.0 - row.again_share) * state[i] + row.again_share * again
    gains = with_ - without
    reached = np.isfinite(gains).sum(axis=0)
    knots = np.flatnonzero(reached >= max(1, int(np.ceil(LEAST_SHARE_OF_CARS * len(drawn)))))
    if not len(knots):
        return None
    variances = np.array([variance for _, variance, _ in drawn])
    base = np.exp(np.nanmean(np.where(np.isfinite(gains), without, np.nan)[:, knots], axis=0))
    return GainStates(GRID_RPM[knots], gains[:, knots], variances, base)


def pooled_states(states: GainStates, shared: float) -> PooledStates:
    """The states pooled over the cars; `shared` is the variance that all of them have in common."""
    pooled = pool_table(states.gains, states.variances, shared=shared)
    return PooledStates(states.rpm, pooled, states.base_torque_nm)


def gain_curve(states: PooledStates, level: float) -> GainCurve:
    """The pooled curve, with intervals of a level."""
    pooled = states.pooled.at_level(level)
    few = pooled.k < MIN_STUDIES
    low, high, next_low, next_high = (
        np.where(few, np.nan, side) for side in (pooled.low, pooled.high, pooled.next_low, pooled.next_high)
    )
    clear = clear_stretches(states.rpm, low, high)
    return GainCurve(
        states.rpm, pooled.mean, low, high, next_low, next_high, pooled.k, states.base_torque_nm, clear
    )


def has_curves(row: PairRow, curves: Mapping[int, Curve]) -> bool:
    """Whether both sides of a pair (and the repeat) have a curve."""
    again = row.again is None or row.again.setup_id in curves
    return again and row.with_.setup_id in curves and row.without.setup_id in curves


def log_curves(levelled: Sequence[tuple[Curve, float]]) -> Curve:
    """ln torque of mean curves, each times its ratio; NaN where it is not known or not positive. Shape [curves, 231]."""
    torque = np.array([grid for grid, _ in levelled]) * np.array([[ratio] for _, ratio in levelled])
    return np.log(np.where(torque > 0, torque, np.nan))
