"""What a search takes and answers."""

from typing import TYPE_CHECKING, Any

from marshmallow import Schema, fields, validate

from service.schemas.fields import Text
from service.schemas.meanings import described
from service.schemas.queries import Query

if TYPE_CHECKING:
    from service.answers.search import Found
    from service.store.search import FoundQuestion

MOST_OF_A_KIND = 50

QUERY = {
    "q": "What was typed: words of a part, of a kind of car, or both, in any order; or the beginning of a car's tag.",
    "limit": "Of each kind, the most that are answered.",
}
QUESTION = {
    "platform": "The kind of car.",
    "platform_name": "Its name.",
    "part": "The part.",
    "part_name": "Its name.",
    "against": "The part it was measured against, or `without`.",
    "against_name": "That part's name.",
    "cars": "Cars with a comparison that counts; 0 where nothing was measured.",
    "pairs": "Comparisons that count.",
    "last": "Day of the newest of them.",
}
PLATFORM = {
    "platform": "The kind of car.",
    "name": "Its name.",
    "stock_cars": "Cars of it that were measured stock, verified or declared, without doubts.",
}
PART = {"part": "The part.", "name": "Its name."}
CAR = {"tag": "The car's tag.", "platform": "Its kind of car.", "platform_name": "The name of that kind."}
ANSWER = {
    "q": "What was typed.",
    "near": "Nothing is called so; these are spelt nearly so.",
    "questions": "Parts on kinds of car that were measured, those with the most cars first.",
    "unmeasured": "Where `limit` leaves room: parts on kinds of car that were both named and of which nothing was measured.",
    "platforms": "Kinds of car called so.",
    "parts": "Parts called so of which nothing was measured on any kind of car.",
    "cars": "The cars whose tag begins as typed, from three letters on and where they are few; a tag must be asked for.",
    "too_many_cars": "More tags begin as typed than are listed; type more of the tag.",
}


@described(QUERY)
class FindQuery(Query):
    """What is looked for."""

    q = Text(required=True, longest=100)
    limit = fields.Integer(
        load_default=8,
        validate=validate.Range(1, MOST_OF_A_KIND, error="must lie between {min} and {max}"),
    )


@described(QUESTION)
class FoundQuestionDocument(Schema):
    """A part on a kind of car."""

    platform = fields.String(required=True)
    platform_name = fields.String(required=True)
    part = fields.String(required=True)
    part_name = fields.String(required=True)
    against = fields.String(required=True)
    against_name = fields.String(allow_none=True)
    cars = fields.Integer(required=True)
    pairs = fields.Integer(required=True)
    last = fields.Date(allow_none=True)


@described(PLATFORM)
class FoundPlatformDocument(Schema):
    """A kind of car."""

    platform = fields.String(required=True)
    name = fields.String(required=True)
    stock_cars = fields.Integer(required=True)


@described(PART)
class FoundPartDocument(Schema):
    """A part without evidence."""

    part = fields.String(required=True)
    name = fields.String(required=True)


@described(CAR)
class FoundCarDocument(Schema):
    """A car."""

    tag = fields.String(required=True)
    platform = fields.String(required=True)
    platform_name = fields.String(required=True)


@described(ANSWER)
class SearchAnswer(Schema):
    """What was found, by kind."""

    q = fields.String(required=True)
    near = fields.Boolean(required=True)
    questions = fields.List(fields.Nested(FoundQuestionDocument), required=True)
    unmeasured = fields.List(fields.Nested(FoundQuestionDocument), required=True)
    platforms = fields.List(fields.Nested(FoundPlatformDocument), required=True)
    parts = fields.List(fields.Nested(FoundPartDocument), required=True)
    cars = fields.List(fields.Nested(FoundCarDocument), required=True)
    too_many_cars = fields.Boolean(required=True)


def search_document(typed: str, found: "Found") -> dict[str, Any]:
    """What was found, as JSON."""
    return {
        "q": typed,
        "near": found.near,
        "questions": [question_document(row) for row in found.questions],
        "unmeasured": [question_document(row) for row in found.unmeasured],
        "platforms": [FoundPlatformDocument().dump(row) for row in found.platforms],
        "parts": [FoundPartDocument().dump(row) for row in found.parts],
        "cars": [FoundCarDocument().dump(row) for row in found.cars],
        "too_many_cars": found.too_many_cars,
    }


def question_document(row: "FoundQuestion") -> dict[str, Any]:
    """One part on one kind of car."""
    return {
        "platform": row.platform,
        "platform_name": row.platform_name,
        "part": row.part,
        "part_name": row.part_name,
        "against": row.against or "without",
        "against_name": row.against_name,
        "cars": row.cars,
        "pairs": row.pairs,
        "last": row.last and row.last.date().isoformat(),
    }
