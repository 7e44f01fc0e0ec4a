"""A car against its own earlier readings: what changed, and what two readings can tell apart at all.

Vocabulary: a reading is one setup's mean figure in one measure and standard; its state is the set of fitted parts; a
change is ln(later / earlier) with the error that both measurements bring; it is clear where its interval leaves nought
out. Everything is relative: 0.01 is one percent of the reading.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scipy.special import ndtri

from service.stats.pairs import Reading as Figure
from service.stats.pairs import Spreads, reading_variance

USUAL_PULLS: Final = 3
"""Pulls of an ordinary test (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One setup of the car: figure as it reads [kW or N.m], place in time, strap-down, bay, and its state.

    offset, offset_variance: what its bay reads above the mean of all [ln, ln^2]; None where that is not known.
    complete: whether its list of parts is all that is fitted. best_of: where the figure comes from the best of
    so many pulls; it is already brought down to what their mean would read.
    """

    key: int
    session: int
    bay: int
    value: float
    pulls: int
    parts: frozenset[str]
    complete: bool
    best_of: int | None = None
    offset: float | None = None
    offset_variance: float = 0.0

    @property
    def figure(self) -> Figure:
        """What was read, without where and when."""
        return Figure(self.value, self.pulls, self.best_of)


@dataclass(frozen=True, slots=True)
class Change:
    """How `later` reads against `earlier`: ln ratio, its standard error, and its interval's half width [relative]."""

    earlier: Reading
    later: Reading
    log_ratio: float
    error: float
    half: float

    @property
    def clear(self) -> bool:
        """Whether the change is larger than what such a test cannot tell from nothing."""
        return abs(self.log_ratio) > self.half

    @property
    def percent(self) -> float:
        """The change [%]."""
        return 100.0 * math.expm1(self.log_ratio)

    @property
    def interval_percent(self) -> tuple[float, float]:
        """Its interval [%]."""
        ends = (self.log_ratio - self.half, self.log_ratio + self.half)
        return 100.0 * math.expm1(ends[0]), 100.0 * math.expm1(ends[1])


def change(earlier: Reading, later: Reading, noise: Spreads, level: float) -> Change:
    """How one reading stands against another of the same car.

    Parameters: level, how sure the interval is meant [0..1]. Between two bays of known offset (or two stretches of one)
    both are brought to the bays' common level and the offsets' own errors are added (as if independent: our choice, a
    little wide); between other bays the spread of bays counts twice. Raises ValueError for a level outside 0..1.
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level: {level:g} is no share; it lies between 0 and 1")
    variance = sum(reading_variance(one.figure, noise) for one in (earlier, later))
    ratio = math.log(later.value / earlier.value)
    if earlier.session != later.session:
        variance += 2.0 * noise.session**2
    known = earlier.offset is not None and later.offset is not None
    if known and (earlier.bay, earlier.offset) != (later.bay, later.offset):
        ratio -= float(later.offset or 0.0) - float(earlier.offset or 0.0)
        variance += earlier.offset_variance + later.offset_variance
    elif earlier.bay != later.bay:
        variance += 2.0 * noise.bay**2
    error = math.sqrt(variance)
    return Change(earlier, later, ratio, error, float(ndtri(0.5 + level / 2.0)) * error)


def told_apart(noise: Spreads, level: float) -> float:
    """The smallest change that two visits to one bay can tell from nothing, three pulls each [relative]."""
    visit = noise.session**2 + noise.setup**2 + noise.pull**2 / USUAL_PULLS
    return float(ndtri(0.5 + level / 2.0)) * math.sqrt(2.0 * visit)


def same_state(readings: Sequence[Reading], now: Reading) -> list[Reading]:
    """The earlier readings, of other strap-downs, that are known to have been made in the state of `now`."""
    if not now.complete:
        return []
    return [
        one
        for one in readings
        if one.key != now.key and one.complete and one.parts == now.parts and one.session != now.session
    ]


@dataclass(frozen=True, slots=True)
class Fall:
    """Between which two readings of one state the car lost: the last one clearly above now, the first one that is not."""

    last_high: Change
    first_low: Reading


def fall(readings: Sequence[Reading], now: Reading, noise: Spreads, level: float) -> Fall | None:
    """Since when the car reads lower than it did in this state, given its readings oldest first; None where it does not.

    Each of k earlier visits is held against now at 1 - (1 - level) / k (Bonferroni: our choice), so that a car of many
    visits is not called down for one reading that happened to be high.
    """
    earlier = same_state(readings, now)
    if not earlier:
        return None
    strict = 1.0 - (1.0 - level) / len(earlier)
    looked = [change(one, now, noise, strict) for one in earlier]
    high = [i for i, one in enumerate(looked) if one.clear and one.log_ratio < 0.0]
    if not high:
        return None
    after = earlier[high[-1] + 1 :]
    return Fall(change(earlier[high[-1]], now, noise, level), after[0] if after else now)


def returned(readings: Sequence[Reading], noise: Spreads, level: float) -> Change | None:
    """Whether the stock car came back to what it read: its newest stock reading after another state, against the last
    stock one before that state. Given oldest first; None where it was not measured stock, changed and stock again."""
    stock = [i for i, one in enumerate(readings) if one.complete and not one.parts]
    for last in reversed(stock):
        changed = [i for i in range(last) if readings[i].parts]
        before = [i for i in stock if changed and i < changed[-1]]
        if before:
            return change(readings[before[-1]], readings[last], noise, level)
    return None


def steps(readings: Sequence[Reading], noise: Spreads, level: float) -> list[Change]:
    """What each change of state did, between successive readings whose parts are all known, oldest first."""
    known = [one for one in readings if one.complete]
    return [
        change(earlier, later, noise, level)
        for earlier, later in itertools.pairwise(known)
        if earlier.parts != later.parts
    ]
