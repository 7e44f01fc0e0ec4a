"""What a customer's sheet is made of beside its states: the car, what was changed, the gain, the curves, the ten points."""

from typing import Any

from marshmallow import fields

from service.schemas.base import Document
from service.schemas.gain_member_meanings import GRADE
from service.schemas.gain_members import DifferenceDocument, FittedCost, column, ends
from service.schemas.meanings import described


@described(
    {
        "at": "When.",
        "who": "Whose token; null for whom it is not.",
        "action": "What was done.",
        "reason": "Why; null for whom it is not, or not said.",
        "what": "What was changed, in words.",
        "from_": "What it was; null = not said.",
        "to": "What it became; null = not said.",
    }
)
class SheetChange(Document):
    """One change since an older version."""

    at = fields.DateTime()
    who = fields.String(allow_none=True)
    action = fields.String()
    reason = fields.String(allow_none=True)
    what = fields.String()
    from_ = fields.String(data_key="from", allow_none=True)
    to = fields.String(allow_none=True)


@described(
    {
        "version": "The older version.",
        "by": "The newest version.",
        "at": "When it was first superseded.",
        "changes": "What was changed since.",
    }
)
class SheetSuperseded(Document):
    """What superseded an older version."""

    version = fields.Integer()
    by = fields.Integer()
    at = fields.DateTime()
    changes = fields.List(fields.Nested(SheetChange))


@described(
    {
        "vehicle": "The shop's tag.",
        "platform": "Its kind (slug).",
        "name": "Its kind's full name.",
        "model_year": "null = not known.",
        "odometer_km": "As it stood at the test [km]; null = not known.",
    }
)
class SheetCar(Document):
    """The car that was tested."""

    vehicle = fields.String()
    platform = fields.String()
    name = fields.String()
    model_year = fields.Integer(allow_none=True)
    odometer_km = fields.Float(allow_none=True)


@described(
    {
        "name": "The standard's full name.",
        "formula": "The form of its formula.",
        "factor_is_policy": "Whether its factor is 1 by policy.",
    }
)
class SheetProcedure(Document):
    """The standard."""

    name = fields.String()
    formula = fields.String()
    factor_is_policy = fields.Boolean()


@described(
    {
        "part": "The part where one change explains it (slug); null = none does.",
        "against": "What it is compared with; null likewise.",
        "fitted": "Parts that were fitted (slugs).",
        "taken_off": "Parts that were taken off (slugs).",
        "differs": "The conditions that were not the same, or not recorded on both sides.",
        "held": "Whether all conditions that matter held.",
        "match": "How near the two states were, best first.",
        "usable": "Whether no doubt stands against the ratio.",
        "a_first": "Whether A was measured first.",
        "again": "The number of the setup where a state was measured once more; null = none.",
        "again_is": "Which state that was, `a` or `b`; null = none.",
        "returned_percent": "The repeated state's second reading against its first [%]; null = none.",
        "minutes_between": "Minutes between the two; null = not known.",
        "days_between": "Days between the two.",
    }
)
class SheetChanged(Document):
    """What differs between A and B."""

    part = fields.String(allow_none=True)
    against = fields.String(allow_none=True)
    fitted = fields.List(fields.String())
    taken_off = fields.List(fields.String())
    differs = fields.List(fields.Nested(DifferenceDocument))
    held = fields.Boolean()
    match = fields.String()
    usable = fields.Boolean()
    a_first = fields.Boolean()
    again = fields.Integer(allow_none=True)
    again_is = fields.String(allow_none=True)
    returned_percent = fields.Float(allow_none=True)
    minutes_between = fields.Float(allow_none=True)
    days_between = fields.Float()


@described(
    {
        "from_rpm": "From this speed [rpm]; null = at the peak.",
        "to_rpm": "To this speed [rpm]; null = at the peak.",
        "gain": "Change of power from A to B, in `units`; null = its level is not known.",
        "interval": "Its interval at `level`; null likewise.",
        "percent": "The same change [%].",
        "interval_percent": "Its interval [%].",
        "established": "Whether the interval leaves nought out.",
    }
)
class SheetOneGain(Document):
    """The change of power in one measure."""

    from_rpm = fields.Float(allow_none=True)
    to_rpm = fields.Float(allow_none=True)
    gain = fields.Float(allow_none=True)
    interval = ends()
    percent = fields.Float(allow_none=True)
    interval_percent = ends()
    established = fields.Boolean(allow_none=True)


@described(
    {
        "refused": "Why no gain is told; null = it is.",
        "level": "How sure the intervals are meant, 0..1.",
        "smallest_percent": "The smallest gain this test could show [%]; null = not known.",
        "band": "Over the band from half of A's peak-power speed up to it; null = not known.",
        "peak": "At the peak; null = not known.",
        "low_third": "In the lowest third; null = not known.",
    }
)
class SheetGain(Document):
    """What B gained over A."""

    refused = fields.String(allow_none=True)
    level = fields.Float()
    smallest_percent = fields.Float(allow_none=True)
    band = fields.Nested(SheetOneGain, allow_none=True)
    peak = fields.Nested(SheetOneGain, allow_none=True)
    low_third = fields.Nested(SheetOneGain, allow_none=True)


@described(
    {
        "cars": "Cars that read lower or the same.",
        "clearly": "Of these, by more than one test can tell from nothing.",
        "of": "All cars with a gain.",
    }
)
class CarsWithoutGain(Document):
    """How many of the cars behind a gain gained nothing."""

    cars = fields.Integer()
    clearly = fields.Integer()
    of = fields.Integer()


@described(
    {
        "part": "The part (slug).",
        "name": "Its full name.",
        "against": "What it is compared with, by its full name.",
        "level": "How sure the intervals are meant, 0..1.",
        "typical_percent": "Gain of the typical car [%]; null = nothing known.",
        "typical_interval_percent": "Its interval [%]; null = not known.",
        "next_car_percent": "The interval for one more car [%]; null = not known.",
        "cars": "Cars measured with and without it.",
        "comparisons": "All comparisons of them.",
        "first": "The first day measured; null = never.",
        "last": "The last day measured; null = never.",
        "without_gain": "How many of the cars gained nothing; null = no car was measured.",
        "left_out": "Comparisons left out.",
        "grade": GRADE,
        "cost": "What it costs fitted, and for one unit of gain.",
    }
)
class SheetPooled(Document):
    """What all cars say of the part."""

    part = fields.String()
    name = fields.String()
    against = fields.String(allow_none=True)
    level = fields.Float()
    typical_percent = fields.Float(allow_none=True)
    typical_interval_percent = ends()
    next_car_percent = ends()
    cars = fields.Integer()
    comparisons = fields.Integer()
    first = fields.Date(allow_none=True)
    last = fields.Date(allow_none=True)
    without_gain = fields.Nested(CarsWithoutGain, allow_none=True)
    left_out = fields.Integer()
    grade = fields.String()
    cost = fields.Nested(FittedCost)


@described(
    {
        "rpm": "Engine speeds [rpm].",
        "gain": "Change of power, in `units`.",
        "low": "Lower end of its interval.",
        "high": "Upper end of its interval.",
    }
)
class SheetGainCurve(Document):
    """The gain of power over the rev range."""

    rpm = fields.List(fields.Float())
    gain = column()
    low = column()
    high = column()


def drawn() -> Any:
    """A column, or null where that state has no curve."""
    return fields.List(fields.Float(allow_none=True), allow_none=True)


@described(
    {
        "rpm": "Engine speeds [rpm].",
        "power_a": "Power of A, in `units`; null = no curve.",
        "power_b": "Power of B, likewise.",
        "torque_a": "Torque of A, likewise.",
        "torque_b": "Torque of B, likewise.",
        "gain": "The gain with its interval; null = not known.",
    }
)
class SheetCurves(Document):
    """Power and torque of both states at each speed."""

    rpm = fields.List(fields.Float())
    power_a = drawn()
    power_b = drawn()
    torque_a = drawn()
    torque_b = drawn()
    gain = fields.Nested(SheetGainCurve, allow_none=True)


@described(
    {
        "label": "What it is about.",
        "both": "What holds for both states, or the only one; null = they differ.",
        "a": "What holds for A; null = the same for both.",
        "b": "What holds for B; null likewise.",
    }
)
class SheetRow(Document):
    """One row of a point."""

    label = fields.String()
    both = fields.String(allow_none=True)
    a = fields.String(allow_none=True)
    b = fields.String(allow_none=True)


@described({"point": "Its number.", "title": "What it is about.", "rows": "Its rows."})
class SheetPoint(Document):
    """One of the ten points."""

    point = fields.Integer()
    title = fields.String()
    rows = fields.List(fields.Nested(SheetRow))
