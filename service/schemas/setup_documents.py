"""Setups and pulls as they are answered: in their session, and on their own."""

from marshmallow import fields

from service.schemas import answer_meanings, meanings
from service.schemas.base import Document
from service.schemas.meanings import described


@described(answer_meanings.KEPT_AMBIENT)
class KeptAmbient(Document):
    """The air in the bay."""

    temperature = fields.Float(allow_none=True)
    pressure = fields.Float(allow_none=True)
    humidity = fields.Float(allow_none=True)
    dew_point = fields.Float(allow_none=True)


@described(answer_meanings.KEPT_ENGINE)
class KeptEngine(Document):
    """Temperatures of the engine."""

    coolant = fields.Float(allow_none=True)
    oil = fields.Float(allow_none=True)
    inlet = fields.Float(allow_none=True)
    inlet_end = fields.Float(allow_none=True)


@described(answer_meanings.KEPT_SMOOTHING)
class KeptSmoothing(Document):
    """How a curve was smoothed before it was posted."""

    method = fields.String()
    width_rpm = fields.Float(allow_none=True)


@described(answer_meanings.PEAKS)
class Peaks(Document):
    """A pull's peaks."""

    peak_power = fields.Float(allow_none=True)
    peak_power_rpm = fields.Integer(allow_none=True)
    peak_torque = fields.Float(allow_none=True)
    peak_torque_rpm = fields.Integer(allow_none=True)


@described(answer_meanings.KEPT_PULL)
class SetupPull(Document):
    """A pull's figures as its session shows them."""

    id = fields.Integer()
    n = fields.Integer()
    started_at = fields.String(allow_none=True)
    ambient = fields.Nested(KeptAmbient)
    engine = fields.Nested(KeptEngine)
    test = fields.String(allow_none=True)
    ramp = fields.Float(allow_none=True)
    smoothing = fields.Nested(KeptSmoothing, allow_none=True)
    source = fields.String(allow_none=True)
    basis = fields.Raw(metadata=meanings.BASIS_SHAPE)
    bay_correction = fields.Integer(allow_none=True)
    status = fields.String()
    reason = fields.String(allow_none=True)
    best_of = fields.Integer(allow_none=True)
    factor = fields.Float(allow_none=True)
    standard = fields.String(allow_none=True)
    observed = fields.Nested(Peaks, allow_none=True)
    as_posted = fields.Nested(Peaks, allow_none=True)
    rpm_from = fields.Float(allow_none=True)
    rpm_to = fields.Float(allow_none=True)
    struck = fields.String(allow_none=True)


@described(answer_meanings.PULL_ALONE)
class KeptPull(SetupPull):
    """A pull with its raw curve, as it was posted, and what is derived from it."""

    session = fields.String()
    vehicle = fields.String()
    setup = fields.Integer()
    units = fields.String()
    curve = fields.Dict(keys=fields.String(), values=fields.List(fields.Float()), allow_none=True)


@described(answer_meanings.SUMMARY_MEASURE)
class SummaryMeasure(Document):
    """One measure of a setup, over its pulls that count."""

    mean = fields.Float()
    best = fields.Float()
    rpm = fields.Integer(allow_none=True)
    spread = fields.Float(allow_none=True)
    spread_percent = fields.Float(allow_none=True)
    pulls = fields.Integer()


@described(answer_meanings.SUMMARY)
class SetupSummary(Document):
    """What a setup's pulls come to."""

    standard = fields.String(allow_none=True)
    standing = fields.String(allow_none=True)
    factor = fields.Float(allow_none=True)
    peak_power = fields.Nested(SummaryMeasure, allow_none=True)
    peak_torque = fields.Nested(SummaryMeasure, allow_none=True)
    best_of = fields.Integer(allow_none=True)


@described(answer_meanings.KEPT_FUEL)
class KeptFuel(Document):
    """What was in the tank."""

    ethanol = fields.Float(allow_none=True)
    octane = fields.Float(allow_none=True)
    octane_method = fields.String(allow_none=True)


@described(answer_meanings.KEPT_SETUP)
class SessionSetup(Document):
    """A setup as its session shows it."""

    n = fields.Integer()
    label = fields.String(allow_none=True)
    parts = fields.List(fields.Raw(metadata=meanings.FITTED_PART_SHAPE))
    parts_known = fields.String()
    stock_checked = fields.String()
    fuel = fields.Nested(KeptFuel)
    spark_advance = fields.Float(allow_none=True)
    lambda_probe = fields.String(allow_none=True)
    struck = fields.String(allow_none=True)
    doubts = fields.List(fields.String())
    summary = fields.Nested(SetupSummary)
    pulls = fields.List(fields.Nested(SetupPull))


@described(answer_meanings.SESSION_OF_SETUP)
class SessionOfSetup(Document):
    """The session that a setup belongs to."""

    id = fields.UUID()
    vehicle = fields.String()
    platform = fields.String()
    bay = fields.String()
    started_at = fields.String()
    units = fields.String()
    standard = fields.String()


@described({"session": "The session it belongs to."})
class KeptSetup(SessionSetup):
    """A setup with its summary and its pulls."""

    session = fields.Nested(SessionOfSetup)
