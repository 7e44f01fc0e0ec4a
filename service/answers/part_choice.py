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
from service.answers.measured import Solved, solved_for
from service.answers.model import ModelState
from service.answers.model_gain import may_lose
from service.answers.typical_gain import OF_STOCK, YOURS
from service.domain.history import Floats
from service.domain.measures import Measure
from service.domain.shop import Shop
from service.stats.history.cells import Cell
from service.stats.history.choice import (
    Chances,
    Move,
    Option,
    best_chances,
    fitting_order,
    frontier,
    within_budget,
)
from service.stats.history.gains import GainAnswer, answer, grade_of, prior_share
from service.store.db import Connection
from service.store.model_questions import PlatformAsked, PricedPart

NEVER_MEASURED, OTHER_MONEY, TWO_FOR_ONE = (
    "never measured on any kind of car",
    "priced in another currency than the shop's, so without a cost",
    "takes the place of more than one fitted part",
)
"""Why a part is not listed, or is listed without its cost."""


@dataclass(frozen=True, slots=True)
class ChoiceAsked:
    """How the question is put: money in the shop's currency, own baseline [kW or N.m]."""

    measure: Measure
    standard: str
    level: float
    baseline: float | None
    slot: str | None
    budget: float | None
    labour_rate: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """One part: what it gains next [ln], what it costs fitted, and how it compares; `rank` 0: no place."""

    part: PricedPart
    against: str | None
    cell: Cell
    said: GainAnswer
    grade: str
    fitted: float | None
    on_frontier: bool = False
    chance_of_best: float | None = None
    rank: int = 0

    @property
    def is_established(self) -> bool:
        """Whether it is known to gain at all."""
        return self.said.typical.low > 0.0


@dataclass(frozen=True, slots=True)
class Step:
    """A part in the order of fitting: what it adds beside those before it, spent and gained up to it [ln]."""

    part: str
    adds: float
    spent: float
    gained: float


@dataclass(frozen=True, slots=True)
class PartChoice:
    """The answer, in SI, logs and money."""

    asked: ChoiceAsked
    choices: tuple[Choice, ...]
    order: tuple[Step, ...]
    best_within: tuple[str, ...] | None
    base: float | None
    base_is: str
    currency: str
    labour_rate: float | None
    left_out: Mapping[str, int]
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
        base=asked.baseline,
        base_is=YOURS if asked.baseline else OF_STOCK,
        currency=shop["currency"],
        labour_rate=asked.labour_rate if asked.labour_rate is not None else shop["labour_rate"] or None,
        left_out={},
        cautions=(),
    )
    if state is not None:
        solved = solved_for(conn, state, asked.measure, asked.standard)
        found = chosen(found, solved, platform, parts, fitted, shop)
    return replace(found, cautions=tuple(choice_cautions(found, platform, state)))


def chosen(
    found: PartChoice,
    solved: Solved,
    platform: PlatformAsked,
    parts: Sequence[PricedPart],
    fitted: Sequence[PricedPart],
    shop: Shop,
) -> PartChoice:
    """The choices, compared."""
    asked = found.asked
    left_out: dict[str, int] = {}
    choices = []
    taken = {part.part_id for part in fitted}
    for part in parts:
        if part.part_id in taken or (asked.slot and asked.slot not in part.slots):
            continue
        why = why_not(part, fitted, solved)
        if why is None:
            choices.append(choice_of(part, fitted, solved, platform, asked, shop))
        else:
            left_out[why] = left_out.get(why, 0) + 1
        if part.currency not in (None, shop["currency"]):
            left_out[OTHER_MONEY] = left_out.get(OTHER_MONEY, 0) + 1
    compared_ones = compared(choices, solved, platform)
    order, within = orders(compared_ones, fitted, solved, platform, asked)
    return replace(
        found,
        choices=tuple(sorted(compared_ones, key=by_worth)),
        order=order,
        best_within=within,
        base=asked.baseline or solved.stock(platform.platform_id),
        left_out=left_out,
    )


def why_not(part: PricedPart, fitted: Sequence[PricedPart], solved: Solved) -> str | None:
    """Why a part is no choice; None where it is one."""
    if not solved.system.has(part.part_id):
        return NEVER_MEASURED
    return TWO_FOR_ONE if len(replaced_by(part, fitted)) > 1 else None


def replaced_by(part: PricedPart, fitted: Sequence[PricedPart]) -> list[PricedPart]:
    """The fitted parts whose place it would take."""
    return [other for other in fitted if set(other.slots) & set(part.slots)]


def choice_of(
    part: PricedPart,
    fitted: Sequence[PricedPart],
    solved: Solved,
    platform: PlatformAsked,
    asked: ChoiceAsked,
    shop: Shop,
) -> Choice:
    """What a part gains next on this car, and costs."""
    replaced = replaced_by(part, fitted)
    beside = {other.part_id: 1.0 for other in fitted if other not in replaced}
    against = replaced[0] if replaced else None
    cell = solved.gain(part.part_id, platform.platform_id, against.part_id if against else 0, beside)
    return Choice(
        part=part,
        against=against.slug if against else None,
        cell=cell,
        said=answer(
            cell,
            solved.system.fit,
            asked.level,
            may_lose=may_lose(asked.measure, against.part_id if against else 0),
        ),
        grade=grade_of(cell, cell.cars, cell.cars),
        fitted=cost_fitted(part, asked, shop),
    )


def cost_fitted(part: PricedPart, asked: ChoiceAsked, shop: Shop) -> float | None:
    """What a part costs fitted in the shop's currency; None where that is not known."""
    if part.price is None or part.currency != shop["currency"]:
        return None
    return fitted_cost(float(part.price), part.labour_hours, labour_rate(part, shop, asked.labour_rate))


def compared(choices: Sequence[Choice], solved: Solved, platform: PlatformAsked) -> list[Choice]:
    """The choices with their places among each other."""
    if not choices:
        return []
    means = np.array([one.cell.mean for one in choices])
    # What is not known to gain at all is no bargain, however far up its interval reaches.
    costs = np.array(
        [one.fitted if one.fitted is not None and one.is_established else np.nan for one in choices]
    )
    chances = best_chances(
        means,
        joint_covariance(choices, solved, platform),
        costs,
        np.array([float(prior_share(one.cell)) for one in choices]),
    )
    ahead = frontier(costs, means)
    return [placed(one, i, bool(ahead[i]), chances) for i, one in enumerate(choices)]


def placed(one: Choice, i: int, ahead: bool, chances: Chances) -> Choice:
    """A choice with its place; none where its gain is not established, or its cost not known."""
    if one.fitted is None or not one.is_established:
        return one
    return replace(
        one,
        on_frontier=ahead,
        chance_of_best=float(chances.best_worth[i]),
        rank=int(chances.cautious_rank[i]),
    )


def joint_covariance(choices: Sequence[Choice], solved: Solved, platform: PlatformAsked) -> Floats:
    """Covariance of the errors of these gains: correlated as the parts' own gains are, each with its own variance."""
    _, own = solved.joint(platform.platform_id, [one.part.part_id for one in choices])
    scale = np.sqrt([one.cell.variance for one in choices] / np.maximum(own.diagonal(), 1e-300))
    return np.asarray(own * np.outer(scale, scale))


def by_worth(one: Choice) -> tuple[bool, float, str]:
    """Most gain per money first; what has no place among them after all others, most gain first."""
    if one.fitted and one.is_established:
        return False, -math.expm1(one.cell.mean) / one.fitted, one.part.slug
    return True, -one.cell.mean, one.part.slug


def orders(
    choices: Sequence[Choice],
    fitted: Sequence[PricedPart],
    solved: Solved,
    platform: PlatformAsked,
    asked: ChoiceAsked,
) -> tuple[tuple[Step, ...], tuple[str, ...] | None]:
    """In which order to fit for the money, and the best that a budget buys together, where one is given."""
    there = [part for part in fitted if solved.system.has(part.part_id)]
    buyable = [
        one for one in choices if one.fitted is not None and one.against is None and one.is_established
    ]
    slugs = {one.part.part_id: one.part.slug for one in buyable}
    own = [solved.gain(part.part_id, platform.platform_id).mean for part in there]
    options = [
        *(Option(p.part_id, frozenset(p.slots), 0.0, gain) for p, gain in zip(there, own, strict=True)),
        *(
            Option(
                one.part.part_id, frozenset(one.part.slots), one.fitted or 0.0, alone(one, solved, platform)
            )
            for one in buyable
        ),
    ]
    together = beyond_their_sum(options, solved)
    budget = math.inf if asked.budget is None else asked.budget
    moves = fitting_order(options, together, budget, first=range(len(there)))
    if asked.budget is None:
        return steps_of(moves, slugs, options, together, len(there)), None
    # What is there costs nothing and stays: the best build holds it.
    best = within_budget(options, together, budget)
    bought = tuple(slugs[options[i].part_id] for i in best.chosen if options[i].part_id in slugs)
    return steps_of(moves, slugs, options, together, len(there)), bought


def alone(one: Choice, solved: Solved, platform: PlatformAsked) -> float:
    """A part's typical gain on its own [ln]."""
    return solved.gain(one.part.part_id, platform.platform_id).mean


def beyond_their_sum(options: Sequence[Option], solved: Solved) -> Floats:
    """What each two options give beyond their sum [ln], [k, k]."""
    parts = solved.system.catalogue.parts
    known: dict[tuple[str, str], float] = {}
    found = np.zeros((len(options), len(options)))
    for i, a in enumerate(options):
        for j, b in enumerate(options[:i]):
            slots = parts[a.part_id].slot, parts[b.part_id].slot
            if a.slots & b.slots:
                continue
            if slots not in known:
                known[slots] = solved.system.interaction(*slots).mean
            found[i, j] = found[j, i] = known[slots] * math.sqrt(abs(a.gain * b.gain))
    return found


def steps_of(
    moves: Sequence[Move], slugs: Mapping[int, str], options: Sequence[Option], together: Floats, there: int
) -> tuple[Step, ...]:
    """The order of fitting, counted from the car as it is."""
    first = sum(option.gain for option in options[:there]) + float(together[:there, :there].sum()) / 2.0
    return tuple(Step(slugs[move.option.part_id], move.adds, move.cost, move.gain - first) for move in moves)


def choice_cautions(found: PartChoice, platform: PlatformAsked, state: ModelState | None) -> Iterator[str]:
    """What must be said beside the choice, gravest first."""
    if state is None:
        yield NO_MODEL
    elif not found.choices:
        yield f"Nothing to choose from: no such part was measured on any kind of car. No number is given for the {platform.name}."
    yield from behind_caution(state)
    if any(one.grade == "borrowed" for one in found.choices):
        yield f"What is `borrowed` was never measured on a {platform.name}: it is judged from other kinds of car."
    if any(not one.is_established for one in found.choices):
        yield "Where the interval of a gain includes nought the gain is not established, and no gain per money is given."
    if any(one.fitted is None for one in found.choices):
        yield "Parts without a price, or with hours of work where no labour rate is set, have no cost and no place."
    if found.order:
        yield "The order of fitting takes what two parts do together from what is usual between their slots."
    if platform.aspiration != "natural" and found.asked.standard != "none":
        yield f"{BOOSTED}; the percentage hardly depends on it."
    if is_spark_form(platform.ignition, found.asked.standard):
        yield DIESEL
    yield NO_PROMISE
    yield LAWFUL
