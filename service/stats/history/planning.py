"""How many more tests make an answer firm.

A further before/after test of another car, like for like in one strap-down, reads the typical gain with the variance
s2 = what cars differ by + what a test errs by. With normal errors of known variance precisions add (the normal
posterior of a mean, in any textbook of Bayesian statistics; from memory), so after m tests the variance V of the gain is

    V' = 1 / (1 / V + m / s2)

The gain itself is taken to stay where it is now believed, so a number of tests is the one that does it about every second
time; what a test would find is not known before it is made.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.stats.history.cells import Cells
from service.stats.history.fitted import Fit
from service.stats.history.gains import LEVEL, USUAL_PULLS, measured_variance, typical_bounds

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_TESTS: Final = 100
"""More tests than this are not planned (our choice)."""


def after_tests(gains: Cells, fit: Fit, tests: ArrayLike) -> Cells:
    """The gains as they would be known after so many further cars each [k], tested once with and without, three pulls a
    side."""
    one = gains.car_spread_variance + measured_variance(fit, USUAL_PULLS, USUAL_PULLS)
    known = np.maximum(gains.variance, np.finfo(np.float64).tiny)
    after = np.where(gains.variance > 0.0, 1.0 / (1.0 / known + np.asarray(tests) / one), gains.variance)
    return replace(gains, variance=after)


def further_until_established(gains: Cells, fit: Fit, level: float = LEVEL) -> list[int | None]:
    """Further cars until each typical gain's interval leaves nought out, 0 where it does; None: more than MOST_TESTS."""

    def established(low: Floats, high: Floats) -> Bools:
        return np.asarray((low > 0.0) | (high < 0.0))

    return _fewest(gains, fit, level, established)


def further_until_half(gains: Cells, fit: Fit, level: float = LEVEL) -> list[int | None]:
    """Further cars until each typical gain's interval is half as wide as now; None: more than MOST_TESTS."""
    low_now, high_now = typical_bounds(gains, level)
    half = (high_now - low_now) / 2.0
    return _fewest(gains, fit, level, lambda low, high: np.asarray(high - low <= half))


def _fewest(
    gains: Cells, fit: Fit, level: float, firm: Callable[[Floats, Floats], Bools]
) -> list[int | None]:
    """The fewest further cars after which each interval is firm: intervals only narrow, so it is found by halving."""
    fewest = np.zeros(gains.mean.shape, dtype=np.int64)
    beyond = np.full(gains.mean.shape, MOST_TESTS + 1)
    while (fewest < beyond).any():
        middle = (fewest + beyond) // 2
        is_firm = firm(*typical_bounds(after_tests(gains, fit, middle), level))
        fewest = np.where(is_firm, fewest, np.minimum(middle + 1, beyond))
        beyond = np.where(is_firm, middle, beyond)
    return [tests if tests <= MOST_TESTS else None for tests in fewest.ravel().tolist()]
