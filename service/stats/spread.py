"""How a group of values lies, and where one value lies in it.

Quantiles are of the (n + 1) p definition (Hyndman & Fan 1996, type 6), which NIST's e-Handbook 7.2.6.2 prints and
reference intervals use. Shares carry Wilson's score interval (Wilson 1927), which stays inside 0..1 and is honest
at none of n.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

MIN_FOR_PERCENTILE: Final = 10  # common practice, no source: fewer values place nothing
QUANTILE_PROBS: Final = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)  # our choice
QUANTILE_METHOD: Final = "weibull"  # numpy's name of type 6


@dataclass(frozen=True, slots=True)
class Share:
    """A share of a group and its Wilson interval [0..1]."""

    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Spread:
    """A described group; sd is None for a single value, quantiles pair each probability with its value."""

    n: int
    mean: float
    median: float
    sd: float | None
    quantiles: tuple[tuple[float, float], ...]
    above_mean: Share
    below_mean: Share
    level: float


def wilson(successes: float, n: int, level: float = 0.9) -> tuple[float, float]:
    """Score interval of a share [0..1].

    Parameters: successes, how many of n (halves are allowed, for ties); n, how many in all; level [0..1].
    """
    if n < 1 or not 0.0 <= successes <= n:
        raise ValueError(f"successes: {successes:g} of {n} is no share; give 0..n of at least one")
    z2 = float(ndtri(0.5 + level / 2.0)) ** 2
    share = successes / n
    centre = (share + z2 / (2.0 * n)) / (1.0 + z2 / n)
    half = math.sqrt(z2 * (share * (1.0 - share) / n + z2 / (4.0 * n * n))) / (1.0 + z2 / n)
    low = 0.0 if successes == 0 else centre - half
    high = 1.0 if successes == n else centre + half
    return low, high


def quantiles(values: ArrayLike, probs: Sequence[float] = QUANTILE_PROBS) -> Floats:
    """Quantiles of the (n + 1) p definition; beyond the outermost ranks the lowest or highest value."""
    group = _group(values)
    return np.asarray(np.quantile(group, probs, method="weibull"), dtype=np.float64)


def describe(values: ArrayLike, level: float = 0.9) -> Spread:
    """Number, centre, spread and quantiles of a group, and how many lie above and below its mean.

    Values equal to the mean are counted on neither side. Parameters: values, finite, one or more; level, of the
    shares' intervals [0..1].
    """
    group = _group(values)
    mean = float(group.mean())
    return Spread(
        n=group.size,
        mean=mean,
        median=float(np.median(group)),
        sd=float(group.std(ddof=1)) if group.size > 1 else None,
        quantiles=tuple(zip(QUANTILE_PROBS, quantiles(group).tolist(), strict=True)),
        above_mean=_share(int((group > mean).sum()), group.size, level),
        below_mean=_share(int((group < mean).sum()), group.size, level),
        level=level,
    )


def at_level(spread: Spread, level: float) -> Spread:
    """The same group with its shares' intervals at another level [0..1]."""
    above, below = (
        _share(round(one.share * spread.n), spread.n, level) for one in (spread.above_mean, spread.below_mean)
    )
    return replace(spread, above_mean=above, below_mean=below, level=level)


def percentile_of(value: float, values: ArrayLike, level: float = 0.9) -> tuple[float, float, float] | None:
    """Where a value lies among others, and the interval of it [0..100]; None under ten values.

    The mid-rank: those below count whole, those equal count half. The interval is Wilson's for the share below:
    how well this many others know where the value lies in all such cars, not how well the value itself is known.
    """
    group = _group(values)
    if group.size < MIN_FOR_PERCENTILE:
        return None
    below = float((group < value).sum()) + float((group == value).sum()) / 2.0
    low, high = wilson(below, group.size, level)
    return 100.0 * below / group.size, 100.0 * low, 100.0 * high


def _group(values: ArrayLike) -> Floats:
    group = np.asarray(values, dtype=np.float64)
    if group.ndim != 1 or group.size == 0:
        raise ValueError(f"values: shape {group.shape} is no group; give a list of one or more")
    if not np.isfinite(group).all():
        raise ValueError("values: every value must be finite; leave unknown ones out")
    return group


def _share(count: int, n: int, level: float) -> Share:
    low, high = wilson(count, n, level)
    return Share(count / n, low, high)
