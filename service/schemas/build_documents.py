"""What parts do together, and which part is worth its money, as documents."""

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from marshmallow import Schema, fields

from service.schemas import model_meanings as meanings
from service.schemas.answer_documents import cost_document, figure, interval, rounded
from service.schemas.base import Document
from service.schemas.build_members import (
    BudgetGives,
    BudgetRange,
    BuildEvidence,
    ExpectedFigure,
    FittingStep,
    LeftOutPart,
    PartEvidence,
    PartsTogether,
    WishDocument,
    told_as,
)
from service.schemas.gain_members import FittedCost
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.build_estimate import BuildEstimate, BuildPart, Together
    from service.answers.fitting import AtOnce, Step, Wish
    from service.answers.part_choice import Choice, PartChoice
    from service.stats.history.cells import Cell
    from service.stats.history.gains import GainAnswer, GainRanges, Interval

Shown = Callable[[float], float | None]


def percent(log: float) -> float | None:
    """A gain in logs as percent."""
    return rounded(round(100.0 * math.expm1(log), 9))  # below that it is the arithmetic's own dust


def on_base(base: float | None, quantity: str, units: str) -> Shown:
    """What shows a gain in logs on a base [kW or N.m], in the asked unit."""

    def show(log: float) -> float | None:
        return None if base is None else figure(base * math.expm1(log), quantity, units)

    return show


def gain_document(said: "GainAnswer | GainRanges | None", show: Shown) -> dict[str, Any]:
    """A gain with its two intervals, in units and in percent."""
    if said is None:
        return dict.fromkeys(meanings.GAIN_FIELDS)
    ends = (said.typical.low, said.typical.high)
    return {
        "typical": show(said.typical.typical),
        "typical_percent": percent(said.typical.typical),
        "typical_interval": interval(ends, show),
        "typical_interval_percent": interval(ends, percent),
        "next_car_interval": interval(said.next_car, show),
        "next_car_interval_percent": interval(said.next_car, percent),
        "chance_of_gain": rounded(said.chance_of_gain),
    }


def build_document(answer: "BuildEstimate", question: Mapping[str, Any], units: str) -> dict[str, Any]:
    """A build estimate."""
    measure, said, base = answer.asked.measure, answer.said, answer.base
    show = on_base(base, measure.quantity, units)
    return {
        "question": {**question, "units": units},
        "units": units,
        "standard": answer.asked.standard,
        "level": answer.asked.level,
        **gain_document(said, show),
        "baseline": figure(base, measure.quantity, units),
        "baseline_is": answer.base_is,
        "expected": expected_document(said, base, measure.quantity, units),
        "alone_percent": None if answer.alone is None else percent(answer.alone),
        "parts": [build_part_document(one) for one in answer.parts],
        "together": [together_document(one) for one in answer.together],
        "inseparable": [list(pair) for pair in answer.inseparable],
        "evidence": {"grade": answer.grade, "cars_with_all": answer.cars_with_all},
        "cost": cost_document(answer.cost, measure, units),
        "cautions": list(answer.cautions),
    }


def expected_document(
    said: "GainAnswer | None", base: float | None, quantity: str, units: str
) -> dict[str, Any] | None:
    """The figure after, in the asked unit."""
    if said is None or base is None:
        return None

    def after(log: float) -> float | None:
        return figure(base * math.exp(log), quantity, units)

    return {
        "typical": after(said.typical.typical),
        "interval": interval((said.typical.low, said.typical.high), after),
        "next_car_interval": interval(said.next_car, after),
    }


def build_part_document(one: "BuildPart") -> dict[str, Any]:
    """One part of a build, in percent."""
    return {
        "part": one.part.slug,
        "name": one.part.name,
        "slots": list(one.part.slots),
        "typical_percent": None if one.alone is None else percent(one.alone.typical),
        "typical_interval_percent": ends_in_percent(one.alone),
        "contributes_percent": None if one.contributes is None else percent(one.contributes),
        "evidence": counts_document(one.cell, one.grade),
    }


def ends_in_percent(ends: "Interval | None") -> list[float | None] | None:
    """An interval in percent."""
    return None if ends is None else interval((ends.low, ends.high), percent)


def counts_document(cell: "Cell | None", grade: str) -> dict[str, Any]:
    """How much stands behind one part's gain."""
    share = None
    if cell is not None and cell.elsewhere_variance > 0.0:
        share = rounded(min(1.0, cell.variance / cell.elsewhere_variance))
    return {
        "grade": grade,
        "cars": cell.cars if cell else 0,
        "cars_with": cell.cars_with if cell else 0,
        "cars_elsewhere": cell.cars_elsewhere if cell else 0,
        "borrowed_share": share,
    }


def together_document(one: "Together") -> dict[str, Any]:
    """What two parts do beyond their own gains."""
    return {
        "parts": list(one.parts),
        "percent": percent(one.mean),
        "interval_percent": interval(one.interval, percent),
        "cars": one.cars,
    }


def choice_document(answer: "PartChoice", question: Mapping[str, Any], units: str) -> dict[str, Any]:
    """A part choice."""
    quantity, base = answer.asked.measure.quantity, answer.base
    show = on_base(base, quantity, units)
    return {
        "question": {**question, "units": units},
        "units": units,
        "standard": answer.asked.standard,
        "level": answer.asked.level,
        "baseline": figure(base, quantity, units),
        "baseline_is": answer.base_is,
        "currency": answer.currency,
        "labour_rate": answer.labour_rate,
        "budget": answer.asked.budget,
        "parts": [choice_row(one, answer, show) for one in answer.choices],
        "best_order": [step_document(step, answer, units) for step in answer.order],
        "best_within_budget": slugs_within(answer),
        "best_within_budget_gives": None
        if answer.best_within is None
        else at_once_document(answer.best_within, show),
        "best_measured_here": answer.best_here,
        "cheapest_to_wish": None if answer.wish is None else wish_document(answer.wish, answer, units),
        "budget_range": None if answer.budgets is None else asdict(answer.budgets),
        "left_out": {why: len(parts) for why, parts in answer.left_out.items()},
        "left_out_parts": [
            {"part": part.slug, "name": part.name, "why": why}
            for why, parts in answer.left_out.items()
            for part in parts
        ],
        "cautions": list(answer.cautions),
    }


def step_document(step: "Step", answer: "PartChoice", units: str) -> dict[str, Any]:
    """A step in the order of fitting, in the asked unit and in percent.

    What it adds counts from what was reached before it, so that in the unit the steps come to what was gained.
    """
    quantity, base = answer.asked.measure.quantity, answer.base
    reached = None if base is None else base * math.exp(step.reached)
    return {
        "part": step.part.slug,
        "name": step.part.name,
        "cost": round(step.cost, 2),
        **told("adds", step.adds, on_base(reached, quantity, units)),
        "spent": round(step.spent, 2),
        **told("gained", step.gained, on_base(base, quantity, units)),
        "grade": step.grade,
    }


def slugs_within(answer: "PartChoice") -> list[str] | None:
    """The parts that a budget buys; None where none was asked."""
    if answer.asked.budget is None:
        return None
    return [part.slug for part in answer.best_within.parts] if answer.best_within else []


def at_once_document(found: "AtOnce", show: Shown) -> dict[str, Any]:
    """What parts bought in one go cost and gain."""
    return {"spent": round(found.spent, 2), **told("gained", found.gained, show), "grade": found.grade}


def told(name: str, gain: "Interval | None", show: Shown) -> dict[str, Any]:
    """A gain with its interval under a name, in the asked unit and in percent."""
    names = told_as(name)
    if gain is None:
        return dict.fromkeys(names)
    ends = (gain.low, gain.high)
    figures = (show(gain.typical), interval(ends, show), percent(gain.typical), interval(ends, percent))
    return dict(zip(names, figures, strict=True))


def wish_document(wish: "Wish", answer: "PartChoice", units: str) -> dict[str, Any]:
    """The cheapest way to a wished gain."""
    show = on_base(answer.base, answer.asked.measure.quantity, units)
    spent = wish.steps[-1].spent if wish.steps else None
    budget = answer.asked.budget
    return {
        "wished": show(wish.gain),
        "steps": [step_document(step, answer, units) for step in wish.steps],
        "spent": None if spent is None else round(spent, 2),
        "within_budget": None if budget is None or spent is None else spent <= budget,
        "chance": rounded(wish.chance),
        **told("most", wish.most, show),
    }


def choice_row(one: "Choice", answer: "PartChoice", show: Shown) -> dict[str, Any]:
    """One part of a choice."""
    typical = one.said.typical
    sure = one.is_established and bool(one.fitted)
    gained = [show(log) for log in (typical.typical, typical.low, typical.high)] if sure else None
    budget = answer.asked.budget
    return {
        "part": one.part.slug,
        "name": one.part.name,
        "slots": list(one.part.slots),
        "against": one.against or "without",
        **gain_document(one.said, show),
        "evidence": counts_document(one.cell, one.grade),
        "standing": one.standing,
        "price": None if one.part.price is None else float(one.part.price),
        "price_date": None if one.part.price_date is None else one.part.price_date.isoformat(),
        "labour_hours": one.part.labour_hours,
        "fitted": None if one.fitted is None else round(one.fitted, 2),
        **money_document(gained, one.fitted),
        "chance_of_best": rounded(one.chance_of_best),
        "cautious_rank": one.rank or None,
        "frontier": one.on_frontier,
        "within_budget": None if budget is None or one.fitted is None else one.fitted <= budget,
        "cars_until_established": one.until_established,
        "cars_until_half": one.until_half,
    }


def money_document(gained: list[float | None] | None, fitted: float | None) -> dict[str, Any]:
    """Gain for money and money for gain, given typical, low and high gain in the asked unit; null: not established."""
    if gained is None or fitted is None or None in gained:
        names = ("gain_per_money", "gain_per_money_interval", "cost_per_unit", "cost_per_unit_interval")
        return dict.fromkeys(names)
    typical, low, high = (float(gain or 0.0) for gain in gained)
    return {
        "gain_per_money": rounded(typical / fitted),
        "gain_per_money_interval": [rounded(low / fitted), rounded(high / fitted)],
        "cost_per_unit": round(fitted / typical, 2),
        "cost_per_unit_interval": [round(fitted / high, 2), round(fitted / low, 2)],
    }


class GainFields(Schema):
    """A gain with its intervals."""

    typical = fields.Float(allow_none=True)
    typical_percent = fields.Float(allow_none=True)
    typical_interval = fields.List(fields.Float(), allow_none=True)
    typical_interval_percent = fields.List(fields.Float(), allow_none=True)
    next_car_interval = fields.List(fields.Float(), allow_none=True)
    next_car_interval_percent = fields.List(fields.Float(), allow_none=True)
    chance_of_gain = fields.Float(allow_none=True)


@described(meanings.BUILD_PART)
class BuildPartDocument(Schema):
    """One part of a build."""

    part = fields.String()
    name = fields.String()
    slots = fields.List(fields.String())
    typical_percent = fields.Float(allow_none=True)
    typical_interval_percent = fields.List(fields.Float(), allow_none=True)
    contributes_percent = fields.Float(allow_none=True)
    evidence = fields.Nested(PartEvidence)


@described(meanings.BUILD)
class BuildAnswer(GainFields, Document):
    """What parts do together on a platform."""

    as_of = fields.DateTime()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    level = fields.Float()
    baseline = fields.Float(allow_none=True)
    baseline_is = fields.String(allow_none=True)
    expected = fields.Nested(ExpectedFigure, allow_none=True)
    alone_percent = fields.Float(allow_none=True)
    parts = fields.List(fields.Nested(BuildPartDocument))
    together = fields.List(fields.Nested(PartsTogether))
    inseparable = fields.List(fields.List(fields.String()))
    evidence = fields.Nested(BuildEvidence)
    cost = fields.Nested(FittedCost)
    cautions = fields.List(fields.String())


@described(meanings.CHOICE_PART)
class ChoicePartDocument(GainFields):
    """One part that can be chosen."""

    part = fields.String()
    name = fields.String()
    slots = fields.List(fields.String())
    against = fields.String()
    evidence = fields.Nested(PartEvidence)
    standing = fields.String()
    price = fields.Float(allow_none=True)
    price_date = fields.Date(allow_none=True)
    labour_hours = fields.Float(allow_none=True)
    fitted = fields.Float(allow_none=True)
    gain_per_money = fields.Float(allow_none=True)
    gain_per_money_interval = fields.List(fields.Float(), allow_none=True)
    cost_per_unit = fields.Float(allow_none=True)
    cost_per_unit_interval = fields.List(fields.Float(), allow_none=True)
    chance_of_best = fields.Float(allow_none=True)
    cautious_rank = fields.Integer(allow_none=True)
    frontier = fields.Boolean()
    within_budget = fields.Boolean(allow_none=True)
    cars_until_established = fields.Integer(allow_none=True)
    cars_until_half = fields.Integer(allow_none=True)


@described(meanings.CHOICE)
class ChoiceAnswer(Document):
    """Which part gives most for its money on a platform."""

    as_of = fields.DateTime()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    level = fields.Float()
    baseline = fields.Float(allow_none=True)
    baseline_is = fields.String()
    currency = fields.String()
    labour_rate = fields.Float(allow_none=True)
    budget = fields.Float(allow_none=True)
    parts = fields.List(fields.Nested(ChoicePartDocument))
    best_order = fields.List(fields.Nested(FittingStep))
    best_within_budget = fields.List(fields.String(), allow_none=True)
    best_within_budget_gives = fields.Nested(BudgetGives, allow_none=True)
    best_measured_here = fields.String(allow_none=True)
    cheapest_to_wish = fields.Nested(WishDocument, allow_none=True)
    budget_range = fields.Nested(BudgetRange, allow_none=True)
    left_out = fields.Dict(keys=fields.String(), values=fields.Integer())
    left_out_parts = fields.List(fields.Nested(LeftOutPart))
    cautions = fields.List(fields.String())
