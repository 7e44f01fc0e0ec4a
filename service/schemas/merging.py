"""Merging what was recorded under two names: what is sent, and what is said of it."""

from marshmallow import Schema, fields

from service.schemas.base import Document
from service.schemas.changes import why
from service.schemas.fields import Slug


class MergeDocument(Document):
    """Into which the named one is merged."""

    into = Slug(
        required=True,
        metadata={"description": "The tag or slug that everything stands under from then on."},
    )
    reason = why()


class VehicleMergeAnswer(Schema):
    """What merging two tags of one car moved, or taking them apart moved back."""

    tag = fields.String(metadata={"description": "The tag that was named."})
    merged_into = fields.String(
        allow_none=True, metadata={"description": "The tag it stands for now; null = itself."}
    )
    sessions = fields.List(
        fields.String, metadata={"description": "The addresses of the sessions that were moved."}
    )
    modifications = fields.Integer(metadata={"description": "How many modifications were moved."})
    stayed = fields.Integer(
        metadata={"description": "How many sessions of the merge stand elsewhere since and were left there."}
    )


class PartMergeAnswer(Schema):
    """What merging two slugs of one part changed, or taking them apart changed back."""

    slug = fields.String(metadata={"description": "The slug that was named."})
    merged_into = fields.String(
        allow_none=True, metadata={"description": "The slug it stands for now; null = itself."}
    )
    setups = fields.List(
        fields.String, metadata={"description": "The addresses of the setups that carry another part now."}
    )
    modifications = fields.Integer(metadata={"description": "How many modifications name another part now."})
    stayed = fields.Integer(
        metadata={"description": "How many setups of the merge were amended since and were left so."}
    )
