"""How well a bay repeats, by quarter of the year, and whether it grows: repeatability s_r of ISO 5725 followed over time.

Of setups of two pulls and more: their squared deviations from their own means, ss, over the degrees of freedom, df = pulls
less setups, are s_r^2. For normal pulls ss / sigma^2 is chi-square with df (any textbook), which gives the interval. The
trend is a straight line through ln s_r^2 of the quarters, weighted by its variance trigamma(df / 2), its bias digamma(df / 2)
- ln(df / 2) taken off (moments of the log of a gamma variable).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
from scipy.special import chdtri, digamma, polygamma

from service.domain.history import Floats, Ints

FEWEST_QUARTERS: Final = 4
"""Quarters with repeats before a trend is told (our choice)."""
DAYS_A_YEAR: Final = 365.25


@dataclass(frozen=True, slots=True)
class Quarter:
    """Repeatability in one quarter [ln]: sd and its interval; `start`, its first day [days since 1970-01-01]."""

    start: int
    sd: float
    low: float
    high: float
    pulls: int
    setups: int


@dataclass(frozen=True, slots=True)
class Trend:
    """By what factor a year the spread grows [ln a year]: 0.1 is a tenth more each year; low and high its interval."""

    slope: float
    low: float
    high: float


def sd_interval(ss: float, df: float, level: float) -> tuple[float, float]:
    """Interval of a normal standard deviation from squared deviations and their degrees of freedom [unit of the values].

    Parameters: ss [unit squared], 0 or more; df, above 0; level [0..1].
    """
    if not (ss >= 0.0 and df > 0.0):
        raise ValueError(f"ss, df: {ss:g} on {df:g} degrees of freedom is no spread; give ss >= 0 and df > 0")
    tail = (1.0 - level) / 2.0
    return math.sqrt(ss / float(chdtri(df, tail))), math.sqrt(ss / float(chdtri(df, 1.0 - tail)))


def repeats_by_quarter(at: Floats, ss: Floats, df: Ints, level: float) -> tuple[Quarter, ...]:
    """Repeatability in each quarter that has repeats, oldest first.

    Parameters: at, start of each setup's strap-down [days]; ss [ln^2] and df of its pulls; level of the intervals [0..1].
    """
    repeated = np.flatnonzero((df > 0) & np.isfinite(ss))
    start = quarter_starts(at[repeated])
    return tuple(_quarters(start, ss[repeated], df[repeated], level))


def quarter_starts(at: Floats) -> Ints:
    """The first day of the quarter of each time, in UTC [days since 1970-01-01]."""
    months = np.floor(at).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return (months - months % 3).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)


def _quarters(start: Ints, ss: Floats, df: Ints, level: float) -> Iterator[Quarter]:
    for day in np.unique(start).tolist():
        own = start == day
        squares, free, setups = float(ss[own].sum()), int(df[own].sum()), int(own.sum())
        low, high = sd_interval(squares, free, level)
        yield Quarter(day, math.sqrt(squares / free), low, high, free + setups, setups)


def trend_of(quarters: Sequence[Quarter], level: float) -> Trend | None:
    """Whether the spread grows; None under FEWEST_QUARTERS, or where a quarter does not scatter at all."""
    if len(quarters) < FEWEST_QUARTERS or any(one.sd <= 0.0 for one in quarters):
        return None
    half = np.array([(one.pulls - one.setups) / 2.0 for one in quarters])
    years = np.array([one.start for one in quarters]) / DAYS_A_YEAR
    logs = 2.0 * np.log([one.sd for one in quarters]) - digamma(half) + np.log(half)
    weight = 1.0 / polygamma(1, half)
    centred = years - float(weight @ years) / float(weight.sum())
    information = float(weight @ centred**2)
    slope = float(weight @ (centred * logs)) / information / 2.0
    reach = NormalDist().inv_cdf(0.5 + level / 2.0) / math.sqrt(information) / 2.0
    return Trend(slope, slope - reach, slope + reach)
