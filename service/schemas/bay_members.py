"""What answers about bays are made of: quarters, steps, events, check cars, cars in two bays, the shop's precision."""

from marshmallow import fields

from service.schemas.base import Document
from service.schemas.gain_members import ends
from service.schemas.meanings import described

SHOP_SPREADS = {
    "repeatability_percent": "Of one pull about its setup's mean [%].",
    "intermediate_percent": "With another strap-down in the same bay [%].",
    "reproducibility_percent": "In another bay, as it reads [%].",
    "reproducibility_levelled_percent": "In another bay, the bays' offsets taken out [%].",
    "repeatability_limit_percent": "What two pulls of one setup keep within 95 times in 100 [%].",
    "reproducibility_limit_percent": "What two pulls in two bays keep within likewise [%].",
    "reproducibility_levelled_limit_percent": "The same with the bays' offsets taken out [%].",
}


@described(
    {
        "quarter": "The quarter of the year, such as `2026-Q1`.",
        "from_": "Its first day.",
        "repeatability_percent": "Standard deviation of one pull about its setup's mean [%].",
        "interval": "Its interval at `level` [%].",
        "pulls": "From so many pulls.",
        "setups": "Of so many setups.",
    }
)
class BayQuarter(Document):
    """How well a bay repeated in one quarter."""

    quarter = fields.String()
    from_ = fields.Date(data_key="from")
    repeatability_percent = fields.Float(allow_none=True)
    interval = ends()
    pulls = fields.Integer()
    setups = fields.Integer()


@described(
    {
        "at": "When, midway between two strap-downs.",
        "percent": "By how much [%].",
        "score": "The same in standard errors.",
    }
)
class BayStep(Document):
    """Where a bay's level seems to have stepped."""

    at = fields.DateTime(allow_none=True)
    percent = fields.Float()
    score = fields.Float()


@described({"at": "When.", "kind": "What was done."})
class AgreementEvent(Document):
    """What was recorded about a bay."""

    at = fields.DateTime()
    kind = fields.String()


@described(
    {
        "at": "When it was strapped down.",
        "setup": "The address of the setup.",
        "deviation_percent": "From the mean of the readings before [%].",
        "warning_percent": "The limit that warns [%].",
        "limit_percent": "The limit that calls for something to be done [%].",
        "state": "`first`, `inside`, `warning` or `outside`.",
    }
)
class CheckCarReading(Document):
    """One reading of a check car."""

    at = fields.DateTime()
    setup = fields.String()
    deviation_percent = fields.Float()
    warning_percent = fields.Float()
    limit_percent = fields.Float()
    state = fields.String()


@described(
    {
        "vehicle": "The check car (tag).",
        "inside": "Whether its newest reading lies inside the limits.",
        "readings": "Its readings, oldest first.",
    }
)
class CheckCarDocument(Document):
    """A check car in a bay."""

    vehicle = fields.String()
    inside = fields.Boolean()
    readings = fields.List(fields.Nested(CheckCarReading))


@described(
    {
        "bays": "The two bays (slugs).",
        "names": "Their names.",
        "cars": "How many cars were measured in both.",
        "vehicles": "These cars (tags).",
        "comparable": "Whether the two can be compared, by cars in both or over bays between.",
        "said": "That in words.",
    }
)
class SharedCars(Document):
    """What two bays share."""

    bays = fields.List(fields.String())
    names = fields.List(fields.String())
    cars = fields.Integer()
    vehicles = fields.List(fields.String())
    comparable = fields.Boolean()
    said = fields.String()


@described(SHOP_SPREADS)
class ShopPrecision(Document):
    """The shop's precision in the terms of ISO 5725, as standard deviations of one pull."""

    repeatability_percent = fields.Float(allow_none=True)
    intermediate_percent = fields.Float(allow_none=True)
    reproducibility_percent = fields.Float(allow_none=True)
    reproducibility_levelled_percent = fields.Float(allow_none=True)
    repeatability_limit_percent = fields.Float(allow_none=True)
    reproducibility_limit_percent = fields.Float(allow_none=True)
    reproducibility_levelled_limit_percent = fields.Float(allow_none=True)


@described(
    {
        "repeatability_percent": "Repeatability of a setup's mean [%].",
        "reproducibility_percent": "Its reproducibility [%].",
    }
)
class CheckCarsAlone(Document):
    """Precision by the check cars alone."""

    repeatability_percent = fields.Float(allow_none=True)
    reproducibility_percent = fields.Float(allow_none=True)


@described(
    {
        "vehicle": "The car (tag).",
        "platform": "Its platform (slug).",
        "session": "The address of the session.",
        "at": "When it was strapped down.",
        "deviation_percent": "How far it read from what everything else lets expect of it [%].",
        "error_percent": "The standard error of that [%].",
        "seen_before": "Whether it was measured on an earlier day too.",
        "check_car": "Whether it is a check car.",
    }
)
class DayReading(Document):
    """One car of a bay's day."""

    vehicle = fields.String()
    platform = fields.String()
    session = fields.String()
    at = fields.DateTime()
    deviation_percent = fields.Float()
    error_percent = fields.Float()
    seen_before = fields.Boolean()
    check_car = fields.Boolean()
