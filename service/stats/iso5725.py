"""Precision of a planned study, in the terms of ISO 5725: the same thing measured in several laboratories (here: bays).

Vocabulary: `repeatability` s_r, the spread of repeats under the same conditions; `between` s_L, of the laboratories' true
levels; `reproducibility` s_R, s_R^2 = s_r^2 + s_L^2; a `limit` is what two single results keep within 95 times in 100,
1.96 sqrt(2) standard deviations, printed as 2.8. h and k are Mandel's consistency statistics of a laboratory's mean and
spread. A negative s_L^2 is set to nought: reproducibility is never better than repeatability.

ISO 5725-2:1994 7.4.5 (unequal numbers of repeats) and ASTM E691, both from memory; the crossed study of cars, bays and
repeats is the two-way analysis of variance of gauge studies (AIAG MSA), whose interaction is pooled with the repeats
unless it is significant at 25 %.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

Floats = NDArray[np.float64]

LIMIT_FACTOR: Final = 2.8  # ISO 5725-6: 1.96 sqrt(2), rounded
POOLED_ABOVE: Final = 0.25  # AIAG MSA: an interaction this likely by chance is none


@dataclass(frozen=True, slots=True)
class Precision:
    """Precision of one level of a study [unit of the results].

    means and spreads by laboratory; h and k Mandel's statistics, k 0 where nothing scatters.
    """

    mean: float
    repeatability: float
    between: float
    reproducibility: float
    spread_of_means: float
    means: tuple[float, ...]
    spreads: tuple[float, ...]
    h: tuple[float, ...]
    k: tuple[float, ...]

    @property
    def repeatability_limit(self) -> float:
        """What two results of one laboratory keep within 95 times in 100."""
        return LIMIT_FACTOR * self.repeatability

    @property
    def reproducibility_limit(self) -> float:
        """What results of two laboratories keep within 95 times in 100."""
        return LIMIT_FACTOR * self.reproducibility


@dataclass(frozen=True, slots=True)
class Crossed:
    """Every car in every bay, repeated [unit of the results].

    repeatability, of repeats; bays, between bays with their interaction with cars; cars, between cars; reproducibility,
    bays and repeats together; sums of squares and degrees of freedom of bays, cars, interaction, repeats.
    """

    repeatability: float
    bays: float
    reproducibility: float
    cars: float
    interaction_ratio: float
    pooled: bool
    squares: tuple[float, float, float, float]
    df: tuple[int, int, int, int]


def precision(laboratories: Sequence[ArrayLike]) -> Precision:
    """Repeatability and reproducibility from each laboratory's repeats, equally many or not.

    Parameters: laboratories, results of each [any unit], at least two with one repeat or more, one of them with two.
    """
    groups = [np.asarray(one, dtype=np.float64) for one in laboratories]
    if len(groups) < 2 or min(one.size for one in groups) < 1 or max(one.size for one in groups) < 2:
        raise ValueError(
            f"laboratories: {[one.size for one in groups]} results; give two or more, one with repeats"
        )
    sizes = np.array([one.size for one in groups], dtype=np.float64)
    means = np.array([one.mean() for one in groups])
    within = np.array([float(((one - one.mean()) ** 2).sum()) for one in groups])
    total, p = float(sizes.sum()), len(groups)
    grand = float(sizes @ means) / total
    s_r2 = float(within.sum()) / (total - p)
    s_d2 = float(sizes @ (means - grand) ** 2) / (p - 1)
    repeats = (total - float(sizes @ sizes) / total) / (p - 1)
    s_l2 = max(0.0, (s_d2 - s_r2) / repeats)
    spread_of_means = float(means.std(ddof=1))
    spreads = np.sqrt(within / np.maximum(sizes - 1.0, 1.0))
    return Precision(
        mean=grand,
        repeatability=math.sqrt(s_r2),
        between=math.sqrt(s_l2),
        reproducibility=math.sqrt(s_r2 + s_l2),
        spread_of_means=spread_of_means,
        means=tuple(means.tolist()),
        spreads=tuple(spreads.tolist()),
        h=tuple(_over(means - means.mean(), spread_of_means).tolist()),
        k=tuple(_over(spreads, math.sqrt(s_r2)).tolist()),
    )


def crossed(results: ArrayLike) -> Crossed:
    """Components of a study in which every bay measured every car equally often.

    Parameters: results [any unit], shape [bays, cars, repeats], at least two of each.
    """
    y = np.asarray(results, dtype=np.float64)
    if y.ndim != 3 or min(y.shape) < 2:
        raise ValueError(f"results: shape {y.shape}; give [bays, cars, repeats], two or more of each")
    bays, cars, repeats = y.shape
    cell, by_bay, by_car, grand = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), float(y.mean())
    squares = (
        cars * repeats * float(((by_bay - grand) ** 2).sum()),
        bays * repeats * float(((by_car - grand) ** 2).sum()),
        repeats * float(((cell - by_bay[:, None] - by_car + grand) ** 2).sum()),
        float(((y - cell[:, :, None]) ** 2).sum()),
    )
    df = (bays - 1, cars - 1, (bays - 1) * (cars - 1), bays * cars * (repeats - 1))
    ms_bay, ms_car, ms_both, ms_repeat = (ss / n for ss, n in zip(squares, df, strict=True))
    ratio = ms_both / ms_repeat if ms_repeat > 0.0 else math.inf
    pooled = float(fdtrc(df[2], df[3], ratio)) > POOLED_ABOVE
    error = (squares[2] + squares[3]) / (df[2] + df[3]) if pooled else ms_repeat
    against = error if pooled else ms_both
    both = 0.0 if pooled else max(0.0, (ms_both - ms_repeat) / repeats)
    bay = max(0.0, (ms_bay - against) / (cars * repeats)) + both
    car = max(0.0, (ms_car - against) / (bays * repeats))
    return Crossed(
        repeatability=math.sqrt(error),
        bays=math.sqrt(bay),
        reproducibility=math.sqrt(error + bay),
        cars=math.sqrt(car),
        interaction_ratio=ratio,
        pooled=pooled,
        squares=squares,
        df=df,
    )


def _over(values: Floats, by: float) -> Floats:
    return values / by if by > 0.0 else np.zeros_like(values)
