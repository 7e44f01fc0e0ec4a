"""Erasing a car's identity: what is sent, and what is said of it."""

from collections.abc import Mapping
from typing import Any

from marshmallow import Schema, ValidationError, fields, validates_schema

from service.schemas.base import Document
from service.schemas.changes import why
from service.schemas.fields import Flag


class EraseDocument(Document):
    """That a car's identity is to be erased."""

    reason = why()
    confirm = Flag(
        metadata={"description": "Must be true: what is erased cannot be brought back by anybody."}
    )

    @validates_schema
    def is_meant(self, data: Mapping[str, Any], **_: Any) -> None:
        """Nothing is erased by a slip."""
        if not data.get("confirm"):
            words = 'this cannot be undone by anybody: send "confirm": true if it is meant'
            raise ValidationError({"confirm": [words]})


class EraseAnswer(Schema):
    """That a car's identity is gone. Under which invented tag its measurements stay is not said here."""

    erased_at = fields.String(metadata={"description": "When."})
    sessions = fields.Integer(
        metadata={"description": "How many of its sessions stay, pooled with the others."}
    )
    says = fields.String(metadata={"description": "What was erased and what stays, in words."})


SAYS = (
    "Erased for good: the car's tags, VIN, odometer, operators, labels, notes, prices paid, and what people wrote about it, "
    "in the history too. Kept under an invented tag: its platform, its model year, and what was measured, with its times. "
    "This cannot be undone. Papers that were printed, backups, exports made before, and the logs of the computers are not reached."
)
