"""Where a stock car lies among its kind, honestly: one session cannot place a car to better than some 40 percentile points.

Vocabulary: `own` is a car's level against its platform's typical car by its own setups alone [ln], with its error
variance; `spread` the standard deviation of such cars' true levels; the car's true level, given both, is normal with

    mean = own s^2 / (s^2 + v)          variance = s^2 v / (s^2 + v)

(shrunk: a reading far out is partly noise). Its percentile is the expected share of cars below it, Phi(mean / sqrt(s^2 +
variance)), its interval that of the true level: of Student's t with TAILS_DF degrees of freedom, because readings and cars
have the tails that the model gives them (weights.py); with normal tails nine in ten held only 82 in 100.

A platform's spread is estimated from its own cars, drawn towards the shop's as PSEUDO_CARS cars would (after Smyth 2004,
from memory), and without those that something is wrong with: a tired car, or one with a hidden part, belongs with a small
chance to a wider group, and counts by its chance of not doing so. A histogram of shrunk levels would be too narrow: draw it
from `own`, and place single cars by their shrunk level (Louis 1984, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, ndtr, stdtr, stdtrit

from service.stats.spread import Share, wilson

Floats = NDArray[np.float64]

TAILS_DF: Final = 5.0  # our choice, that of the model's t weights
PSEUDO_CARS: Final = 8.0  # our choice
ODD_SPREAD: Final = 0.08
"""How much further out odd cars lie [ln] (common practice, no source)."""
ODD_SHARE: Final = 0.05
"""Share of odd cars to begin with, which weighs as much as ODD_WEIGHT cars (our choice)."""
ODD_WEIGHT: Final = 40.0
CLEAR: Final = 0.9  # our choice: chance from which a car is called above, or below, the average
GROUPS: Final = ("clearly above", "clearly below", "too close to call")
ROUNDS: Final = 200
TOLERANCE: Final = 1e-10


@dataclass(frozen=True, slots=True)
class Place:
    """A car among its kind: its shrunk level [ln], percentile and interval [0..100], chance that it is above the average
    car [0..1], and which of GROUPS that makes it."""

    level: float
    percentile: float
    interval: tuple[float, float]
    chance_above: float
    group: str


@dataclass(frozen=True, slots=True)
class Places:
    """`Place` for many cars at once, arrays over them; NaN where a car's own level is not known."""

    percentile: Floats
    low: Floats
    high: Floats
    chance_above: Floats

    def groups(self) -> list[str | None]:
        """Which of GROUPS each car is in; None where it is not placed."""
        return [None if above != above else group_of(above) for above in self.chance_above.tolist()]


@dataclass(frozen=True, slots=True)
class Sides:
    """How a kind's cars divide about the average: shares with Wilson intervals, cars in each of GROUPS."""

    above: Share
    below: Share
    groups: tuple[int, int, int]


def shop_spread(own: ArrayLike, variance: ArrayLike, start: float) -> float:
    """Standard deviation of true levels between cars of one platform, over all platforms [ln]; start weighs as one car."""
    return _spread(own, variance, start, weight=1.0)


def platform_spread(own: ArrayLike, variance: ArrayLike, shop_sd: float) -> float:
    """Standard deviation of true levels between a platform's good cars [ln]; the shop's weighs as PSEUDO_CARS cars.

    Parameters: own and variance by car, entries that are not finite left out; shop_sd, of `shop_spread`.
    """
    return _spread(own, variance, shop_sd, weight=PSEUDO_CARS)


def _spread(own: ArrayLike, variance: ArrayLike, towards: float, weight: float) -> float:
    """Expectation and maximisation: each car's expected square and chance of being good given the spread, then the mean
    of the squares by those chances, with so many cars of the spread it is drawn towards, until it stands still."""
    levels, errors = np.asarray(own, dtype=np.float64), np.asarray(variance, dtype=np.float64)
    known = np.isfinite(levels) & np.isfinite(errors)
    levels, errors = levels[known], errors[known]
    s2, odd = towards * towards, ODD_SHARE
    for _ in range(ROUNDS):
        total = np.maximum(s2 + errors, np.finfo(np.float64).tiny)
        good = _chance_good(levels, total, odd)
        kept = s2 / total
        squares = (kept * levels) ** 2 + kept * errors
        found = (weight * towards * towards + float(good @ squares)) / (weight + float(good.sum()))
        odd = (ODD_WEIGHT * ODD_SHARE + float((1.0 - good).sum())) / (ODD_WEIGHT + levels.size)
        moved, s2 = abs(found - s2), found
        if moved <= TOLERANCE * s2:
            break
    return math.sqrt(s2)


def _chance_good(levels: Floats, variance: Floats, odd: float) -> Floats:
    """Chance that a car is one of the good ones, given the variance of a good one's level and the share of odd ones."""
    wider = variance + ODD_SPREAD**2
    apart = levels * levels / 2.0 * (1.0 / variance - 1.0 / wider)
    log_odds = math.log(odd / (1.0 - odd)) + np.log(variance / wider) / 2.0 + apart
    return np.asarray(expit(-log_odds))


def place(own: float, variance: float, spread: float, level: float = 0.9) -> Place:
    """Where one car lies.

    Parameters: own, its level against the typical car [ln]; variance, of its error, that of the typical level included;
    spread, between such cars [ln]; level, of the interval [0..1].
    """
    if not (spread > 0.0 and variance >= 0.0 and math.isfinite(own)):
        raise ValueError(
            f"own, variance, spread: {own:g}, {variance:g}, {spread:g} place no car; leave it out"
        )
    found = places([own], [variance], spread, level)
    above = float(found.chance_above[0])
    return Place(
        level=own * spread * spread / (spread * spread + variance),
        percentile=float(found.percentile[0]),
        interval=(float(found.low[0]), float(found.high[0])),
        chance_above=above,
        group=group_of(above),
    )


def places(own: ArrayLike, variance: ArrayLike, spread: float, level: float = 0.9) -> Places:
    """Where each of many cars lies; parameters as for `place`, NaN in `own` and `variance` where not known."""
    levels, errors = np.asarray(own, dtype=np.float64), np.asarray(variance, dtype=np.float64)
    kept = spread * spread / (spread * spread + errors)
    mean, left = kept * levels, kept * errors
    error = np.sqrt(left)
    half = float(stdtrit(TAILS_DF, 0.5 + level / 2.0)) * error
    exact = np.sign(mean) / 2.0 + 0.5
    t = np.divide(mean, error, out=np.zeros_like(mean), where=error > 0.0)
    return Places(
        percentile=100.0 * ndtr(mean / np.sqrt(spread * spread + left)),
        low=100.0 * ndtr((mean - half) / spread),
        high=100.0 * ndtr((mean + half) / spread),
        chance_above=np.where(error > 0.0, stdtr(TAILS_DF, t), exact),
    )


def group_of(above: float) -> str:
    """Which of GROUPS a chance to be above the average makes it."""
    return GROUPS[0] if above > CLEAR else GROUPS[1] if above < 1.0 - CLEAR else GROUPS[2]


def sides(found: Sequence[Place], level: float = 0.9) -> Sides | None:
    """How cars divide about the average, by what each is more likely; None without cars."""
    return sides_by(np.array([one.chance_above for one in found]), level)


def sides_by(chance_above: Floats, level: float = 0.9) -> Sides | None:
    """The same by each car's chance to be above the average, NaN where it is not placed."""
    chances = chance_above[~np.isnan(chance_above)]
    n = len(chances)
    if n == 0:
        return None
    above = float((chances > 0.5).sum() + (chances == 0.5).sum() / 2.0)
    clearly_above, clearly_below = int((chances > CLEAR).sum()), int((chances < 1.0 - CLEAR).sum())
    groups = (clearly_above, clearly_below, n - clearly_above - clearly_below)
    return Sides(
        Share(above / n, *wilson(above, n, level)),
        Share(1.0 - above / n, *wilson(n - above, n, level)),
        groups,
    )
