"""How many more tests make an answer firm.

A further before/after test of another car, like for like in one strap-down, reads the typical gain with the variance
s2 = what cars differ by + what a test errs by. With normal errors of known variance precisions add (the normal
posterior of a mean, in any textbook of Bayesian statistics; from memory), so after m tests the variance V of the gain is

    V' = 1 / (1 / V + m / s2)

The gain itself is taken to stay where it is now believed, so a number of tests is the one that does it about every second
time; what a test would find is not known before it is made.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from service.stats.history.cells import Cell
from service.stats.history.fitted import Fit
from service.stats.history.gains import LEVEL, USUAL_PULLS, Interval, measured_variance, typical_interval

MOST_TESTS: Final = 100
"""More tests than this are not planned (our choice)."""


def after_tests(gain: Cell, fit: Fit, tests: int) -> Cell:
    """The gain as it would be known after so many further cars, each tested once with and without, three pulls a side."""
    one = gain.car_spread_variance + measured_variance(fit, USUAL_PULLS, USUAL_PULLS)
    if gain.variance <= 0.0:
        return gain
    return replace(gain, variance=1.0 / (1.0 / gain.variance + tests / one))


def further_until_established(gain: Cell, fit: Fit, level: float = LEVEL) -> int | None:
    """Further cars until the typical gain's interval leaves nought out, 0 where it does; None: more than MOST_TESTS."""
    return _fewest(gain, fit, level, lambda interval: interval.established)


def further_until_half(gain: Cell, fit: Fit, level: float = LEVEL) -> int | None:
    """Further cars until the typical gain's interval is half as wide as now; None: more than MOST_TESTS."""
    now = typical_interval(gain, level)
    half = (now.high - now.low) / 2.0
    return _fewest(gain, fit, level, lambda interval: interval.high - interval.low <= half)


def _fewest(gain: Cell, fit: Fit, level: float, firm: Callable[[Interval], bool]) -> int | None:
    """The fewest further cars after which the interval is firm: intervals only narrow, so it is found by halving."""
    found = bisect_left(
        range(MOST_TESTS + 1),
        True,
        key=lambda tests: firm(typical_interval(after_tests(gain, fit, tests), level)),
    )
    return found if found <= MOST_TESTS else None
