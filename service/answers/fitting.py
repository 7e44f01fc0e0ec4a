"""What to fit for so much money, in which order, and the cheapest way to a wished gain: parts together, not one by one.

Vocabulary: a `step` is a part fitted next, beside what the car has and the steps before it; what it `adds` and what all so
far have `gained` are typical gains with their intervals [ln]. A grade of several parts is the weakest of theirs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.answers.measured import Solved
from service.answers.weighed import Remembering
from service.stats.history.choice import (
    Build,
    Move,
    Option,
    cheapest_reaching,
    fitting_order,
    within_budget,
)
from service.stats.history.gains import GRADES, Interval, chance_of_at_least, typical_interval
from service.store.model_questions import PricedPart

STEPS_OF_A_SLIDER: Final = 60
"""About as many steps as a hand, or the arrow keys, can tell apart and reach (our choice)."""


@dataclass(frozen=True, slots=True)
class Buyable:
    """A part that is known to gain, what it costs fitted [money], and the grade of what is known of it here."""

    part: PricedPart
    cost: float
    grade: str


@dataclass(frozen=True, slots=True)
class Step:
    """A part in the order of fitting: its cost, what it adds to what was reached before it, what was spent and gained up to
    it, and the grade of all up to it."""

    part: PricedPart
    cost: float
    reached: float
    adds: Interval
    spent: float
    gained: Interval
    grade: str


@dataclass(frozen=True, slots=True)
class AtOnce:
    """Parts bought in one go: what they cost and gain together, and their grade."""

    parts: tuple[PricedPart, ...]
    spent: float
    gained: Interval
    grade: str


@dataclass(frozen=True, slots=True)
class Wish:
    """The cheapest way to a wished gain [ln]: its steps, none where all parts together do not reach it; the most that the
    parts give, None where there is no part; the chance that one more car gains as much [0..1]."""

    gain: float
    steps: tuple[Step, ...]
    most: Interval | None
    chance: float | None


@dataclass(frozen=True, slots=True)
class Range:
    """Budgets that make a difference, and a round step between them [money]."""

    least: float
    most: float
    step: float


class Fitting:
    """The parts that can be bought for a car, put together every way.

    Parameters: fitted, what the car has, of parts that were measured; level, of the intervals [0..1].
    """

    def __init__(
        self,
        solved: Solved | Remembering,
        platform_id: int,
        buyable: Sequence[Buyable],
        fitted: Sequence[PricedPart],
        level: float,
    ) -> None:
        self._solved, self._platform, self._level = solved, platform_id, level
        self._there = [part.part_id for part in fitted]
        self._bought = {one.part.part_id: one for one in buyable}
        self._made: dict[tuple[int, ...], Step] = {}
        self._orders: dict[float, tuple[Step, ...]] = {}
        ids = list(self._bought)
        beyond = solved.beyond_their_sum(platform_id, [*ids, *self._there])
        self._together = beyond[: len(ids), : len(ids)]
        beside = beyond[: len(ids), len(ids) :].sum(axis=1)
        self._options = [
            Option(
                one.part.part_id,
                frozenset(one.part.slots),
                one.cost,
                solved.gain(one.part.part_id, platform_id).mean + float(beside[i]),
            )
            for i, one in enumerate(buyable)
        ]

    def order(self, budget: float | None) -> tuple[Step, ...]:
        """Step after step, each the one that then gives most for the money, within the budget.

        A part whose gain in its place is not established is passed over: nobody is sold it as the next step.
        """
        within = limit(budget)
        if within not in self._orders:
            self._orders[within] = self._order(within)
        return self._orders[within]

    def _order(self, budget: float) -> tuple[Step, ...]:
        kept = list(range(len(self._options)))
        while True:
            among = self._together[kept][:, kept]
            steps = self._steps(fitting_order([self._options[i] for i in kept], among, budget))
            doubtful = next((step.part.part_id for step in steps if step.adds.low <= 0.0), None)
            if doubtful is None:
                return steps
            kept = [i for i in kept if self._options[i].part_id != doubtful]

    def best_within(self, budget: float) -> AtOnce | None:
        """The parts that give most together for no more than the budget; None where it buys none."""
        return self._at_once(within_budget(self._options, self._together, budget))

    def budgets(self) -> Range | None:
        """Budgets between the cheapest part and all that the order would fit; None where nothing can be bought."""
        steps = self.order(None)
        if not steps:
            return None
        least, most = min(option.cost for option in self._options), steps[-1].spent
        step = round_step((most - least) / STEPS_OF_A_SLIDER)
        return Range(math.floor(least / step) * step, math.ceil(most / step) * step, step)

    def cheapest(self, wished: float, may_lose: bool) -> Wish:
        """The cheapest way to a wished gain [ln]; may_lose as in `gains.answer`."""
        all_there_is = self._at_once(within_budget(self._options, self._together, math.inf))
        most = None if all_there_is is None else all_there_is.gained
        found = cheapest_reaching(self._options, self._together, wished)
        if found is None or not found.chosen:
            return Wish(wished, (), most, None)
        chosen = list(found.chosen)
        among = self._together[chosen][:, chosen]
        steps = self._steps(fitting_order([self._options[i] for i in chosen], among, whole=True))
        ids = [step.part.part_id for step in steps]
        cell = self._solved.build_of(self._platform, ids, self._there)
        chance = chance_of_at_least(cell, self._solved.system.fit, wished, may_lose=may_lose)
        return Wish(wished, steps, most, chance)

    def _steps(self, moves: Sequence[Move]) -> tuple[Step, ...]:
        """The moves with their intervals."""
        ids = [move.option.part_id for move in moves]
        return tuple(self._kept_step(move, ids[: n + 1]) for n, move in enumerate(moves))

    def _kept_step(self, move: Move, ids: Sequence[int]) -> Step:
        """The last of these parts as a step, worked out once: orders begin alike."""
        key = tuple(ids)
        if key not in self._made:
            self._made[key] = self._step(move, ids[:-1])
        return self._made[key]

    def _step(self, move: Move, before: Sequence[int]) -> Step:
        part_id = move.option.part_id
        beside = dict.fromkeys([*self._there, *before], 1.0)
        adds = self._solved.gain(part_id, self._platform, 0, beside)
        gained = self._solved.build_of(self._platform, [*before, part_id], self._there)
        one = self._bought[part_id]
        return Step(
            part=one.part,
            cost=one.cost,
            reached=gained.mean - adds.mean,
            adds=typical_interval(adds, self._level),
            spent=move.cost,
            gained=typical_interval(gained, self._level),
            grade=self._weakest([*before, part_id]),
        )

    def _at_once(self, build: Build) -> AtOnce | None:
        """A build with its interval; None where there is nothing in it."""
        if not build.chosen:
            return None
        ids = [self._options[i].part_id for i in build.chosen]
        return AtOnce(
            parts=tuple(self._bought[part_id].part for part_id in ids),
            spent=build.cost,
            gained=typical_interval(self._solved.build_of(self._platform, ids, self._there), self._level),
            grade=self._weakest(ids),
        )

    def _weakest(self, ids: Sequence[int]) -> str:
        return min((self._bought[part_id].grade for part_id in ids), key=GRADES.index)


def limit(budget: float | None) -> float:
    """A budget as a number [money]."""
    return math.inf if budget is None else budget


def round_step(width: float) -> float:
    """The nearest of 1, 2 or 5 times a power of ten that is no smaller; 1 at least."""
    if width <= 1.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(width))
    return next(power * times for times in (1.0, 2.0, 5.0, 10.0) if power * times >= width)
