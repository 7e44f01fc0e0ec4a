"""Gain over the rev range: every car's ratio curve, pooled at each knot of the grid."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.answers.figures import pair_ratios
from service.domain.curve import GRID_RPM
from service.stats.pooling import MIN_STUDIES, pool_columns
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


def gain_curve(
    used: Sequence[tuple[PairRow, float]], curves: Mapping[int, Curve], standard: str, level: float
) -> GainCurve | None:
    """The pooled curve of the cars used, given each one's pair and its variance; None where none has a curve."""
    drawn = [(row, variance) for row, variance in used if has_curves(row, curves)]
    if not drawn:
        return None
    states = [state_curves(row, curves, standard) for row, _ in drawn]
    without = np.array([state[1] for state in states])
    gains = np.array([state[0] for state in states]) - without
    reached = np.isfinite(gains).sum(axis=0)
    knots = np.flatnonzero(reached >= max(1, int(np.ceil(LEAST_SHARE_OF_CARS * len(drawn)))))
    if not len(knots):
        return None
    pooled = pool_columns(gains[:, knots], np.array([variance for _, variance in drawn]), level)
    few = pooled.k < MIN_STUDIES
    hidden = [
        np.where(few, np.nan, side) for side in (pooled.low, pooled.high, pooled.next_low, pooled.next_high)
    ]
    base = np.exp(np.nanmean(np.where(np.isfinite(gains), without, np.nan)[:, knots], axis=0))
    low, high, next_low, next_high = hidden
    return GainCurve(GRID_RPM[knots], pooled.mean, low, high, next_low, next_high, pooled.k, base)


def has_curves(row: PairRow, curves: Mapping[int, Curve]) -> bool:
    """Whether both sides of a pair (and the repeat) have a curve."""
    sides = [row.with_, row.without] + ([row.again] if row.again is not None else [])
    return all(side.setup_id in curves for side in sides)


def state_curves(row: PairRow, curves: Mapping[int, Curve], standard: str) -> tuple[Curve, Curve]:
    """ln torque of both states of a pair (with, without) on the grid, at one level; a repeated state is taken between
    its two readings."""
    sides = [row.with_, row.without] + ([row.again] if row.again is not None else [])
    ratios, _ = pair_ratios(sides, standard)
    logs = [log_curve(curves[side.setup_id], ratio) for side, ratio in zip(sides, ratios, strict=True)]
    if row.again is not None and row.again_share is not None:
        repeated = 0 if row.again_is_with else 1
        logs[repeated] = (1.0 - row.again_share) * logs[repeated] + row.again_share * logs[2]
    return logs[0], logs[1]


def log_curve(grid: Curve, ratio: float) -> Curve:
    """ln torque of a mean curve; NaN where it is not known or not positive."""
    torque = grid * ratio
    return np.log(np.where(torque > 0, torque, np.nan))
