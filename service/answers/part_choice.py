"""Which part gives most for its money on a platform, beside what a car has already."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.answers.cautions import (
    BOOSTED,
    DIESEL,
    LAWFUL,
    NO_MODEL,
    NO_PROMISE,
    behind_caution,
    is_spark_form,
)
from service.answers.cost import fitted_cost, labour_rate
from service.answers.fitting import AtOnce, Buyable, Fitting, Range, Step, Wish, limit
from service.answers.measured import Solved, solved_for
from service.answers.model import ModelState
from service.answers.model_gain import may_lose
from service.answers.typical_gain import OF_STOCK, YOURS
from service.answers.weighed import Remembering, Wanted, Weighed, weighed_once
from service.domain.measures import Measure
from service.domain.shop import Shop
from service.domain.slot_words import slot_cautions
from service.stats.history.cells import Cell
from service.stats.history.choice import Chances, frontier
from service.stats.history.fitted import Fit
from service.stats.history.gains import GainRanges, ranges_of
from service.stats.history.planning import further_until_established, further_until_half
from service.store.db import Connection
from service.store.model_questions import PlatformAsked, PricedPart

NEVER_MEASURED, OTHER_MONEY, TWO_FOR_ONE = (
    "never measured on any kind of car",
    "priced in another currency than the shop's, so without a cost",
    "takes the place of more than one fitted part",
)
"""Why a part is not listed, or is listed without its cost."""
OF_FITTED = "typical car of this kind with what is fitted"
GAINS, LOSES, UNCLEAR = "gains", "loses", "unclear"
"""Where the interval of a gain lies: above nought, below it, around it."""


@dataclass(frozen=True, slots=True)
class ChoiceAsked:
    """How the question is put: money in the shop's currency, own baseline and wished gain [kW or N.m]."""

    measure: Measure
    standard: str
    level: float
    baseline: float | None
    slot: str | None
    budget: float | None
    labour_rate: float | None
    wished: float | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """One part: what it gains next [ln], what it costs fitted, and how it compares; `rank` 0: no place.

    until_established, until_half: how many further cars make its answer firm (stats/history/planning.py).
    """

    part: PricedPart
    against: str | None
    cell: Cell
    said: GainRanges
    grade: str
    fitted: float | None
    until_established: int | None
    until_half: int | None
    on_frontier: bool = False
    chance_of_best: float | None = None
    rank: int = 0

    @property
    def is_established(self) -> bool:
        """Whether it is known to gain at all."""
        return self.said.typical.low > 0.0

    @property
    def standing(self) -> str:
        """Where its interval lies."""
        if self.is_established:
            return GAINS
        return LOSES if self.said.typical.high < 0.0 else UNCLEAR


@dataclass(frozen=True, slots=True)
class PartChoice:
    """The answer, in SI, logs and money."""

    asked: ChoiceAsked
    choices: tuple[Choice, ...]
    order: tuple[Step, ...]
    best_within: AtOnce | None
    best_here: str | None
    wish: Wish | None
    budgets: Range | None
    base: float | None
    base_is: str
    currency: str
    labour_rate: float | None
    left_out: Mapping[str, tuple[PricedPart, ...]]
    cautions: tuple[str, ...]


def part_choice(
    conn: Connection,
    platform: PlatformAsked,
    parts: Sequence[PricedPart],
    fitted: Sequence[PricedPart],
    asked: ChoiceAsked,
    shop: Shop,
    state: ModelState | None,
) -> PartChoice:
    """Answer which of these parts gives most for the money on a car that has the fitted ones."""
    found = PartChoice(
        asked=asked,
        choices=(),
        order=(),
        best_within=None,
        best_here=None,
        wish=None,
        budgets=None,
        base=asked.baseline,
        base_is=YOURS if asked.baseline else OF_STOCK,
        currency=shop["currency"],
        labour_rate=asked.labour_rate if asked.labour_rate is not None else shop["labour_rate"] or None,
        left_out={},
        cautions=(),
    )
    if state is not None:
        solved = solved_for(conn, state, asked.measure, asked.standard)
        found = chosen(found, state, solved, platform, parts, fitted, shop)
    unknown = [one.name for one in fitted if state is not None and not state.system.has(one.part_id)]
    return replace(found, cautions=tuple(choice_cautions(found, platform, state, unknown)))


def chosen(
    found: PartChoice,
    state: ModelState,
    solved: Solved,
    platform: PlatformAsked,
    parts: Sequence[PricedPart],
    fitted: Sequence[PricedPart],
    shop: Shop,
) -> PartChoice:
    """The choices, compared."""
    asked = found.asked
    there = [part for part in fitted if solved.system.has(part.part_id)]
    wanted, left_out = listed(parts, fitted, solved, asked, shop)
    known = weighed_once(state, solved, platform.platform_id, wanted, fitted, asked.measure, asked.standard)
    choices = choices_of(wanted, known, asked, shop, solved.system.fit)
    base, base_is = base_of(asked, solved, platform, there)
    found = replace(found, base=base, base_is=base_is, left_out=left_out)
    together = Fitting(
        Remembering(solved, known.remembered), platform.platform_id, buyable(choices), there, asked.level
    )
    ordered = tuple(sorted(compared(choices, known, solved, platform, asked.budget), key=by_worth))
    return replace(
        found,
        choices=ordered,
        best_here=best_measured_here(ordered, asked.budget),
        order=together.order(asked.budget),
        best_within=None if asked.budget is None else together.best_within(asked.budget),
        wish=wish_of(asked, base, together),
        budgets=together.budgets(),
    )


def listed(
    parts: Sequence[PricedPart], fitted: Sequence[PricedPart], solved: Solved, asked: ChoiceAsked, shop: Shop
) -> tuple[list[Wanted], dict[str, tuple[PricedPart, ...]]]:
    """The parts that are a choice, and what is left out of it or of its costs, by why."""
    wanted: list[Wanted] = []
    left_out: dict[str, tuple[PricedPart, ...]] = {}
    taken = {part.part_id for part in fitted}
    for part in parts:
        if part.part_id in taken or (asked.slot and asked.slot not in part.slots):
            continue
        replaced = replaced_by(part, fitted)
        why = why_not(part, replaced, solved)
        if why is None:
            wanted.append(Wanted(part, replaced[0] if replaced else None))
        reasons = [why, OTHER_MONEY if part.currency not in (None, shop["currency"]) else None]
        for reason in filter(None, reasons):
            left_out[reason] = (*left_out.get(reason, ()), part)
    return wanted, left_out


def base_of(
    asked: ChoiceAsked, solved: Solved, platform: PlatformAsked, there: Sequence[PricedPart]
) -> tuple[float | None, str]:
    """The figure of the car as it is [kW or N.m], and whose it is."""
    if asked.baseline:
        return asked.baseline, YOURS
    stock = solved.stock(platform.platform_id)
    if stock is None or not there:
        return stock, OF_STOCK
    with_it = solved.build_of(platform.platform_id, [part.part_id for part in there])
    return stock * math.exp(with_it.mean), OF_FITTED


def buyable(choices: Sequence[Choice]) -> list[Buyable]:
    """What can be bought for a gain: its cost is known, its gain established, its place free."""
    return [
        Buyable(one.part, one.fitted, one.grade)
        for one in choices
        if one.fitted is not None and one.against is None and one.is_established
    ]


def wish_of(asked: ChoiceAsked, base: float | None, together: Fitting) -> Wish | None:
    """The cheapest way to the wished gain; None where none is wished, or the car's level is not known."""
    if asked.wished is None or base is None:
        return None
    return together.cheapest(math.log1p(asked.wished / base), may_lose(asked.measure))


def why_not(part: PricedPart, replaced: Sequence[PricedPart], solved: Solved) -> str | None:
    """Why a part is no choice; None where it is one."""
    if not solved.system.has(part.part_id):
        return NEVER_MEASURED
    return TWO_FOR_ONE if len(replaced) > 1 else None


def replaced_by(part: PricedPart, fitted: Sequence[PricedPart]) -> list[PricedPart]:
    """The fitted parts whose place it would take."""
    return [other for other in fitted if set(other.slots) & set(part.slots)]


def choices_of(
    wanted: Sequence[Wanted], known: Weighed, asked: ChoiceAsked, shop: Shop, fit: Fit
) -> list[Choice]:
    """What each part gains next on this car, and costs, at the level that is asked for."""
    gains, level = known.beside_each_other, asked.level
    ranges = ranges_of(gains, fit, level)
    established = further_until_established(gains, fit, level)
    half = further_until_half(gains, fit, level)
    return [
        Choice(
            part=one.part,
            against=one.replaced.slug if one.replaced else None,
            cell=known.cells[i],
            said=GainRanges(*ranges[i], known.chance_of_gain[i]),
            grade=known.grades[i],
            fitted=cost_fitted(one.part, asked, shop),
            until_established=established[i],
            until_half=half[i],
        )
        for i, one in enumerate(wanted)
    ]


def cost_fitted(part: PricedPart, asked: ChoiceAsked, shop: Shop) -> float | None:
    """What a part costs fitted in the shop's currency; None where that is not known."""
    if part.price is None or part.currency != shop["currency"]:
        return None
    return fitted_cost(float(part.price), part.labour_hours, labour_rate(part, shop, asked.labour_rate))


def compared(
    choices: Sequence[Choice], known: Weighed, solved: Solved, platform: PlatformAsked, budget: float | None
) -> Sequence[Choice]:
    """The choices with their places among those that can be bought."""
    contends = [in_contention(one, budget) for one in choices]
    if not any(contends):
        return choices
    costs = np.array([one.fitted if may else np.nan for one, may in zip(choices, contends, strict=True)])
    ids = [one.part.part_id for one in choices]
    chances = known.chances(costs, solved, platform.platform_id, ids)
    ahead = frontier(costs, known.beside_each_other.mean)
    return [
        placed(one, i, bool(ahead[i]), chances) if may else one
        for i, (one, may) in enumerate(zip(choices, contends, strict=True))
    ]


def in_contention(one: Choice, budget: float | None) -> bool:
    """Whether a part has a place among the others: what is not known to gain at all is no bargain, however far up its
    interval reaches, and what the budget does not buy is none either."""
    return one.fitted is not None and one.is_established and one.fitted <= limit(budget)


def best_measured_here(ordered: Sequence[Choice], budget: float | None) -> str | None:
    """The first in the order of worth of which cars of this very kind were measured with and without it."""
    return next((one.part.slug for one in ordered if one.cell.cars and in_contention(one, budget)), None)


def placed(one: Choice, i: int, ahead: bool, chances: Chances) -> Choice:
    """A choice with its place."""
    return replace(
        one,
        on_frontier=ahead,
        chance_of_best=float(chances.best_worth[i]),
        rank=int(chances.cautious_rank[i]),
    )


def by_worth(one: Choice) -> tuple[bool, float, str]:
    """Most gain per money first; what has no place among them after all others, most gain first."""
    if one.fitted and one.is_established:
        return False, -math.expm1(one.cell.mean) / one.fitted, one.part.slug
    return True, -one.cell.mean, one.part.slug


def choice_cautions(
    found: PartChoice, platform: PlatformAsked, state: ModelState | None, unknown: Sequence[str]
) -> Iterator[str]:
    """What must be said beside the choice, gravest first."""
    if state is None:
        yield NO_MODEL
    elif not found.choices:
        yield f"Nothing to choose from: no such part was measured on any kind of car. No number is given for the {platform.name}."
    yield from behind_caution(state)
    if any(one.grade == "borrowed" for one in found.choices):
        yield f"What is borrowed is judged from other kinds of car: no {platform.name} shows it by itself."
    if any(not one.is_established for one in found.choices):
        yield "Where the interval of a gain includes nought the gain is not established, and no gain per money is given."
    if any(one.fitted is None for one in found.choices):
        yield "Parts without a price, or with hours of work where no labour rate is set, have no cost and no place."
    if any(one.fitted is not None and one.part.labour_hours is None for one in found.choices):
        yield "Parts without a recorded fitting time stand with their price alone: that work is not in their cost."
    if unknown:
        yield f"Fitted, but never measured on any kind of car: {' and '.join(unknown)}. What that changes is not in here."
    if found.asked.wished is not None and found.base is None:
        yield "How much such a car makes is not known, so a wished gain cannot be looked for."
    if found.order:
        yield "Gains do not add: the order takes what two parts do together from what is usual between their slots."
    yield from slot_cautions({slot for one in found.choices for slot in one.part.slots})
    if platform.aspiration != "natural" and found.asked.standard != "none":
        yield f"{BOOSTED}; the percentage hardly depends on it."
    if is_spark_form(platform.ignition, found.asked.standard):
        yield DIESEL
    yield NO_PROMISE
    yield LAWFUL
