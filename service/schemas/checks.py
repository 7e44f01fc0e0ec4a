"""The checks at the door, as they are listed."""

from marshmallow import Schema, fields

from service.domain.checks.rules import AREAS
from service.schemas import answer_meanings
from service.schemas.meanings import described


@described(answer_meanings.CHECK_LIMIT)
class CheckLimitDocument(Schema):
    """One threshold of a check."""

    name = fields.String(required=True)
    value = fields.Float(required=True)
    default = fields.Float(required=True)
    low = fields.Float(required=True)
    high = fields.Float(required=True)
    unit = fields.String(required=True)
    meaning = fields.String(required=True)


@described(answer_meanings.CHECK_RULE)
class CheckRuleDocument(Schema):
    """One check at the door."""

    code = fields.String(required=True)
    level = fields.String(required=True, metadata={"enum": ["refused", "doubtful", "note"]})
    on = fields.Boolean(required=True)
    area = fields.String(required=True, metadata={"enum": list(AREAS)})
    looks_for = fields.String(required=True)
    consistent_with = fields.String(required=True)
    limits = fields.List(fields.Nested(CheckLimitDocument), required=True)
    origin = fields.String(required=True)
