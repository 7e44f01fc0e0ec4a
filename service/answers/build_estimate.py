"""What several parts do together on a platform, from the whole history: not the sum of what each does alone.

Vocabulary: `together` is what two parts do beyond their own gains; a part `contributes` its own gain and half of what it
does together with each other part (Shapley's value, which for pairs is the half).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from itertools import combinations

from service.answers.cautions import (
    BOOSTED,
    DIESEL,
    LAWFUL,
    NO_MODEL,
    NO_PROMISE,
    behind_caution,
    is_spark_form,
)
from service.answers.cost import Cost, cost_of
from service.answers.measured import Solved, solved_for
from service.answers.model import ModelState
from service.answers.model_gain import may_lose
from service.answers.typical_gain import OF_STOCK, YOURS
from service.domain.measures import Measure
from service.domain.shop import Shop
from service.stats.history.cells import Cell
from service.stats.history.gains import (
    GRADES,
    GainAnswer,
    Interval,
    answer,
    grade_of,
    interaction_shown,
    typical_interval,
)
from service.store.db import Connection
from service.store.model_questions import PlatformAsked, PricedPart


@dataclass(frozen=True, slots=True)
class BuildAsked:
    """How the question is put; baseline is the asker's own figure [kW or N.m]."""

    measure: Measure
    standard: str
    level: float
    baseline: float | None


@dataclass(frozen=True, slots=True)
class BuildPart:
    """One part of the build: its own gain with its counts, None where it was never measured; what it contributes [ln]."""

    part: PricedPart
    cell: Cell | None
    alone: Interval | None
    contributes: float | None
    grade: str


@dataclass(frozen=True, slots=True)
class Together:
    """What two parts do beyond their own gains [ln]; interval None where too few cars had both, one and neither."""

    parts: tuple[str, str]
    mean: float
    interval: tuple[float, float] | None
    cars: int


@dataclass(frozen=True, slots=True)
class BuildEstimate:
    """The answer, in SI and logs; `said` None where a part was never measured, or there is no model."""

    asked: BuildAsked
    parts: tuple[BuildPart, ...]
    cost: Cost
    grade: str = GRADES[0]
    said: GainAnswer | None = None
    alone: float | None = None
    cars_with_all: int = 0
    base: float | None = None
    base_is: str | None = None
    together: tuple[Together, ...] = ()
    inseparable: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()


def build_estimate(
    conn: Connection,
    platform: PlatformAsked,
    parts: Sequence[PricedPart],
    asked: BuildAsked,
    shop: Shop,
    state: ModelState | None,
) -> BuildEstimate:
    """Answer what these parts do together on a platform."""
    solved = None if state is None else solved_for(conn, state, asked.measure, asked.standard)
    own = [own_gain(solved, part, platform) for part in parts]
    found = BuildEstimate(
        asked=asked,
        parts=tuple(shown_part(part, cell, asked) for part, cell in zip(parts, own, strict=True)),
        cost=cost_of(Bundle(parts), None, None, shop),
    )
    known = [cell for cell in own if cell is not None]
    if solved is not None and len(known) == len(parts):
        found = estimated(found, solved, platform, parts, known, shop)
    return replace(found, cautions=tuple(build_cautions(found, platform, state)))


def own_gain(solved: Solved | None, part: PricedPart, platform: PlatformAsked) -> Cell | None:
    """A part's own gain; None where it was never measured anywhere, or nothing is known."""
    if solved is None or not solved.system.has(part.part_id):
        return None
    return solved.gain(part.part_id, platform.platform_id)


def shown_part(part: PricedPart, cell: Cell | None, asked: BuildAsked) -> BuildPart:
    """A part with its own gain."""
    if cell is None:
        return BuildPart(part, None, None, None, GRADES[0])
    alone = typical_interval(cell, asked.level)
    return BuildPart(part, cell, alone, None, grade_of(cell, cell.cars, cell.cars))


def estimated(
    found: BuildEstimate,
    solved: Solved,
    platform: PlatformAsked,
    parts: Sequence[PricedPart],
    own: Sequence[Cell],
    shop: Shop,
) -> BuildEstimate:
    """The estimate of parts that were all measured."""
    asked, ids = found.asked, [part.part_id for part in parts]
    whole = solved.build_of(platform.platform_id, ids)
    said = answer(whole, solved.system.fit, asked.level, may_lose=may_lose(asked.measure))
    pairs = pairs_together(solved, platform, parts, own, asked.level)
    base, base_is = solved.stock(platform.platform_id), OF_STOCK
    if asked.baseline:
        base, base_is = asked.baseline, YOURS
    ends = (said.typical.typical, said.typical.low, said.typical.high)
    shown = tuple(replace(one, contributes=contributed(one, pairs)) for one in found.parts)
    return replace(
        found,
        said=said,
        cars_with_all=solved.system.cars_with_all(platform.platform_id, ids),
        alone=sum(cell.mean for cell in own),
        base=base,
        base_is=base_is,
        parts=shown,
        together=pairs,
        inseparable=inseparable_pairs(parts, own),
        grade=min((one.grade for one in shown), key=GRADES.index),
        cost=cost_of(Bundle(parts), ends, base, shop),
    )


def pairs_together(
    solved: Solved, platform: PlatformAsked, parts: Sequence[PricedPart], own: Sequence[Cell], level: float
) -> tuple[Together, ...]:
    """What each two of the parts do beyond their own gains."""
    found = []
    slots = {part.part_id: solved.system.catalogue.parts[part.part_id].slot for part in parts}
    for (a, gain_a), (b, gain_b) in combinations(zip(parts, own, strict=True), 2):
        both = solved.build_of(platform.platform_id, [a.part_id, b.part_id])
        known = solved.system.interaction(slots[a.part_id], slots[b.part_id])
        # The interaction is known relative to the geometric mean of the two gains.
        size = abs(gain_a.mean * gain_b.mean)
        mean = both.mean - gain_a.mean - gain_b.mean
        shown = interaction_shown(mean, known.variance * size, known.cars, level)
        found.append(
            Together((a.slug, b.slug), mean, None if shown is None else (shown.low, shown.high), known.cars)
        )
    return tuple(found)


def contributed(one: BuildPart, pairs: Sequence[Together]) -> float | None:
    """A part's own gain and half of what it does together with each other one."""
    if one.cell is None:
        return None
    return one.cell.mean + sum(pair.mean for pair in pairs if one.part.slug in pair.parts) / 2.0


def inseparable_pairs(parts: Sequence[PricedPart], own: Sequence[Cell]) -> tuple[tuple[str, str], ...]:
    """Which of these parts cannot be told apart from each other here."""
    return tuple(
        (a.slug, b.slug)
        for (a, cell), (b, _) in combinations(zip(parts, own, strict=True), 2)
        if b.part_id in cell.entangled
    )


class Bundle:
    """Several parts as one that is bought: what is known of each, added up; no price where one of them has none."""

    def __init__(self, parts: Sequence[PricedPart]) -> None:
        self._parts = parts

    @property
    def price(self) -> Decimal | None:
        """All prices, where all are known and in one currency."""
        prices = [part.price for part in self._parts if part.price is not None]
        whole = len(prices) == len(self._parts) and len({part.currency for part in self._parts}) == 1
        return sum(prices, Decimal(0)) if whole else None

    @property
    def currency(self) -> str | None:
        """The one currency of the prices."""
        named = {part.currency for part in self._parts}
        return named.pop() if len(named) == 1 else None

    @property
    def price_date(self) -> date | None:
        """The oldest date of a price."""
        return min((part.price_date for part in self._parts if part.price_date), default=None)

    @property
    def labour_hours(self) -> float | None:
        """The hours that are known, added up, as costs of single parts would be; work shared between parts is counted twice."""
        hours = [part.labour_hours for part in self._parts if part.labour_hours is not None]
        return sum(hours) if hours else None


def build_cautions(found: BuildEstimate, platform: PlatformAsked, state: ModelState | None) -> Iterator[str]:
    """What must be said beside the estimate, gravest first."""
    unknown = [one.part.name for one in found.parts if one.cell is None]
    if state is None:
        yield NO_MODEL
    elif unknown:
        yield f"Not measured: no car of any kind was measured with {' or '.join(unknown)}. No number is given."
    yield from behind_caution(state)
    borrowed = [one.part.name for one in found.parts if one.grade == "borrowed"]
    if found.said is not None and borrowed:
        yield f"Borrowed: {' and '.join(borrowed)} was judged from other kinds of car than the {platform.name}."
    if found.inseparable:
        named = "; ".join(" and ".join(pair) for pair in found.inseparable)
        yield f"Changed together so often that only their sum is known: {named}."
    if found.said is not None and not found.said.typical.established:
        yield "Gain not established: the interval includes nought, so there is no cost per unit either."
    if any(pair.interval is None for pair in found.together):
        yield "Too few cars show how some of these parts work together: what is usual between such slots is taken for them."
    if platform.aspiration != "natural" and found.asked.standard != "none":
        yield f"{BOOSTED}; the percentage hardly depends on it."
    if is_spark_form(platform.ignition, found.asked.standard):
        yield DIESEL
    if found.cost.fitted is None:
        yield "Some price, or the labour rate, is not recorded: the fitted cost is not known."
    elif len(found.parts) > 1:
        yield "Hours of work are added up: what is done once for several parts is counted for each."
    untimed = [one.part.name for one in found.parts if one.part.labour_hours is None]
    if found.cost.fitted is not None and untimed:
        yield f"No fitting time is recorded for {' and '.join(untimed)}: that work is not in the cost."
    yield NO_PROMISE
    yield LAWFUL
