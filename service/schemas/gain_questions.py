"""What customers ask about a gain, as a document."""

from typing import TYPE_CHECKING, Any

from marshmallow import fields

from service.schemas import answer_meanings
from service.schemas.base import Document
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.gain_told import Said


def said_document(said: "Said") -> dict[str, Any]:
    """One question with its answer."""
    return {
        "about": said.about,
        "question": said.question,
        "answer": list(said.answer),
        "rows": list(said.rows),
        "see": [
            {"part": see.part, "against": see.against or "without", "words": see.words} for see in said.see
        ],
    }


@described(
    {
        "part": "The part asked about (slug).",
        "against": "What it is compared with: `without`, or another part (slug).",
        "words": "The words of the link.",
    }
)
class SeeAlso(Document):
    """Another question that it leads to."""

    part = fields.String()
    against = fields.String()
    words = fields.String()


@described(answer_meanings.GAIN_SAID)
class GainSaid(Document):
    """One question about a gain with its answer."""

    about = fields.String()
    question = fields.String()
    answer = fields.List(fields.String())
    rows = fields.List(fields.String())
    see = fields.List(fields.Nested(SeeAlso))


class GainQuestions(Document):
    """What customers ask about a gain, answered in sentences."""

    units = fields.String(metadata={"description": "The unit system of every figure in the sentences."})
    items = fields.List(
        fields.Nested(GainSaid),
        metadata={"description": "The questions this ledger has something to say to."},
    )
