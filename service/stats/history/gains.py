"""From one cell of the history model to what is said of a part: its typical gain, one more car's, the chances.

Vocabulary: the `typical` gain is that of the average car; the `next` car's true gain differs from it by the spread between
cars, `as measured` also by the noise of one before/after test; `rho` is the share of the prior variance still left. All
gains are logs: 0.01 is one percent.

 typical      shape of service/stats/history/shape.py, its spread widened to the t with 8 / rho degrees of freedom
 next car     g + N(0, (cv g)^2 + floor^2), g drawn from the typical gain's shape; its distribution function is summed over
              NODES even steps of the shape's normal z (the trapezium rule, which for a normal weight is exact to rounding,
              and to 5e-4 where losses count less: the shape then has a corner at nought)
 as measured  the same with the variance of the test added
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from service.stats.history.cells import Cell, CellColumns, Cells
from service.stats.history.fitted import Fit
from service.stats.history.shape import LOSS_WEIGHT, chance_below, quantile, widened
from service.stats.noise import difference_variance, smallest_visible_gain

Floats = NDArray[np.float64]
Gain = Cell | CellColumns | Cells

LEVEL: Final = 0.9
"""Level of the intervals unless asked otherwise, and of the t behind every chance (our choice)."""
USUAL_PULLS: Final = 3
"""Pulls of each state in an ordinary test (common practice, no source)."""
GRADES: Final = ("none", "borrowed", "thin", "fair", "strong")
FAIR_FROM: Final = 4  # cars measured here with and without; our choice
STRONG_FROM: Final = 8  # our choice
MOSTLY_BORROWED: Final = 0.8
"""Cars that never showed the part alone make an answer `thin` only where they took a fifth off its variance (our choice)."""
UNLIKE: Final = 0.4
"""Usual variance between cars over a part's own, below which its cars are said to be unlike: of simulated parts on five cars
none of 120 ordinary ones is, one of 120 with heavy tails, 9 of 12 with three times the usual spread (our choice)."""
ENOUGH_FOR_INTERACTION: Final = 5  # cars that show two parts together and apart; our choice

NODES: Final = 101
_Z: Final[Floats] = np.linspace(-6.0, 6.0, NODES)
_WEIGHTS: Final[Floats] = np.exp(-_Z * _Z / 2.0) / np.exp(-_Z * _Z / 2.0).sum()
FAR: Final = 6.0  # standard deviations beyond which nothing lies
STEPS: Final = 60
CLOSE: Final = 1e-9  # of a chance
ROOT_2_PI: Final = float(np.sqrt(2.0 * np.pi))
HALF_STRAIGHT: Final = (
    0.5  # of a step that would more than double by its bend, the straight one is taken (our choice)
)


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure and what it lies between [unit of the question]."""

    typical: float
    low: float
    high: float

    @property
    def established(self) -> bool:
        """Whether nought is left out."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True, slots=True)
class GainRanges:
    """What is said of one gain among many [ln]: the average car's, one more car's, the chance that it truly gains [0..1]."""

    typical: Interval
    next_car: tuple[float, float]
    chance_of_gain: float


@dataclass(frozen=True, slots=True)
class GainAnswer:
    """What is said of one gain [ln]; chances [0..1].

    chance_of_gain: that one more car truly gains; chance_typical_gain: that the average car does; smallest: the smallest
    change that one ordinary test on one car can tell from nothing; prior_share: rho.
    """

    typical: Interval
    next_car: tuple[float, float]
    as_measured: tuple[float, float]
    chance_of_gain: float
    chance_typical_gain: float
    smallest: float
    prior_share: float
    level: float


def answer(
    gain: Cell,
    fit: Fit,
    level: float = LEVEL,
    before: int = USUAL_PULLS,
    after: int = USUAL_PULLS,
    may_lose: bool = False,
) -> GainAnswer:
    """All that is said of a gain at once.

    Parameters: gain [ln]; fit, for the spreads between cars and of a test; level, of the intervals [0..1]; before and
    after, pulls of the test that the measured interval is about; may_lose, for the chances: nothing says that a gain is
    likelier than a loss (one part against another, one engine speed or band).
    """
    test = measured_variance(fit, before, after)
    lows, highs = next_car_intervals(gain, fit, level, np.asarray([0.0, test]))
    below = chance_below(gain.mean, widened_sd(gain, LEVEL), 0.0, loss_weight(gain, may_lose))
    return GainAnswer(
        typical=typical_interval(gain, level),
        next_car=(float(lows[0]), float(highs[0])),
        as_measured=(float(lows[1]), float(highs[1])),
        chance_of_gain=chance_of_at_least(gain, fit, 0.0, may_lose=may_lose),
        chance_typical_gain=1.0 - float(below),
        smallest=smallest_visible_gain(test),
        prior_share=prior_share(gain),
        level=level,
    )


def loss_weight(gain: Gain, may_lose: bool) -> float:
    """How much a loss counts (shape.py): wholly at the knots of a curve, where parts often take what they give elsewhere."""
    return 1.0 if may_lose or isinstance(gain, CellColumns) else LOSS_WEIGHT


def measured_variance(fit: Fit, before: int, after: int, same_session: bool = True) -> float:
    """Variance of one before/after test of one car in one bay by its measurement alone [ln^2]."""
    within = 2.0 * fit.spreads.setup**2 + difference_variance(fit.pull_spread, before, after)
    return within if same_session else within + 2.0 * fit.spreads.session**2


def prior_share(gain: Cell | CellColumns) -> float:
    """rho: the share of the prior variance that the history has left [0..1]; 1 where it said nothing."""
    one = gain.cell if isinstance(gain, CellColumns) else gain
    return min(1.0, one.variance / one.prior_variance) if one.prior_variance > 0.0 else 1.0


def prior_shares(gains: Cells) -> Floats:
    """`prior_share` of each gain [k]."""
    known = gains.prior_variance > 0.0
    shares = np.divide(gains.variance, gains.prior_variance, out=np.ones(known.shape), where=known)
    return np.asarray(np.minimum(1.0, shares))


def borrowed_share(gain: Cell) -> float:
    """How much of an answer is borrowed: its variance over what it would be without this platform's cars [0..1].

    In terms of precision: what was known from other platforms and the slot is this share of what is known now. 1 where
    no car here has the part, near 0 where the cars here say nearly all.
    """
    return min(1.0, gain.variance / gain.elsewhere_variance) if gain.elsewhere_variance > 0.0 else 1.0


def widened_sd(gain: Gain, level: float) -> Floats:
    """Standard deviation behind an interval: the gain's own, widened for spreads that are estimates themselves [ln]."""
    share = prior_shares(gain) if isinstance(gain, Cells) else prior_share(gain)
    return widened(gain.variance, share, level)


def typical_interval(gain: Cell, level: float = LEVEL) -> Interval:
    """The average car's gain and its interval [ln]."""
    low, high = typical_bounds(gain, level)
    return Interval(gain.mean, float(low), float(high))


def typical_bounds(gain: Gain, level: float = LEVEL) -> tuple[Floats, Floats]:
    """Ends of the typical gain's interval, for one or many right-hand sides [ln].

    Without the knowledge that parts are made to gain: an interval says what was measured, and only that establishes a gain.
    """
    z = float(ndtri(0.5 + level / 2.0))
    sd = widened_sd(gain, level)
    return quantile(gain.mean, sd, -z), quantile(gain.mean, sd, z)


def chance_of_at_least(
    gain: Cell, fit: Fit, least: float, noise: float = 0.0, may_lose: bool = False
) -> float:
    """Chance that one more car gains at least so much [ln]; with the variance of a test as noise: that it shows it."""
    weight = loss_weight(gain, may_lose)
    gains, spreads = _nodes(gain, fit, np.asarray(noise), LEVEL, weight)
    return float(1.0 - _below(gains, spreads, np.asarray(least)))


def chances_of_gain(gains: Cells, fit: Fit, may_lose: bool = False) -> Floats:
    """Chance that one more car gains by each of these parts [k]; may_lose as in `answer`."""
    drawn, spreads = _nodes(gains, fit, np.asarray(0.0), LEVEL, loss_weight(gains, may_lose))
    return np.asarray(1.0 - _below(drawn, spreads, np.asarray(0.0)))


def ranges_of(gains: Cells, fit: Fit, level: float = LEVEL) -> list[tuple[Interval, tuple[float, float]]]:
    """Of each gain what a level is asked for [ln]: the average car's with its interval, and one more car's."""
    lows, highs = (ends.tolist() for ends in typical_bounds(gains, level))
    next_lows, next_highs = (ends.tolist() for ends in next_car_intervals(gains, fit, level))
    typical = map(Interval, gains.mean.tolist(), lows, highs)
    return list(zip(typical, zip(next_lows, next_highs, strict=True), strict=True))


def next_car_intervals(
    gain: Gain, fit: Fit, level: float = LEVEL, noise: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Ends of one more car's gain [ln], for noise variances [ln^2] and right-hand sides broadcast together.

    Never inside the typical gain's (where hardly any spread is added, a mixture of spreads can be a hair narrower).
    """
    gains, spreads = _nodes(gain, fit, np.asarray(noise, dtype=np.float64), level, 1.0)
    tail = (1.0 - level) / 2.0
    targets = np.stack((np.full(gains.shape[1:], tail), np.full(gains.shape[1:], 1.0 - tail)))
    found = _quantiles(gains, spreads, targets)
    low, high = typical_bounds(gain, level)
    return np.minimum(found[0], low), np.maximum(found[1], high)


def car_variance(gain: Gain, fit: Fit, at: Floats) -> Floats:
    """Variance between cars where the typical gain is `at` [ln^2]: it grows with the gain's square above a floor.

    Over what is believed of the typical gain its mean is the cell's own `car_spread_variance`.
    """
    scale = gain.scale if isinstance(gain, CellColumns) else 1.0
    floor = np.minimum(fit.spreads.car_floor**2 * scale, gain.car_spread_variance)
    size = np.asarray(gain.mean) ** 2 + np.asarray(gain.variance)
    growing = np.divide(gain.car_spread_variance - floor, size, out=np.zeros(size.shape), where=size > 0.0)
    return np.asarray(floor + growing * at * at)


def _nodes(gain: Gain, fit: Fit, noise: Floats, level: float, weight: float) -> tuple[Floats, Floats]:
    """Typical gains along their shape and one car's standard deviation at each, shapes [NODES, ...]."""
    shape = np.broadcast_shapes(np.shape(gain.mean), noise.shape)
    z = _Z.reshape((NODES,) + (1,) * len(shape))
    drawn = quantile(gain.mean, widened_sd(gain, level), z, weight)
    gains = np.broadcast_to(drawn, (NODES, *shape))
    variance = car_variance(gain, fit, gains) + noise
    return gains, np.sqrt(np.maximum(variance, np.finfo(np.float64).tiny))


def _over_nodes(values: Floats) -> Floats:
    """Mean over the nodes [NODES, ...]."""
    return np.asarray((_WEIGHTS @ values.reshape(NODES, values[0].size)).reshape(values.shape[1:]))


def _below(gains: Floats, spreads: Floats, value: Floats) -> Floats:
    """Distribution function of the mixture over the nodes."""
    return np.asarray(_over_nodes(ndtr((value - gains) / spreads)))


def _quantiles(gains: Floats, spreads: Floats, targets: Floats) -> Floats:
    """Where the mixture's distribution function reaches each target [k, ...].

    Halley's steps (third order; from memory) inside a bracket that each of them narrows, halving it where a step would
    leave it; from where a normal of the mixture's mean and variance has the target.
    """
    low = np.broadcast_to((gains - FAR * spreads).min(axis=0), targets.shape)
    high = np.broadcast_to((gains + FAR * spreads).max(axis=0), targets.shape)
    mean = _over_nodes(gains)
    sd = np.sqrt(_over_nodes((gains - mean) ** 2 + spreads**2))
    at = np.clip(mean + sd * ndtri(targets), low, high)
    for _ in range(STEPS):
        apart = (at - gains[:, np.newaxis]) / spreads[:, np.newaxis]
        over = _over_nodes(ndtr(apart)) - targets
        density = np.exp(-apart * apart / 2.0) / spreads[:, np.newaxis] / ROOT_2_PI
        slope, bend = _over_nodes(density), -_over_nodes(density * apart / spreads[:, np.newaxis])
        low, high = np.where(over < 0.0, at, low), np.where(over < 0.0, high, at)
        straight = np.divide(over, slope, out=np.full(at.shape, np.inf), where=slope > 0.0)
        squared = 2.0 * slope * slope
        bent = 1.0 - np.divide(over * bend, squared, out=np.zeros(at.shape), where=squared > 0.0)
        step = np.divide(straight, bent, out=straight.copy(), where=bent > HALF_STRAIGHT)
        at = np.where((at - step >= low) & (at - step <= high), at - step, (low + high) / 2.0)
        if np.abs(over).max(initial=0.0) < CLOSE:
            break
    return np.asarray(at)


def grade_of(gain: Cell, like_for_like: int, pairs: int) -> str:
    """The evidence grade of a part on a platform.

    By cars measured here with and without it, one lower where most of the pairs are not like for like. Cars here that
    only ever had it together with other changes make it `thin` where they say something.
    Parameters: like_for_like, of so many pairs.
    """
    if gain.cars >= 1:
        place = 2 + (gain.cars >= FAIR_FROM) + (gain.cars >= STRONG_FROM)
        return GRADES[place - (place > 2 and 2 * like_for_like < pairs)]
    if gain.cars_with and borrowed_share(gain) <= MOSTLY_BORROWED:
        return "thin"
    return "borrowed" if gain.cars_elsewhere or gain.cars_with else "none"


def cars_are_unlike(part: int, fit: Fit) -> bool:
    """Whether a part's gains differ from car to car far more than other parts' of their size do."""
    return bool(fit.weights.alike.of(np.array([part], dtype=np.int64))[0] < UNLIKE)


def disagrees(mean: float, variance: float, other_mean: float, other_variance: float) -> bool:
    """Whether two answers to one question lie further apart than their errors, taken as independent, allow at 95 %."""
    return abs(mean - other_mean) > smallest_visible_gain(variance + other_variance)


def interaction_shown(mean: float, variance: float, cars: int, level: float = LEVEL) -> Interval | None:
    """What two parts give together beyond their sum [ln]; None where not enough cars can tell."""
    if cars < ENOUGH_FOR_INTERACTION:
        return None
    half = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(variance))
    return Interval(mean, mean - half, mean + half)
