"""What is sent to strike, confirm or amend a record: always with a reason."""

from typing import Any

from marshmallow import fields, pre_load, validate

from service.domain.checks.mixture import PROBES
from service.schemas import meanings
from service.schemas.base import Document, QuantityDocument
from service.schemas.fields import Moment, Number, Quantity, Several, Slug, Text, Whole, Word, between
from service.schemas.meanings import described
from service.schemas.sessions import FittedPart, Fuel


def why() -> Any:
    """The reason a change needs."""
    field = Text(required=True, longest=500, metadata={"description": "Why; it stays on the record."})
    field.validators.append(validate.Length(min=1, error="say why in a few words"))
    return field


class Reason(Document):
    """A reason alone."""

    reason = why()


class ReasonIfAny(Document):
    """A reason, or nothing at all: what took no reason before takes none still."""

    may_be_left_out = True

    reason = Text(
        longest=500,
        load_default=None,
        metadata={"description": "Why; it stays on the record. Left out: not said."},
    )

    @pre_load
    def nothing_said(self, data: Any, **_: Any) -> Any:
        """null is no body."""
        return {} if data is None else data


@described(meanings.SESSION_CHANGE)
class SessionChange(QuantityDocument):
    """An amendment of a strap-down."""

    reason = why()
    vehicle = Slug()
    started_at = Moment()
    operator = Text(longest=40, allow_none=True)
    gear = Whole(low=1, high=20, allow_none=True)
    tyre_size = Text(longest=40, allow_none=True)
    tyre_pressure = Quantity(
        "tyre_pressure", low=50.0, high=1000.0, attribute="tyre_pressure_kpa", allow_none=True
    )


@described(meanings.SETUP_CHANGE)
class SetupChange(Document):
    """An amendment of a setup."""

    reason = why()
    label = Text(longest=200, allow_none=True)
    parts = Several(
        FittedPart(metadata=meanings.FITTED_PART_SHAPE),
        validate=validate.Length(max=60, error="more than {max} parts"),
    )
    parts_known = Word("complete", "partial", "unknown")
    stock_checked = Word("verified", "declared", "unknown")
    fuel = fields.Nested(Fuel(partial=True))
    spark_advance = Number(validate=between(-70.0, 90.0), attribute="spark_advance_deg", allow_none=True)
    lambda_probe = Word(*PROBES, allow_none=True)


@described(meanings.PULL_CHANGE)
class PullChange(Document):
    """An amendment of what a pull counts as."""

    reason = why()
    status = Word("accepted", "settling", "rejected", required=True)
