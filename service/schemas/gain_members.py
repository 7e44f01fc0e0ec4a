"""What an answered gain is made of: how much stands behind it, its curve, its cost and its pairs."""

from typing import Any

from marshmallow import fields

from service.schemas import gain_member_meanings as meanings
from service.schemas.base import Document
from service.schemas.meanings import described

FIGURE_OR_WORD = {"type": ["number", "string", "null"]}
"""A condition is a figure, or a word such as the tyres' size."""


def column() -> Any:
    """A column of a curve, null where nothing is known."""
    return fields.List(fields.Float(allow_none=True))


def ends() -> Any:
    """Both ends of an interval, or null."""
    return fields.List(fields.Float(), allow_none=True, metadata={"minItems": 2, "maxItems": 2})


@described(meanings.SMOOTHING)
class CurveSmoothing(Document):
    """How every curve was smoothed before its peaks and knots were read."""

    method = fields.String()
    half_width_rpm = fields.Float()
    trace_rule = fields.Integer()


@described(meanings.DIFFERENCE)
class DifferenceDocument(Document):
    """A condition that was not the same in both setups of a pair."""

    what = fields.String()
    before = fields.Raw(metadata=FIGURE_OR_WORD)
    after = fields.Raw(metadata=FIGURE_OR_WORD)
    window = fields.Float(allow_none=True)


@described(meanings.PEAK_SHIFT)
class PeakShiftDocument(Document):
    """How far the peak moves along the rev range."""

    typical = fields.Integer()
    interval = fields.List(fields.Integer(), allow_none=True)


@described(meanings.EVIDENCE)
class GainEvidence(Document):
    """How much stands behind a gain."""

    grade = fields.String()
    cars = fields.Integer()
    cars_compared = fields.Integer()
    cars_with = fields.Integer(allow_none=True)
    cars_elsewhere = fields.Integer(allow_none=True)
    pairs = fields.Integer()
    left_out = fields.Integer()
    bays = fields.Integer()
    like_for_like = fields.Integer()
    borrowed_share = fields.Float(allow_none=True)
    spread_percent = fields.Float(allow_none=True)
    inseparable_from = fields.List(fields.String())
    first = fields.Date(allow_none=True)
    last = fields.Date(allow_none=True)


@described(meanings.STRETCH)
class EstablishedStretch(Document):
    """Speeds over which a gain or a loss is established."""

    from_rpm = fields.Integer()
    to_rpm = fields.Integer()
    is_ = fields.String(data_key="is", metadata={"enum": ["gain", "loss"]})


@described(meanings.CURVE)
class GainCurveDocument(Document):
    """A gain over the rev range, as columns of one length."""

    rpm = fields.List(fields.Integer())
    quantity = fields.String()
    cars = fields.List(fields.Integer())
    baseline = column()
    typical = column()
    typical_percent = column()
    low = column()
    low_percent = column()
    high = column()
    high_percent = column()
    band_low = column()
    band_low_percent = column()
    band_high = column()
    band_high_percent = column()
    next_low = column()
    next_low_percent = column()
    next_high = column()
    next_high_percent = column()
    established = fields.List(fields.Nested(EstablishedStretch))


@described(meanings.COST)
class FittedCost(Document):
    """What a part costs, and what one unit of gain does."""

    price = fields.Float(allow_none=True)
    price_date = fields.Date(allow_none=True)
    labour_hours = fields.Float(allow_none=True)
    labour_rate = fields.Float(allow_none=True)
    fitted = fields.Float(allow_none=True)
    currency = fields.String(allow_none=True)
    per_unit = fields.Float(allow_none=True)
    per_unit_interval = ends()


@described(meanings.CONDITIONS)
class SetupConditions(Document):
    """What a setup was measured in; null = not recorded."""

    vapour_pressure = fields.Float(allow_none=True)
    factor = fields.Float(allow_none=True)
    coolant = fields.Float(allow_none=True)
    oil = fields.Float(allow_none=True)
    inlet = fields.Float(allow_none=True)
    ethanol = fields.Float(allow_none=True)
    spark_advance = fields.Float(allow_none=True)
    lambda_ = fields.Float(data_key="lambda", allow_none=True)
    map = fields.Float(allow_none=True)
    tyre_pressure = fields.Float(allow_none=True)
    ramp = fields.Float(allow_none=True)
    air_temperature = fields.Float(allow_none=True)
    air_pressure = fields.Float(allow_none=True)
    gear = fields.Float(allow_none=True)
    ratio = fields.Float(allow_none=True)


@described(meanings.BOTH_CONDITIONS)
class PairConditions(Document):
    """What the two setups of a pair were measured in."""

    before = fields.Nested(SetupConditions)
    after = fields.Nested(SetupConditions)


@described(meanings.PAIR)
class GainPair(Document):
    """A before/after pair."""

    vehicle = fields.String()
    before = fields.String()
    after = fields.String()
    again = fields.String(allow_none=True)
    at = fields.DateTime()
    gain = fields.Float(allow_none=True)
    percent = fields.Float(allow_none=True)
    match = fields.String()
    held = fields.Boolean()
    used = fields.Boolean()
    usable = fields.Boolean()
    differs = fields.List(fields.Nested(DifferenceDocument))
    conditions = fields.Nested(PairConditions)
