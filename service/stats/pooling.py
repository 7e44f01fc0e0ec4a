"""Pooling of studies: here a study is one car's measured gain and its variance.

Words: tau2, variance of the true gains between cars; weight, 1 / (v + tau2); q, square root of the weighted mean
square about the pooled mean, by which Hartung and Knapp scale its standard error; next, what one more car may show.

tau2 by Paule & Mandel (1982, J. Res. NBS 87:377); interval by Hartung & Knapp (2001, Stat. Med. 20:3875), t with
k - 1 degrees of freedom; prediction interval by Higgins, Thompson & Spiegelhalter (2009, J. R. Stat. Soc. A 172:137),
t with k - 2. Where q is below 1 the Hartung-Knapp interval would be narrower than the plain one; `never_narrower`
holds the factor at 1 or more (our choice). No interval is given below three studies (our choice: with two the t
quantile says only that nothing is known).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]

MIN_STUDIES: Final = 3  # our choice, see above
MAX_STEPS: Final = 200  # Newton's steps; published sets need 4 to 12
TOLERANCE: Final = 1e-12  # of a step, relative to tau2 plus the mean variance
METHOD: Final = "paule-mandel, hartung-knapp"
METHOD_NARROW: Final = "paule-mandel, hartung-knapp (may be narrower than wald)"


@dataclass(frozen=True, slots=True)
class PooledGain:
    """A pooled mean and its uncertainty, in the unit of the studies.

    se is the Hartung-Knapp standard error, se_wald the plain one; q is None for a single study; the intervals are
    None below three studies.
    """

    k: int
    mean: float
    se: float
    tau2: float
    interval: tuple[float, float] | None
    next_interval: tuple[float, float] | None
    level: float
    method: str
    q: float | None
    se_wald: float


@dataclass(frozen=True, slots=True)
class PooledTable:
    """Every column of a table pooled, before a level is asked: mean, its standard error, one more study's standard
    deviation, tau2, and studies of each column."""

    mean: Floats
    se: Floats
    next_sd: Floats
    tau2: Floats
    k: NDArray[np.int64]

    def at_level(self, level: float) -> PooledColumns:
        """With intervals of a level [0..1]; NaN where a column has too few studies."""
        enough = self.k >= MIN_STUDIES
        half = np.where(enough, _quantile(self.k - 1, level) * self.se, np.nan)
        further = np.where(enough, _quantile(self.k - 2, level) * self.next_sd, np.nan)
        mean = self.mean
        return PooledColumns(
            mean, mean - half, mean + half, mean - further, mean + further, self.k, self.tau2
        )


@dataclass(frozen=True, slots=True)
class PooledColumns:
    """`PooledGain` for every column of a table at once; NaN where a column has too few studies."""

    mean: Floats
    low: Floats
    high: Floats
    next_low: Floats
    next_high: Floats
    k: NDArray[np.int64]
    tau2: Floats


def paule_mandel(y: ArrayLike, v: ArrayLike) -> float:
    """Between-study variance at which the weighted squares add up to k - 1; 0 where they are fewer already.

    Parameters: y, study results [any unit], shape [k]; v, their variances [unit squared], shape [k] or [].
    """
    values, variances = _checked(y, v)
    return _tau2(values, variances)


def pool(
    y: ArrayLike, v: ArrayLike, level: float = 0.9, never_narrower: bool = True, shared: float = 0.0
) -> PooledGain:
    """Random-effects mean of one or more studies.

    Parameters: y, study results [any unit], shape [k]; v, their variances [unit squared], shape [k] or [];
    level, of both intervals [0..1]; never_narrower, hold the Hartung-Knapp factor at 1 or more; shared, variance of
    the mean by an error that studies have in common [unit squared], added to what their scatter says.
    """
    values, variances = _checked(y, v)
    k = values.size
    tau2 = _tau2(values, variances)
    weights = 1.0 / (variances + tau2)
    total = float(np.add.reduce(weights))
    mean = float(weights @ values) / total
    q = _scale(values - mean, weights)
    factor = 1.0 if q is None else max(1.0, q) if never_narrower else q
    pooled = PooledGain(
        k=k,
        mean=mean,
        se=math.sqrt(factor**2 / total + shared),
        tau2=tau2,
        interval=None,
        next_interval=None,
        level=level,
        method=METHOD if never_narrower else METHOD_NARROW,
        q=q,
        se_wald=math.sqrt(1.0 / total + shared),
    )
    return at_level(pooled, level)


def at_level(pooled: PooledGain, level: float) -> PooledGain:
    """The same mean with intervals of another level [0..1]: nothing is pooled anew."""
    if pooled.k < MIN_STUDIES:
        return replace(pooled, level=level)
    mean, next_sd = pooled.mean, math.sqrt(pooled.tau2 + pooled.se_wald**2)
    return replace(
        pooled,
        level=level,
        interval=_around(mean, pooled.se, pooled.k - 1, level),
        next_interval=_around(mean, next_sd, pooled.k - 2, level),
    )


def chance_above(pooled: PooledGain, threshold: float) -> float | None:
    """Chance that one more study's true value is above a threshold, by the predictive t; None below three studies."""
    if pooled.k < MIN_STUDIES:
        return None
    spread = math.sqrt(pooled.tau2 + pooled.se_wald**2)
    return float(stdtr(pooled.k - 2, (pooled.mean - threshold) / spread))


def pool_columns(
    y: ArrayLike, v: ArrayLike, level: float = 0.9, never_narrower: bool = True, shared: float = 0.0
) -> PooledColumns:
    """`pool` for every column of a table; parameters as for `pool_table`, level as for `pool`."""
    return pool_table(y, v, never_narrower, shared).at_level(level)


def pool_table(y: ArrayLike, v: ArrayLike, never_narrower: bool = True, shared: float = 0.0) -> PooledTable:
    """Every column of a table pooled, NaN marking a study that does not reach a column.

    Parameters: y, study results, shape [k, m]; v, their variances, shape [k, m] or [k]; never_narrower and shared as
    for `pool`.
    """
    values, variances, present = _checked_table(y, v)
    count = present.sum(axis=0)
    tau2 = _tau2_columns(values, variances, present, count)
    weights = present / (variances + tau2)
    total = weights.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(count > 0, (weights * values).sum(axis=0) / total, np.nan)
        mean_square = (weights * (values - mean) ** 2).sum(axis=0) / (count - 1)
        factor2 = np.maximum(1.0, mean_square) if never_narrower else mean_square
        se, next_sd = np.sqrt(factor2 / total + shared), np.sqrt(tau2 + 1.0 / total + shared)
    return PooledTable(mean, se, next_sd, np.where(count > 0, tau2, np.nan), count)


def _checked(y: ArrayLike, v: ArrayLike) -> tuple[Floats, Floats]:
    values = np.atleast_1d(np.asarray(y, dtype=np.float64))
    variances = np.asarray(v, dtype=np.float64)
    if variances.shape != values.shape:
        variances = np.broadcast_to(variances, values.shape)
    if values.ndim != 1 or values.size == 0:
        raise ValueError(f"y: shape {values.shape} holds nothing to pool; give one or more studies")
    if not (np.isfinite(values).all() and _usable(variances)):
        raise ValueError(
            "y, v: results must be finite, and variances finite and above 0; leave such a study out"
        )
    return values, variances


def _usable(variances: Floats) -> bool:
    return bool(variances.min() > 0.0 and np.isfinite(variances.max()))


def _checked_table(y: ArrayLike, v: ArrayLike) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    values = np.asarray(y, dtype=np.float64)
    variances = np.asarray(v, dtype=np.float64)
    if values.ndim != 2 or variances.shape not in ((values.shape[0],), values.shape):
        raise ValueError(f"y, v: shapes {values.shape} and {variances.shape}; give [k, m] and [k, m] or [k]")
    if variances.ndim == 1:
        variances = variances[:, np.newaxis]
    present = ~np.isnan(values)
    if np.isinf(values).any() or not (present <= ((variances > 0.0) & np.isfinite(variances))).all():
        raise ValueError("y, v: results must be finite or NaN, and variances finite and above 0")
    return np.where(present, values, 0.0), np.where(present, variances, 1.0), present


def _scale(residuals: Floats, weights: Floats) -> float | None:
    """q: root of the weighted mean square about the mean."""
    if residuals.size < 2:
        return None
    return math.sqrt(float((weights * residuals) @ residuals) / (residuals.size - 1))


def _tau2(values: Floats, variances: Floats) -> float:
    """Paule-Mandel by Newton's method from the left.

    The weighted square sum falls and is convex in tau2, so steps from the left of the root never pass it. Twice
    over the left: 0, and the sample variance less the largest study variance (the sum is at least the unweighted
    squares over tau2 + largest v).
    """
    df = values.size - 1
    if df == 0:
        return 0.0
    centred = values - values.mean()
    tau2 = max(0.0, float(centred @ centred) / df - float(variances.max()))
    for _ in range(MAX_STEPS):
        weights = 1.0 / (variances + tau2)
        total = float(np.add.reduce(weights))
        residuals = centred - float(weights @ centred) / total
        weighted = weights * residuals
        excess = float(weighted @ residuals) - df
        step = excess / float(weighted @ weighted) if excess > 0.0 else 0.0
        tau2 += step
        if step <= TOLERANCE * (tau2 + df / total):
            break
    return tau2


def _tau2_columns(
    values: Floats, variances: Floats, present: NDArray[np.bool_], count: NDArray[np.int64]
) -> Floats:
    """`_tau2` for every column; an absent study has weight 0."""
    df = np.maximum(count - 1, 0)
    share = present / np.maximum(count, 1)
    centred = (values - (share * values).sum(axis=0)) * present
    largest = np.where(present, variances, 0.0).max(axis=0)
    tau2 = np.maximum(0.0, (centred**2).sum(axis=0) / np.maximum(df, 1) - largest)
    for _ in range(MAX_STEPS):
        weights = present / (variances + tau2)
        total = np.maximum(weights.sum(axis=0), np.finfo(np.float64).tiny)
        residuals = centred - np.einsum("ij,ij->j", weights, centred) / total
        weighted = weights * residuals
        excess = np.maximum(np.einsum("ij,ij->j", weighted, residuals) - df, 0.0)
        slope = np.einsum("ij,ij->j", weighted, weighted)
        step = np.divide(excess, slope, out=np.zeros_like(excess), where=(excess > 0.0) & (slope > 0.0))
        tau2 = tau2 + step
        if (step <= TOLERANCE * (tau2 + df / total)).all():
            break
    found: Floats = tau2
    return found


def _around(mean: float, se: float, df: int, level: float) -> tuple[float, float]:
    half = t_quantile(df, level) * se
    return mean - half, mean + half


@lru_cache(maxsize=1024)
def t_quantile(df: int, level: float) -> float:
    """Two-sided quantile of Student's t: the level lies between minus it and it."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"level: {level:g} is outside 0..1; 90 % is 0.9")
    return float(stdtrit(df, 0.5 + level / 2.0))


def _quantile(df: NDArray[np.int64], level: float) -> Floats:
    """Two-sided t quantile for each degrees of freedom; asked once for each that occurs."""
    most = max(int(df.max(initial=1)), 1)
    table = np.full(most + 1, np.nan)
    occurring = np.unique(df[df > 0])
    table[occurring] = [t_quantile(int(each), level) for each in occurring]
    quantiles: Floats = table[np.maximum(df, 0)]
    return quantiles
