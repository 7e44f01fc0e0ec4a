"""One value and its noise for every setup: heat taken out, the best of several brought down to their mean.

A setup's pulls read lower one after another as parts warm up. The pooled median slope h of an aspiration is taken out,
so that all setups stand at their first pull: y = mean - h (n - 1) / 2. A setup that falls clearly faster (its slope
more than three standard errors below h, three or more pulls) was heat-soaked: it is taken at its own line's first
pull, with that point's variance s^2 (1/n + xbar^2 / Sxx). A best of n is brought to the mean by normal order
statistics (service/domain/order_statistics.py), with their variance. s, the spread of one pull, is pooled over the
setups after each one's own line is taken out, the widest tenth of them trimmed and the rest rescaled by what
trimming takes from a chi-square variable.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtr, chdtri

from service.domain.history import BEST_OF_UNKNOWN, Catalogue, History
from service.domain.order_statistics import LARGEST_BEST_OF, best_of_n_bias, best_of_n_variance_factor
from service.stats.noise import pooled_spread

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TRIMMED: Final = 0.10  # of the setups, the widest (our choice: more than faulty ones are anywhere)
HEAT_SOAK_Z: Final = -3.0  # standard errors below the pooled slope (our choice; 1 in 740 by chance)
LINE_PULLS: Final = 3  # a line through fewer says nothing of its own noise
PRIOR_SLOPES: Final = 5.0  # our choice: the pooled slope is drawn to 0 as by five setups without any
UNKNOWN_BEST_OF: Final = 3  # our choice: a best of nobody knows how many is taken as the best of three,
UNKNOWN_BEST_OF_VARIANCE: Final = 0.12  # and its variance raised by what n = 1..6 in equal parts adds to it
LARGEST_PULL_SPREAD: Final = 0.05  # our choice: pulls further apart than 5 % say nothing of a bay's noise
OTHER: Final = ""  # aspiration of a platform that the catalogue does not know


@dataclass(frozen=True, slots=True)
class PullNoise:
    """spread: of one pull in its setup [ln]; heat: slope over the order of pulls by aspiration [ln / pull]."""

    spread: float
    heat: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class SetupValues:
    """value [n], ln, at the first pull and at the level of a mean; noise [n], variance of it by its pulls alone."""

    value: Floats
    noise: Floats
    heat_soaked: Bools


def pull_noise(history: History, catalogue: Catalogue) -> PullNoise:
    """Spread of a pull and heat trend, pooled over a history."""
    lined = _has_line(history)
    heat = {}
    names = _aspirations(history, catalogue)
    for name in np.unique(names).tolist():
        slopes = history.slope[lined & (names == name)]
        shrink = len(slopes) / (len(slopes) + PRIOR_SLOPES)
        heat[name] = float(np.median(slopes)) * shrink if len(slopes) else 0.0
    return PullNoise(_spread(history, lined), heat)


def setup_values(history: History, catalogue: Catalogue, noise: PullNoise) -> SetupValues:
    """Value and variance of every setup of a history."""
    pulls = np.maximum(history.pulls, 1).astype(float)
    names = _aspirations(history, catalogue)
    heat = np.zeros(len(history))
    for name in np.unique(names).tolist():
        heat[names == name] = noise.heat.get(name, 0.0)
    lined = _has_line(history)
    slope = np.where(lined, history.slope, heat)
    sxx = _sxx(pulls)
    error = noise.spread / np.sqrt(np.maximum(sxx, 0.5))
    soaked = lined & ((slope - heat) < HEAT_SOAK_Z * error)
    middle = (pulls - 1.0) / 2.0
    bias, factor = _best_of(history.best_of)
    variance = np.where(history.best_of != 0, factor, 1.0 / pulls)
    variance[soaked] = (1.0 / pulls + middle**2 / np.maximum(sxx, 0.5))[soaked]
    value = history.value - np.where(soaked, slope, heat) * middle - bias * noise.spread
    return SetupValues(value, variance * noise.spread**2, soaked)


def _has_line(history: History) -> Bools:
    found: Bools = np.isfinite(history.slope) & (history.pulls >= LINE_PULLS) & (history.best_of == 0)
    return found


def _sxx(pulls: Floats) -> Floats:
    """Squared deviations of 0..n-1 from their mean, added up."""
    result: Floats = pulls * (pulls**2 - 1.0) / 12.0
    return result


def _aspirations(history: History, catalogue: Catalogue) -> NDArray[np.str_]:
    ids, at = np.unique(history.platform_id, return_inverse=True)
    known = catalogue.platforms
    names = np.array([known[i].aspiration if i in known else OTHER for i in ids.tolist()], dtype=np.str_)
    return names[at] if len(ids) else np.empty(0, dtype=np.str_)


def _spread(history: History, lined: Bools) -> float:
    """Spread of a pull, pooled within each number of degrees of freedom, as trimming takes more from few."""
    line = np.where(lined, history.slope, 0.0) ** 2 * _sxx(np.maximum(history.pulls, 1).astype(float))
    ss = np.maximum(history.spread_ss - line, 0.0)
    df = history.spread_df - lined
    good = (df >= 1) & np.isfinite(ss)
    kept_ss = kept_df = 0.0
    for d in np.unique(df[good]).tolist():
        ordered = np.sort(ss[good & (df == d)])
        kept = len(ordered) - int(TRIMMED * len(ordered))
        kept_ss += float(ordered[:kept].sum())
        kept_df += kept * d * _left_by_trimming(d, kept / len(ordered))
    return min(LARGEST_PULL_SPREAD, pooled_spread(kept_ss, kept_df))


def _left_by_trimming(df: int, kept: float) -> float:
    """Mean of the lowest `kept` part of a chi-square variable over the mean of all of it.

    x f(x; df) = df f(x; df + 2), so it is F(q; df + 2) / kept with q the `kept` quantile.
    """
    if kept >= 1.0:
        return 1.0
    return float(chdtr(df + 2, chdtri(df, 1.0 - kept))) / kept


def _best_of(best_of: Ints) -> tuple[Floats, Floats]:
    """Bias [pull spreads] and variance factor of each row's reading; 0 and 1 where it is a mean."""
    bias, factor = np.zeros(len(best_of)), np.ones(len(best_of))
    for n in np.unique(best_of[best_of != 0]).tolist():
        unknown = n == BEST_OF_UNKNOWN
        count = UNKNOWN_BEST_OF if unknown else min(max(n, 1), LARGEST_BEST_OF)
        extra = UNKNOWN_BEST_OF_VARIANCE if unknown else 0.0
        rows = best_of == n
        bias[rows] = best_of_n_bias(count)
        factor[rows] = best_of_n_variance_factor(count) + extra
    return bias, factor
