"""What one state on a customer's sheet is made of: what was fitted, where, its pulls, its figures, its conditions."""

from marshmallow import fields

from service.schemas.base import Document
from service.schemas.meanings import described
from service.schemas.resources import ApprovalDocument
from service.schemas.setup_documents import KeptFuel


@described(
    {
        "part": "The part (slug).",
        "name": "Its full name.",
        "slots": "The slots it fills.",
        "approval": "What is recorded of its approval; null = unknown.",
    }
)
class SheetPart(Document):
    """A part that is not stock."""

    part = fields.String()
    name = fields.String()
    slots = fields.List(fields.String())
    approval = fields.Nested(ApprovalDocument, allow_none=True)


@described(
    {
        "date": "The day.",
        "state": "`first`, `inside`, `warning` or `outside`.",
        "inside": "Whether it lay inside the limit.",
        "deviation_percent": "How far the check car read off [%].",
        "limit_percent": "The limit [%].",
    }
)
class SheetCheck(Document):
    """A bay's last check before the test."""

    date = fields.Date()
    state = fields.String()
    inside = fields.Boolean()
    deviation_percent = fields.Float()
    limit_percent = fields.Float()


@described(
    {
        "bay": "The bay (slug).",
        "name": "Its name.",
        "kind": "What kind of machine it is.",
        "last_check": "Its last check before the test; null = none.",
    }
)
class SheetBay(Document):
    """The bay."""

    bay = fields.String()
    name = fields.String()
    kind = fields.String()
    last_check = fields.Nested(SheetCheck, allow_none=True)


@described(
    {
        "n": "Its number.",
        "status": "`accepted`, `settling` or `rejected`.",
        "counts": "Whether the figures rest on it.",
        "reason": "Why it does not count; null = it counts, or not said.",
        "observed_power": "Its peak power as measured, in `units`; null = not known.",
        "factor": "What corrects it to the sheet's standard; null = not known.",
    }
)
class SheetPull(Document):
    """One pull."""

    n = fields.Integer()
    status = fields.String()
    counts = fields.Boolean()
    reason = fields.String(allow_none=True)
    observed_power = fields.Float(allow_none=True)
    factor = fields.Float(allow_none=True)


@described(
    {
        "made": "Pulls made.",
        "accepted": "Pulls the figures rest on.",
        "settling": "Pulls before the readings had settled.",
        "rejected": "Pulls rejected.",
        "struck": "Pulls struck.",
        "best": "The number of the strongest; null = none counts.",
        "each": "Each pull.",
    }
)
class SheetPulls(Document):
    """How many pulls there were, and each."""

    made = fields.Integer()
    accepted = fields.Integer()
    settling = fields.Integer()
    rejected = fields.Integer()
    struck = fields.Integer()
    best = fields.Integer(allow_none=True)
    each = fields.List(fields.Nested(SheetPull))


@described(
    {
        "mean": "Mean of the pulls that count, in `units`.",
        "best": "The best of them, in `units`; null = not known.",
        "rpm": "Engine speed of the peak [rpm]; null = not known.",
        "spread_percent": "Standard deviation of the pulls [%]; null = one pull.",
        "observed": "Mean as measured, in `units`; null = not known, or of torque.",
    }
)
class SheetPeak(Document):
    """A peak."""

    mean = fields.Float()
    best = fields.Float(allow_none=True)
    rpm = fields.Integer(allow_none=True)
    spread_percent = fields.Float(allow_none=True)
    observed = fields.Float(allow_none=True)


@described({"mean": "Mean.", "low": "Lowest.", "high": "Highest."})
class SheetSpan(Document):
    """A condition over the pulls, quantities in `units`."""

    mean = fields.Float(allow_none=True)
    low = fields.Float(allow_none=True)
    high = fields.Float(allow_none=True)


@described(
    {
        "setup": "The setup's address.",
        "date": "The day it was measured.",
        "label": "Somebody's own words for it; null = none.",
        "not_stock": "What is fitted that is not stock.",
        "parts_known": "`complete`, `partial` or `unknown`.",
        "stock_checked": "`verified`, `declared` or `unknown`.",
        "calibration": "The names of the tunes fitted.",
        "fuel": "What was in the tank.",
        "bay": "Where it was measured.",
        "gear": "null = not recorded.",
        "ratio": "Engine speed over that of the wheels; null = not recorded.",
        "tyre_size": "null = not recorded.",
        "struck": "Why it counts nowhere, or null.",
        "doubts": "The checks for which it counts nowhere until somebody confirms it.",
        "standing": "What its figures are corrected to, in words; null = no pull counts.",
        "pulls": "Its pulls.",
        "peak_power": "Peak power; null = not known.",
        "peak_torque": "Peak torque; null = not known.",
        "conditions": "Each condition by its name; null = not measured.",
        "lambda_probe": "Where the mixture was measured; null = not recorded.",
    }
)
class SheetState(Document):
    """One state of the car."""

    setup = fields.String()
    date = fields.Date()
    label = fields.String(allow_none=True)
    not_stock = fields.List(fields.Nested(SheetPart))
    parts_known = fields.String()
    stock_checked = fields.String()
    calibration = fields.List(fields.String())
    fuel = fields.Nested(KeptFuel)
    bay = fields.Nested(SheetBay)
    gear = fields.Integer(allow_none=True)
    ratio = fields.Float(allow_none=True)
    tyre_size = fields.String(allow_none=True)
    struck = fields.String(allow_none=True)
    doubts = fields.List(fields.String())
    standing = fields.String(allow_none=True)
    pulls = fields.Nested(SheetPulls)
    peak_power = fields.Nested(SheetPeak, allow_none=True)
    peak_torque = fields.Nested(SheetPeak, allow_none=True)
    conditions = fields.Dict(keys=fields.String(), values=fields.Nested(SheetSpan, allow_none=True))
    lambda_probe = fields.String(allow_none=True)
