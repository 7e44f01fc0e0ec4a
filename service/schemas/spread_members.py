"""What an answered stock spread is made of: shares, groups, where a value lands, and each car's value."""

from marshmallow import fields

from service.schemas.base import Document
from service.schemas.gain_members import column, ends
from service.schemas.meanings import described


@described(
    {
        "mean": "Mean over the cars, in `units`.",
        "sd": "Standard deviation over the cars, in `units`; null = fewer than two.",
        "sd_percent": "The same [% of the mean].",
    }
)
class SpreadAsRead(Document):
    """The same cars with their bays' offsets left in."""

    mean = fields.Float()
    sd = fields.Float(allow_none=True)
    sd_percent = fields.Float(allow_none=True)


@described({"share": "The share of cars, 0..1.", "interval": "Its interval, 0..1."})
class ShareOfCars(Document):
    """A share of cars with its interval."""

    share = fields.Float()
    interval = fields.List(fields.Float())


@described(
    {
        "clearly_above": "Cars above the average with nine chances in ten.",
        "clearly_below": "Cars below it likewise.",
        "too_close_to_call": "The others.",
    }
)
class SpreadGroups(Document):
    """How many cars lie where."""

    clearly_above = fields.Integer()
    clearly_below = fields.Integer()
    too_close_to_call = fields.Integer()


@described(
    {
        "percentile": "Percentile among the cars, 0..100.",
        "interval": "Its interval.",
        "chance_above_average": "Chance that it lies above the average, 0..1.",
        "group": "Where it lies: clearly above the average, clearly below, or too close to call.",
    }
)
class PlaceAmongCars(Document):
    """A place among the cars with what is not known of it."""

    percentile = fields.Float()
    interval = fields.List(fields.Float())
    chance_above_average = fields.Float(allow_none=True)
    group = fields.String(allow_none=True)


@described(
    {
        "value": "The value asked about, in `units`.",
        "percentile": "Its percentile among the cars' values, 0..100; null = under ten cars.",
        "interval": "The interval that so many cars leave; null = under ten cars.",
        "reading": "The same in words.",
        "as_one_reading": "The same with the noise of one reading in an unnamed bay; null = no model yet.",
    }
)
class PlacedValue(Document):
    """Where the asked value lands."""

    value = fields.Float()
    percentile = fields.Float(allow_none=True)
    interval = ends()
    reading = fields.String()
    as_one_reading = fields.Nested(PlaceAmongCars, allow_none=True)


@described(
    {
        "vehicle": "The car's tag.",
        "session": "The address of the session it was last measured in.",
        "value": "Its value, in `units`.",
        "raw": "The same as it reads, without the bays' common level.",
        "setups": "Setups it rests on.",
        "percentile": "Its percentile; null = under ten cars, or no model yet.",
        "percentile_interval": "The interval of that; null likewise.",
        "group": "The group that makes it; null likewise.",
    }
)
class StockCar(Document):
    """One stock car's value."""

    vehicle = fields.String()
    session = fields.String()
    value = fields.Float(allow_none=True)
    raw = fields.Float(allow_none=True)
    setups = fields.Integer()
    percentile = fields.Float(allow_none=True)
    percentile_interval = ends()
    group = fields.String(allow_none=True)


@described(
    {
        "rpm": "Engine speeds [rpm].",
        "torque": "Torque there, in `units`; null = not known.",
        "power": "Power there, in `units`; null = not known.",
    }
)
class DrawnCurve(Document):
    """A curve as columns of one length."""

    rpm = fields.List(fields.Float())
    torque = column()
    power = column()
