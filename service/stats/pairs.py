"""From before/after pairs to one figure a car: its gain in logs, and how well that gain was measured.

Words: gain, ln(with / without); share, the weight of an A-B-A's second reading of the repeated state; variance, of a
pair's gain by the noise of its own measurement alone, without the spread between cars.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.domain.order_statistics import best_of_n_variance_factor
from service.stats.noise import pooled_spread

PEAKS_ONLY_PULLS = 1
"""A peaks-only record is one reading, however many pulls it was the best of."""


@dataclass(frozen=True, slots=True)
class Spreads:
    """The shop's relative spreads: of a pull, of a setup beyond its pulls, of a strap-down, of a bay."""

    pull: float
    setup: float
    session: float
    bay: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One setup's figure: its value [any unit], how many pulls stand behind it, of how many it is the best."""

    value: float
    pulls: int
    best_of: int | None


@dataclass(frozen=True, slots=True)
class Measured:
    """One pair's gain in logs and the variance of its measurement."""

    gain: float
    variance: float


def pull_spread(ss: Sequence[float], df: Sequence[int], start: float) -> float:
    """The pull spread of the very setups an answer rests on, drawn a little towards the starting value."""
    return pooled_spread(sum(ss), sum(df), prior_sd=start)


def reading_variance(reading: Reading, spreads: Spreads) -> float:
    """Variance of ln(value) of one setup within its strap-down."""
    if reading.best_of is None:
        return spreads.setup**2 + spreads.pull**2 / max(1, reading.pulls)
    return spreads.setup**2 + spreads.pull**2 * best_of_n_variance_factor(reading.best_of) / PEAKS_ONLY_PULLS


def state_between(first: Reading, again: Reading | None, share: float | None) -> float:
    """ln of a state's value, taken between its two readings where it was repeated: a straight drift cancels."""
    if again is None or share is None:
        return math.log(first.value)
    return (1.0 - share) * math.log(first.value) + share * math.log(again.value)


def state_variance(first: Reading, again: Reading | None, share: float | None, spreads: Spreads) -> float:
    """Variance of `state_between`."""
    if again is None or share is None:
        return reading_variance(first, spreads)
    return (1.0 - share) ** 2 * reading_variance(first, spreads) + share**2 * reading_variance(again, spreads)


def measured_gain(
    with_: Reading,
    without: Reading,
    again: Reading | None,
    *,
    share: float | None,
    again_is_with: bool,
    same_session: bool,
    same_bay: bool,
    spreads: Spreads,
) -> Measured:
    """A pair's gain and variance. Another strap-down, and another bay, each add their spread on both sides."""
    with_again = again if again_is_with else None
    without_again = None if again_is_with else again
    gain = state_between(with_, with_again, share) - state_between(without, without_again, share)
    variance = state_variance(with_, with_again, share, spreads) + state_variance(
        without, without_again, share, spreads
    )
    if not same_session:
        variance += 2.0 * spreads.session**2
    if not same_bay:
        variance += 2.0 * spreads.bay**2
    return Measured(gain, variance)


def usual_variance(spreads: Spreads, pulls: int = 3) -> float:
    """Variance of a gain in an ordinary test: same session, three pulls before and three after."""
    return 2.0 * (spreads.setup**2 + spreads.pull**2 / pulls)
