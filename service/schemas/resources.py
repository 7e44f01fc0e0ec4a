"""Documents of what the shop knows. One schema serves reading, posting and (partial) changing."""

from collections.abc import Mapping
from typing import Any

from marshmallow import Schema, ValidationError, fields, post_load, validate, validates_schema

from service.domain.engine import ASPIRATIONS, CHARGE_COOLINGS, IGNITIONS
from service.domain.shop import RULES, SettingRule, unknown_setting
from service.schemas import answer_meanings, meanings
from service.schemas.base import MOST_FIELDS, Document, FindingDocument, QuantityDocument
from service.schemas.fields import (
    MISSING,
    Currency,
    Flag,
    Moment,
    Money,
    Number,
    Quantity,
    Several,
    Slug,
    Text,
    Whole,
    Word,
    between,
)
from service.schemas.meanings import described

BAY_KINDS = ("roller-inertia", "roller-loaded", "hub")
EVENT_KINDS = ("recalibrated", "repaired", "weather-station-replaced", "other")
MOST_SLOTS = 50
FIRST_MODEL_YEAR = 1885


@described(meanings.PLATFORM)
class PlatformDocument(QuantityDocument):
    """A kind of car: engine, gearbox, drive and market rating."""

    slug = Slug(required=True)
    name = Text(required=True, longest=200, shortest=1)
    maker = Text(allow_none=True, longest=200)
    model = Text(allow_none=True, longest=200)
    generation = Text(allow_none=True, longest=200)
    engine = Text(allow_none=True, longest=200)
    displacement_l = Number(allow_none=True, validate=between(0.01, 50))
    aspiration = Word(*ASPIRATIONS, required=True)
    ignition = Word(*IGNITIONS, required=True)
    transmission = Text(allow_none=True, longest=200)
    driven_wheels = Text(allow_none=True, longest=100)
    rated_power = Quantity("power", low=0.1, high=4000, attribute="rated_power_kw", allow_none=True)
    rpm_limit = Number(allow_none=True, validate=between(500, 20_000))
    charge_cooling = Word(*CHARGE_COOLINGS, allow_none=True)
    fuel_per_cycle = Number(allow_none=True, validate=between(1, 500))
    boost_ratio = Number(allow_none=True, validate=between(1, 10))


@described(meanings.VEHICLE)
class VehicleDocument(Document):
    """One car, by the shop's own tag."""

    tag = Slug(required=True)
    platform = Slug(required=True)
    model_year = Whole(allow_none=True, low=FIRST_MODEL_YEAR, high=2200)
    odometer_km = Number(allow_none=True, validate=between(0, 5_000_000))
    check_car = Flag(
        metadata={"description": "Whether the shop measures this car again and again to watch its bays."}
    )
    vin = Text(
        load_only=True,
        allow_none=True,
        longest=40,
        shortest=1,
    )
    confirm = Flag(
        load_only=True,
        metadata={
            "description": "Say true where the tag is one letter from another's and is meant so; a further number needs it not."
        },
    )
    vin_known = fields.Boolean(dump_only=True, metadata={"description": "Whether a VIN's hash is kept."})
    merged_into = fields.String(
        dump_only=True,
        metadata={
            "description": "The tag this one stands for since it was merged. Left out: it is a car of its own."
        },
    )
    merged_from = fields.List(
        fields.String,
        dump_only=True,
        metadata={"description": "The tags that were merged into this one. Left out: none."},
    )
    erased_at = Moment(
        dump_only=True,
        metadata={"description": "When its identity was erased for good. Left out: it was not."},
    )
    notes = fields.List(
        fields.Nested(FindingDocument),
        dump_only=True,
        metadata={"description": "What looks odd about the VIN just sent; kept all the same."},
    )


@described(meanings.APPROVAL)
class ApprovalDocument(Document):
    """Whether a part may be used on the road, and where that is written; null = unknown."""

    document = Text(longest=500, metadata={"description": "The approval's own number or title."})
    place = Text(longest=200, metadata={"description": "Where it holds."})
    note = Text(longest=2000)


@described(meanings.PART)
class PartDocument(Document):
    """A part as the counter knows it."""

    slug = Slug(required=True)
    name = Text(required=True, longest=200, shortest=1)
    slots = Several(
        Slug,
        required=True,
        error_messages={"required": f"{MISSING}; name the slots it fills, /v1/slots lists them"},
        validate=validate.Length(
            min=1, max=MOST_SLOTS, error="name between {min} and {max} slots; /v1/slots lists them"
        ),
        metadata={"description": "The slots it fills: it replaces what sits there."},
    )
    variant_of = Slug(
        allow_none=True,
        metadata={"description": "The part it is a reworked or differently supplied form of."},
    )
    price = Money(allow_none=True)
    currency = Currency(allow_none=True)
    price_date = fields.Date(allow_none=True)
    labour_hours = Number(allow_none=True, validate=between(0, 1000))
    fitting_notes = Text(allow_none=True, longest=10_000)
    approval = fields.Nested(ApprovalDocument, allow_none=True)
    merged_into = fields.String(
        dump_only=True,
        metadata={
            "description": "The part this one stands for since it was merged. Left out: it is a part of its own."
        },
    )
    merged_from = fields.List(
        fields.String,
        dump_only=True,
        metadata={"description": "The parts that were merged into this one. Left out: none."},
    )

    @post_load
    def slots_as_set(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """Each slot once, in the order given."""
        if "slots" in data:
            data["slots"] = tuple(dict.fromkeys(data["slots"]))
        return data


@described(meanings.SLOT)
class SlotDocument(Document):
    """A place on a car where one part sits."""

    slug = Slug(required=True)
    name = Text(required=True, longest=200, shortest=1)
    ordinal = fields.Integer(dump_only=True, metadata={"description": "Its place in the list."})


@described(meanings.MODIFICATION)
class ModificationDocument(Document):
    """When a part went on a car and came off, and what was paid for it."""

    id = fields.Integer(attribute="modification_id", dump_only=True)
    vehicle = fields.String(dump_only=True)
    part = Slug(required=True)
    fitted_on = fields.Date(required=True)
    removed_on = fields.Date(allow_none=True)
    price_paid = Money(allow_none=True)
    currency = Currency(allow_none=True)
    labour_hours = Number(allow_none=True, validate=between(0, 1000))
    notes = Text(allow_none=True, longest=10_000)
    checks = fields.List(
        fields.Nested(FindingDocument),
        dump_only=True,
        metadata={
            "description": "Other parts recorded in the same slot at the same time; kept all the same."
        },
    )


@described(meanings.BAY)
class BayDocument(Document):
    """One dynamometer."""

    slug = Slug(required=True)
    name = Text(required=True, longest=200, shortest=1)
    kind = Word(*BAY_KINDS, required=True)
    rollers = Text(allow_none=True, longest=200)
    site = Text(allow_none=True, longest=200)
    altitude_m = Number(allow_none=True, validate=between(-450, 6000))


@described(meanings.BAY_EVENT)
class BayEventDocument(Document):
    """Something done to a bay after which its level may step."""

    id = fields.Integer(attribute="bay_event_id", dump_only=True)
    bay = fields.String(dump_only=True)
    at = Moment(required=True)
    kind = Word(*EVENT_KINDS, required=True)
    note = Text(allow_none=True, longest=2000)


@described(answer_meanings.HISTORY)
class HistoryDocument(Schema):
    """One change: who, when, from what to what."""

    id = fields.Integer(attribute="history_id")
    at = Moment()
    who = fields.String()
    about = fields.String(metadata={"description": "Such as parts/side-feed-plenum or bays/north/events/3."})
    action = fields.String()
    before = fields.Raw(metadata={"description": "The fields that changed, as they were."})
    after = fields.Raw(metadata={"description": "The same fields, as they became."})
    reason = fields.String(allow_none=True)


@described(meanings.SETTING)
class SettingDocument(Schema):
    """One setting in force."""

    name = fields.String()
    value = fields.Raw()
    meaning = fields.String()
    default = fields.Raw()
    bay = fields.String(
        allow_none=True, metadata={"description": "The bay it holds for; null = the whole shop."}
    )
    changed_at = Moment(allow_none=True, metadata={"description": "null = never changed, the default holds."})
    changed_by = fields.String(allow_none=True)


@described(answer_meanings.SETTING_CHANGE)
class SettingChangeDocument(Schema):
    """One value that a setting was given."""

    id = fields.Integer(attribute="setting_id")
    bay = fields.String(allow_none=True)
    value = fields.Raw()
    changed_at = Moment()
    changed_by = fields.String()


class SettingValue(fields.Field[Any]):
    """A value that one setting's rule takes."""

    def __init__(self, rule: SettingRule, **kwargs: Any) -> None:
        shape = {"description": rule.meaning, **shape_of(rule)}
        super().__init__(metadata=shape, allow_none=rule.per_bay, **kwargs)
        self.rule = rule

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Any:
        fault = self.rule.fault(value)
        if fault is not None:
            raise ValidationError(fault)
        return value


def shape_of(rule: SettingRule) -> dict[str, Any]:
    """A rule as the API document words it."""
    if isinstance(rule.default, dict):
        return {"type": "object"}
    if rule.choices is not None:
        return {"type": "string", "enum": list(rule.choices)}
    if isinstance(rule.default, bool):
        return {"type": "boolean"}
    if isinstance(rule.default, str):
        return {"type": "string", "pattern": "^[A-Z]{3}$"}
    return {"type": "number", "minimum": rule.low or 0.0, "maximum": rule.high or 0.0}


class SettingNames(Document):
    """Names of settings; one that there is not is refused naming the nearest."""

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def knows_every_name(self, _data: Any, original: Any, **_: Any) -> None:
        """Loaded with unknown names left out, so that this can say which were meant."""
        if not isinstance(original, Mapping) or len(original) > MOST_FIELDS:
            return  # said already
        errors = {str(name): [unknown_setting(str(name))] for name in original if name not in RULES}
        if errors:
            raise ValidationError(errors)


SettingsChange: type[Schema] = type(
    "SettingsChange",
    (SettingNames,),
    {"__doc__": "New values by setting.", **{name: SettingValue(rule) for name, rule in RULES.items()}},
)


@described(answer_meanings.STATUS)
class StatusDocument(Schema):
    """How the service is."""

    status = fields.String(required=True)
