"""Query parameters. Values come as text, so numbers are read leniently here and nowhere else."""

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, validate, validates_schema

from service.domain.correction import STANDARDS
from service.domain.measures import MEASURES
from service.domain.units import SYSTEMS
from service.schemas import examples, meanings
from service.schemas.fields import Moment, Slug, Text, Word, between
from service.schemas.meanings import described

DEFAULT_LIMIT = 50
LARGEST_LIMIT = 500


class Query(Schema):
    """A query string; a parameter it does not know is an error, not silence."""

    class Meta:
        unknown = RAISE


class PageQuery(Query):
    """A page of a list."""

    limit = fields.Integer(
        load_default=DEFAULT_LIMIT,
        validate=validate.Range(1, LARGEST_LIMIT, error="must lie between {min} and {max}"),
        metadata={"description": "Items on the page."},
    )
    after: fields.Field[Any] = Text(
        load_default=None, longest=200, metadata={"description": "From the `next` link of the page before."}
    )


@described(meanings.UNITS_QUERY)
class UnitsQuery(Query):
    """An answer's units."""

    units = Word(*SYSTEMS, load_default=None)


class SearchQuery(PageQuery, UnitsQuery):
    """A page of a searchable list."""

    q = Text(load_default=None, longest=100, metadata={"description": "Part of a slug or name."})


@described(meanings.VEHICLE_QUERY)
class VehicleQuery(SearchQuery):
    """Vehicles, of one platform if named."""

    platform = Slug(load_default=None)


@described(meanings.PART_QUERY)
class PartQuery(SearchQuery):
    """Parts, of one slot if named."""

    slot = Slug(load_default=None)


@described(meanings.VIEW_QUERY)
class ViewQuery(UnitsQuery):
    """An answer's units and standard."""

    standard = Word(*STANDARDS, load_default=None)


@described(meanings.CURVE_QUERY)
class SetupCurveQuery(ViewQuery):
    """A setup's mean curve, with or without its pulls' own."""

    singles = fields.Boolean(load_default=False)


@described(meanings.SESSION_QUERY)
class SessionQuery(PageQuery, UnitsQuery):
    """Sessions of a car, a platform, a bay, since a time."""

    vehicle = Slug(load_default=None)
    platform = Slug(load_default=None)
    bay = Slug(load_default=None)
    since = Moment(load_default=None)


NEXT_LINK = {"description": "From the `next` link of the page before."}
NO_PLACE = "is no place in this list; take it from the `next` link of the page before"
LARGEST_ID = 2**63 - 1


class Place(fields.Field[tuple[Any, int]]):
    """Where a page begins in a list ordered by time and then by id: `<time>_<id>`."""

    def __init__(self, read_time: Callable[[str], date | datetime], **kwargs: Any) -> None:
        super().__init__(metadata={**NEXT_LINK, "type": "string"}, **kwargs)
        self.read_time = read_time

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> tuple[date | datetime, int]:
        time, _, last_id = str(value).rpartition("_")
        try:
            place = self.read_time(time), int(last_id)
        except (ValueError, OverflowError):
            raise ValidationError(NO_PLACE) from None
        if not 0 <= place[1] <= LARGEST_ID:
            raise ValidationError(NO_PLACE)
        return place


def moment_of(text: str) -> datetime:
    """A time with its offset."""
    return datetime.fromisoformat(text).astimezone(UTC)


class ModificationQuery(PageQuery):
    """A page of a car's modifications."""

    after = Place(date.fromisoformat, load_default=None)


class BayEventQuery(PageQuery):
    """A page of a bay's events."""

    after = Place(moment_of, load_default=None)


class NumberedQuery(PageQuery):
    """A page of a list ordered by a number."""

    after = fields.Integer(
        load_default=None, validate=validate.Range(0, LARGEST_ID, error=NO_PLACE), metadata=NEXT_LINK
    )


class ChecksQuery(Query):
    """Whose limits are shown."""

    bay = Slug(
        load_default=None, metadata={"description": "As they hold in this bay; without it the shop's."}
    )


class HistoryQuery(NumberedQuery):
    """The changes of one resource, or of all."""

    about = Text(
        load_default=None,
        longest=200,
        metadata={
            "description": "A resource with all below it: parts/side-feed-plenum, vehicles/stoat-014, bays/north."
        },
    )


@described(meanings.MEASURE_QUERY)
class MeasureQuery(ViewQuery):
    """A measure with the speed or band it needs, the standard, the units and the level of the intervals."""

    measure = Word(*MEASURES, load_default="peak_power")
    rpm = fields.Float(load_default=None, validate=between(500, 12_000))
    from_rpm = fields.Float(load_default=None, data_key="from", validate=between(500, 12_000))
    to_rpm = fields.Float(load_default=None, data_key="to", validate=between(500, 12_000))
    level = fields.Float(load_default=0.9, validate=between(0.5, 0.999))

    @validates_schema
    def measure_is_whole(self, data: Mapping[str, Any], **_: Any) -> None:
        """A measure at a speed needs the speed, one over a band the band."""
        name = data.get("measure", "")
        if name.endswith("_at") and data.get("rpm") is None:
            raise ValidationError({"rpm": [f"missing: {name} needs the engine speed"]})
        if name.startswith("band_"):
            low, high = data.get("from_rpm"), data.get("to_rpm")
            if low is None or high is None:
                missing = "from" if low is None else "to"
                raise ValidationError({missing: [f"missing: {name} needs `from` and `to` in rpm"]})
            if low >= high:
                raise ValidationError({"from": [f"{low:g} is not below `to` ({high:g}); swap them"]})


@described(meanings.GAIN_QUERY, **examples.GAIN_QUERY)
class GainQuery(MeasureQuery):
    """What a part typically gains."""

    part = Slug(required=True)
    platform = Slug(required=True)
    against = Slug(load_default="without")
    baseline = fields.Float(
        load_default=None,
        validate=between(0.1, 10_000),
    )
    context = Word("alone", "as-usually-fitted", load_default=None)
    curve = fields.Boolean(load_default=True)
    pairs = fields.Boolean(load_default=True)
    model = fields.Boolean(load_default=True)


@described(meanings.STOCK_QUERY)
class StockQuery(MeasureQuery):
    """Where stock cars lie."""

    value = fields.Float(
        load_default=None,
        validate=between(0.1, 10_000),
    )
    checked = Word("verified", "declared", "any", load_default="declared")
    raw = fields.Boolean(load_default=False)


@described(meanings.EVIDENCE_QUERY)
class EvidenceQuery(PageQuery):
    """Which questions have evidence."""

    platform = Slug(load_default=None)
    part = Slug(load_default=None)
