"""Which part is worth its price: the frontier, what a unit of gain costs, the chance of being the best, what to fit first.

Vocabulary: cost is what a part costs fitted [money]; `worth` is typical gain over cost [share of power / money]; a `cautious`
figure is the one that nine in ten chances lie above; the `frontier` are the parts than which no other gives as much for less
or more for as much. Gains are logs [ln].

Chances come from DRAWS joint draws, always the same, of all the parts' typical gains: their errors go together through the
slot, the platform and the bays, and the best of many is not the one with the largest estimate alone.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.stats.history.gains import LEVEL, Interval
from service.stats.history.shape import quantile, widened

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

DRAWS: Final = 2000  # chances are then known to about 0.01; our choice
SEED: Final = 20  # any: the same question must always get the same answer
CAUTIOUS: Final = 0.1  # our choice
MOST_KEPT: Final = 400
"""Partial combinations kept in the search for the best within a budget (our choice)."""
STARTS: Final = 5
"""Of the best found, how many are improved by exchanges: the best of them may lead nowhere (our choice)."""


@dataclass(frozen=True, slots=True)
class Chances:
    """Of each part: its chance of giving most, of being worth most (0 where its cost is not known or nothing gains), its
    cautious worth, NaN without a cost, and its rank by that, 1 the best, 0 without."""

    best_gain: Floats
    best_worth: Floats
    cautious_worth: Floats
    cautious_rank: Ints


@dataclass(frozen=True, slots=True)
class Option:
    """A part that may be fitted: slots it takes, cost fitted, typical gain on its own [ln]."""

    part_id: int
    slots: frozenset[str]
    cost: float
    gain: float


@dataclass(frozen=True, slots=True)
class Move:
    """A part fitted next: what it adds beside those before it, and cost and gain of all so far [ln]."""

    option: Option
    adds: float
    cost: float
    gain: float


@dataclass(frozen=True, slots=True)
class Build:
    """Options chosen, by place in the list of them; their cost and gain together [ln]."""

    chosen: tuple[int, ...] = ()
    slots: frozenset[str] = frozenset()
    cost: float = 0.0
    gain: float = 0.0


def frontier(cost: ArrayLike, gain: ArrayLike) -> Bools:
    """Whether no other part gives as much for less, or more for as much; False where cost or gain is not known (NaN)."""
    costs, gains = np.asarray(cost, dtype=np.float64), np.asarray(gain, dtype=np.float64)
    as_good = (costs <= costs[:, np.newaxis]) & (gains >= gains[:, np.newaxis])
    better = as_good & ((costs < costs[:, np.newaxis]) | (gains > gains[:, np.newaxis]))
    return np.asarray(np.isfinite(costs) & np.isfinite(gains) & ~better.any(axis=1))


def per_unit(cost: float, gain: Interval) -> Interval | None:
    """What a unit of gain costs [money / unit of the gain]; None where the gain is not established, or is a loss.

    A ratio of two figures: where the gain's interval holds nought the cost per unit has no upper end.
    """
    if gain.low <= 0.0 or cost < 0.0:
        return None
    return Interval(cost / gain.typical, cost / gain.high, cost / gain.low)


def best_chances(mean: ArrayLike, covariance: ArrayLike, cost: ArrayLike, prior_share: ArrayLike) -> Chances:
    """How sure it is which part gives most, and which is worth most.

    Parameters: mean [k] and covariance [k, k] of the parts' typical gains [ln, ln^2]; cost [k], NaN where not known;
    prior_share [k], rho of each. In a draw in which no part gains, none is the best.
    """
    m, joint = np.asarray(mean, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    costs = np.asarray(cost, dtype=np.float64)
    priced = np.isfinite(costs) & (costs > 0.0)
    gains = np.expm1(_draws(m, joint, np.asarray(prior_share, dtype=np.float64)))
    worth = np.divide(gains, costs, out=np.full(gains.shape, -np.inf), where=priced)
    cautious = np.quantile(gains, CAUTIOUS, axis=0) / np.where(priced, costs, np.nan)
    return Chances(_shares_of_best(gains), _shares_of_best(worth), cautious, _ranks(cautious))


def _draws(mean: Floats, covariance: Floats, prior_share: Floats) -> Floats:
    """Joint draws of typical gains, each with the shape and width of its own answer [DRAWS, k]."""
    sd = np.sqrt(covariance.diagonal())
    values, vectors = np.linalg.eigh(covariance / np.maximum(np.outer(sd, sd), np.finfo(np.float64).tiny))
    normal = np.random.default_rng(SEED).standard_normal((DRAWS, len(mean)))
    together = normal @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    return quantile(mean, widened(covariance.diagonal(), prior_share, LEVEL), together)


def _shares_of_best(drawn: Floats) -> Floats:
    """In what share of the draws each column is the largest, and above nought."""
    best = drawn.argmax(axis=1)
    gains = drawn[np.arange(len(drawn)), best] > 0.0
    return np.asarray(np.bincount(best[gains], minlength=drawn.shape[1]) / len(drawn))


def _ranks(values: Floats) -> Ints:
    """1 for the largest; 0 where there is no value."""
    known = np.flatnonzero(np.isfinite(values))
    ranks = np.zeros(len(values), dtype=np.int64)
    ranks[known[np.argsort(-values[known], kind="stable")]] = np.arange(1, len(known) + 1)
    return ranks


def fitting_order(
    options: Sequence[Option], together: Floats, budget: float = math.inf, whole: bool = False
) -> tuple[Move, ...]:
    """In which order to fit: each time what adds most for its money beside what is there, until nothing adds or fits.

    Parameters: together [k, k], what two options give beyond their sum [ln], symmetric, 0 where not known; budget [money];
    whole: go on until nothing fits, also with what adds only beside what comes after it.
    """
    build = Build()
    moves: list[Move] = []
    while True:
        nexts = [_with(options, together, build, i) for i in _possible(options, build, budget)]
        gaining = [one for one in nexts if whole or one.gain > build.gain]
        if not gaining:
            return tuple(moves)
        best = max(gaining, key=lambda one: _worth(one.gain - build.gain, one.cost - build.cost))
        moves.append(Move(options[best.chosen[-1]], best.gain - build.gain, best.cost, best.gain))
        build = best


def _worth(gain: float, cost: float) -> tuple[float, float]:
    """What orders moves: gain for its money, what is free first."""
    return (gain / cost, gain) if cost > 0.0 else (math.inf, gain)


def within_budget(options: Sequence[Option], together: Floats, budget: float) -> Build:
    """The options that give most together for the money, one to a slot.

    Slot by slot, of all combinations so far only those are kept than which none is cheaper and better (the frontier, at
    most MOST_KEPT): exact where gains add; with interactions the best few found are improved by single exchanges.
    """
    kept = sorted(_worth_having(options, together, budget), key=lambda one: (-one.gain, one.cost))
    found = (_improved(options, together, build, budget) for build in kept[:STARTS])
    return max(found, key=lambda one: (one.gain, -one.cost))


def cheapest_reaching(options: Sequence[Option], together: Floats, wished: float) -> Build | None:
    """The options that cost least of those that give so much together [ln], one to a slot; None where none do.

    As `within_budget`: exact where gains add, otherwise improved by single exchanges.
    """
    builds = [*_worth_having(options, together, math.inf), within_budget(options, together, math.inf)]
    reaching = [build for build in builds if build.gain >= wished]
    if not reaching:
        return None
    build = min(reaching, key=lambda one: (one.cost, -one.gain))
    while True:
        others = _neighbours(options, together, build, build.cost)
        cheaper = [one for one in others if one.gain >= wished and one.cost < build.cost]
        if not cheaper:
            return build
        build = min(cheaper, key=lambda one: one.cost)


def _worth_having(options: Sequence[Option], together: Floats, budget: float) -> list[Build]:
    """Combinations for no more than the budget than which none is cheaper and better."""
    kept = [Build()]
    groups = list(dict.fromkeys(option.slots for option in options))
    for n, slots in enumerate(groups):
        places = [i for i, option in enumerate(options) if option.slots == slots]
        grown = [
            _with(options, together, build, i)
            for build in kept
            for i in places
            if _fits(options[i], build, budget)
        ]
        kept = _frontier_of(kept + grown, coming=frozenset().union(*groups[n + 1 :]))
    return kept


def _frontier_of(builds: Sequence[Build], coming: frozenset[str]) -> list[Build]:
    """Builds than which none that leaves the same of the coming slots free is cheaper and better."""
    kept: dict[frozenset[str], list[Build]] = {}
    for build in sorted(builds, key=lambda one: (one.cost, -one.gain)):
        own = kept.setdefault(build.slots & coming, [])
        if not own or build.gain > own[-1].gain:
            own.append(build)
    found = [build for own in kept.values() for build in own]
    return sorted(found, key=lambda one: -one.gain)[:MOST_KEPT]


def _improved(options: Sequence[Option], together: Floats, build: Build, budget: float) -> Build:
    """The build after single exchanges, additions and removals for as long as one gives more."""
    while True:
        better = max(_neighbours(options, together, build, budget), key=lambda one: one.gain, default=build)
        if better.gain <= build.gain + 1e-12:
            return build
        build = better


def _neighbours(options: Sequence[Option], together: Floats, build: Build, budget: float) -> Iterator[Build]:
    """Builds with one option more, one less, or one in another's place."""
    for left_out in (None, *build.chosen):
        rest = Build()
        for place in build.chosen:
            rest = rest if place == left_out else _with(options, together, rest, place)
        yield rest
        yield from (_with(options, together, rest, i) for i in _possible(options, rest, budget))


def _possible(options: Sequence[Option], build: Build, budget: float) -> list[int]:
    return [i for i, option in enumerate(options) if _fits(option, build, budget)]


def _fits(option: Option, build: Build, budget: float) -> bool:
    """Whether an option's slots are free and the money is there."""
    return not option.slots & build.slots and build.cost + option.cost <= budget


def _with(options: Sequence[Option], together: Floats, build: Build, place: int) -> Build:
    """The build with one more option."""
    option = options[place]
    gain = build.gain + option.gain + float(together[place, list(build.chosen)].sum())
    return Build((*build.chosen, place), build.slots | option.slots, build.cost + option.cost, gain)
