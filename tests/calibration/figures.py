"""Figures of the report: what was found, on how many, and the band it has to lie in.

A share's band is widened by two binomial standard errors at its edge: with so many cells a model that is exactly at the
edge would otherwise miss it half of the time. Errors and ratios are held to their target as it stands.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tests.calibration.world import Floats

MET, MISSED, TOO_FEW = "met", "MISSED", "too few"
FEWEST = 10
"""Figures that rest on fewer are printed, not judged."""
STANDARD_ERRORS = 2.0


@dataclass(frozen=True)
class Figure:
    """One cell of the report. low, high: where it has to lie, widened already; None where nothing is asked."""

    words: str
    value: float
    n: int
    low: float | None
    high: float | None
    shown: str

    @property
    def verdict(self) -> str:
        """Whether it lies in its band."""
        if self.low is None and self.high is None:
            return ""
        if self.n < FEWEST or not np.isfinite(self.value):
            return TOO_FEW
        above = self.low is None or self.value >= self.low - 1e-12
        below = self.high is None or self.value <= self.high + 1e-12
        return MET if above and below else MISSED


def share(
    words: str,
    values: ArrayLike,
    low: float | None = None,
    high: float | None = None,
    beside: str = "",
) -> Figure:
    """A share of yeses, or the mean of shares, against a band of shares; what is shown beside it."""
    each = np.asarray(values, dtype=np.float64)
    each = each[np.isfinite(each)]
    n = len(each)
    value = float(each.mean()) if n else np.nan
    even = (
        1.0
        if n == 0 or not 0.0 < value < 1.0
        else min(1.0, float(each.std()) / (value * (1.0 - value)) ** 0.5)
    )

    def slack(edge: float) -> float:
        return STANDARD_ERRORS * even * float(np.sqrt(edge * (1.0 - edge) / max(n, 1)))

    return Figure(
        words,
        value,
        n,
        None if low is None else low - slack(low),
        None if high is None else high + slack(high),
        f"{value:.2f}{beside}",
    )


def root_mean_square(words: str, errors: Floats, most: float | None = None, percent: bool = True) -> Figure:
    """Root mean square error [ln, shown in %], at most so much."""
    value = rms(errors)
    return Figure(
        words, value, finite(errors), None, most, f"{100 * value:.2f} %" if percent else f"{value:.3f}"
    )


def ratio(words: str, ours: float, theirs: float, n: int, most: float | None) -> Figure:
    """Our error over theirs, at most so much; both shown in %."""
    value = ours / theirs if theirs > 0.0 else np.nan
    return Figure(words, value, n, None, most, f"{value:.2f} ({100 * ours:.2f}/{100 * theirs:.2f})")


def bias(words: str, errors: Floats, most: float) -> Figure:
    """Mean error [ln], within so much of nought."""
    value = mean_of(errors)
    return Figure(words, value, len(errors), -most, most, f"{100 * value:+.2f} %")


def at_most(words: str, value: float, n: int, most: float | None, shown: str) -> Figure:
    """Any figure that has only an upper limit."""
    return Figure(words, value, n, None, most, shown)


def rms(errors: Floats) -> float:
    """Root of the mean square of what is there."""
    return float(np.sqrt(mean_of(errors * errors)))


def mean_size(errors: Floats) -> float:
    """Mean absolute error of what is there."""
    return mean_of(np.abs(errors))


def finite(values: Floats) -> int:
    """How many there are."""
    return int(np.isfinite(values).sum())


def mean_of(values: Floats) -> float:
    """Mean of what is there; NaN of nothing, without a warning."""
    there = values[np.isfinite(values)]
    return float(there.mean()) if len(there) else np.nan
