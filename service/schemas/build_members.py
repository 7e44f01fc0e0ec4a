"""What answered builds and choices are made of: how much stands behind a part, steps of a fitting, what a budget gives."""

from collections.abc import Callable
from typing import TypeVar

from marshmallow import Schema, fields

from service.schemas.base import Document
from service.schemas.gain_member_meanings import GRADE
from service.schemas.gain_members import ends
from service.schemas.meanings import described

Shape = TypeVar("Shape", bound=type[Schema])


@described(
    {
        "grade": GRADE,
        "cars": "Cars measured here with and without it.",
        "cars_with": "Cars measured here with it, in any company.",
        "cars_elsewhere": "Cars of other platforms measured with it.",
        "borrowed_share": "How much of the figure comes from elsewhere, 0..1; null = not known.",
    }
)
class PartEvidence(Document):
    """How much stands behind one part's gain."""

    grade = fields.String()
    cars = fields.Integer()
    cars_with = fields.Integer()
    cars_elsewhere = fields.Integer()
    borrowed_share = fields.Float(allow_none=True)


@described({"grade": GRADE, "cars_with_all": "Cars measured with all its parts."})
class BuildEvidence(Document):
    """How much stands behind a build."""

    grade = fields.String()
    cars_with_all = fields.Integer()


@described(
    {
        "typical": "The figure after, of the typical car, in `units`.",
        "interval": "Its interval.",
        "next_car_interval": "The interval for one more car; null = not known.",
    }
)
class ExpectedFigure(Document):
    """The figure after the parts are fitted."""

    typical = fields.Float(allow_none=True)
    interval = ends()
    next_car_interval = ends()


@described(
    {
        "parts": "The two parts (slugs).",
        "percent": "What they do together beyond their own gains [%].",
        "interval_percent": "Its interval [%].",
        "cars": "Cars measured with both.",
    }
)
class PartsTogether(Document):
    """What two parts do beyond their own gains."""

    parts = fields.List(fields.String())
    percent = fields.Float(allow_none=True)
    interval_percent = ends()
    cars = fields.Integer()


def told_as(name: str) -> tuple[str, str, str, str]:
    """The members by which a gain is told under a name: it and its interval in the asked unit, then both in percent."""
    return name, f"{name}_interval", f"{name}_percent", f"{name}_interval_percent"


def tells(**gains: str) -> Callable[[Shape], Shape]:
    """Give a schema the members of gains, each under its name with what it means."""

    def give(document: Shape) -> Shape:
        for name, meaning in gains.items():
            words = (
                meaning,
                "Its interval at `level`, in `units`; null = not known.",
                "The same [%]; null = not known.",
                "Its interval [%]; null = not known.",
            )
            shapes = (fields.Float(allow_none=True), ends(), fields.Float(allow_none=True), ends())
            members = dict(zip(told_as(name), shapes, strict=True))
            document._declared_fields.update(members)
            described(dict(zip(members, words, strict=True)))(document)
        return document

    return give


@tells(gained="What they gain together, in `units`, counted from `baseline`; null = not known.")
@described({"spent": "What they cost fitted.", "grade": GRADE})
class BudgetGives(Document):
    """What parts bought in one go cost and gain."""

    spent = fields.Float()
    grade = fields.String()


@tells(
    adds="What it adds to the figure reached before it, in `units`; null = not known.",
    gained="What it and all before it gain, in `units`, counted from `baseline`; null = not known.",
)
@described(
    {
        "part": "The part (slug).",
        "name": "Its full name.",
        "cost": "What it costs fitted.",
        "spent": "What it and all before it cost fitted.",
        "grade": "The weakest grade of the parts up to it.",
    }
)
class FittingStep(Document):
    """A step in the order of fitting."""

    part = fields.String()
    name = fields.String()
    cost = fields.Float()
    spent = fields.Float()
    grade = fields.String()


@tells(most="The most that all parts give, in `units`; null = there is none.")
@described(
    {
        "wished": "The wished gain, in `units`.",
        "steps": "The steps to it; none: all parts known to gain do not reach it.",
        "spent": "What they cost fitted; null = no steps.",
        "within_budget": "Whether that is within the budget; null = no budget asked, or no steps.",
        "chance": "Chance that one more car gains as much, 0..1; null = not known.",
    }
)
class WishDocument(Document):
    """The cheapest way to a wished gain."""

    wished = fields.Float(allow_none=True)
    steps = fields.List(fields.Nested(FittingStep))
    spent = fields.Float(allow_none=True)
    within_budget = fields.Boolean(allow_none=True)
    chance = fields.Float(allow_none=True)


@described(
    {
        "least": "What the cheapest part known to gain costs.",
        "most": "What all that `best_order` would fit costs.",
        "step": "A round step between them.",
    }
)
class BudgetRange(Document):
    """Budgets that make a difference."""

    least = fields.Float()
    most = fields.Float()
    step = fields.Float()


@described({"part": "The part (slug).", "name": "Its full name.", "why": "Why it is left out."})
class LeftOutPart(Document):
    """A part that is not listed, or listed without a cost."""

    part = fields.String()
    name = fields.String()
    why = fields.String()
