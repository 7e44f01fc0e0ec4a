"""A platform's stock spread as a document."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from marshmallow import fields

from service.domain.units import from_si
from service.schemas import answer_meanings
from service.schemas.answer_documents import SMOOTHING, figure, interval, listed, rounded
from service.schemas.base import Document
from service.schemas.gain_members import CurveSmoothing
from service.schemas.gain_questions import GainSaid, said_document
from service.schemas.meanings import described
from service.schemas.spread_members import PlacedValue, ShareOfCars, SpreadAsRead, SpreadGroups, StockCar

if TYPE_CHECKING:
    from service.answers.gain_told import Said
    from service.answers.stock_spread import StockSpread
    from service.domain.history import Floats
    from service.stats.history.place import Place

GROUPS = ("clearly_above", "clearly_below", "too_close_to_call")


def spread_document(
    answer: "StockSpread", question: Mapping[str, Any], questions: Sequence["Said"], units: str
) -> dict[str, Any]:
    """A stock spread as the contract has it."""
    quantity, spread = answer.asked.measure.quantity, answer.spread

    def show(value: float | None) -> float | None:
        return figure(value, quantity, units)

    return {
        "question": {**question, "units": units},
        "units": units,
        "standard": answer.asked.standard,
        "smoothing": dict(SMOOTHING),
        "levelled": answer.levelled,
        "cars": len(answer.cars),
        "level": answer.asked.level,
        "mean": show(spread.mean) if spread else None,
        "median": show(spread.median) if spread else None,
        "sd": show(spread.sd) if spread else None,
        "sd_percent": rounded(100 * spread.sd / spread.mean) if spread and spread.sd is not None else None,
        "as_read": as_read_document(answer, show),
        "quantiles": {f"{p:g}": show(value) for p, value in spread.quantiles} if spread else None,
        **sides_document(answer),
        "checked": dict(answer.checked),
        "left_out": dict(answer.left_out),
        "value": placed_document(answer, show),
        "values": values_of(answer, units),
        "questions": [said_document(said) for said in questions],
        "cautions": list(answer.cautions),
    }


def as_read_document(answer: "StockSpread", show: Any) -> dict[str, Any] | None:
    """The cars with their bays' offsets left in."""
    spread = answer.as_read
    if spread is None:
        return None
    share = None if spread.sd is None else rounded(100 * spread.sd / spread.mean)
    return {"mean": show(spread.mean), "sd": show(spread.sd), "sd_percent": share}


def sides_document(answer: "StockSpread") -> dict[str, Any]:
    """How the cars divide about the average: with the noise of their readings where that is known, else as they stand."""
    spread, divided = answer.spread, answer.sides
    if divided is not None:
        return {
            "above_average": share_document(divided.above),
            "below_average": share_document(divided.below),
            "groups": dict(zip(GROUPS, divided.groups, strict=True)),
        }
    return {
        "above_average": share_document(spread.above_mean) if spread else None,
        "below_average": share_document(spread.below_mean) if spread else None,
        "groups": None,
    }


def share_document(share: Any) -> dict[str, Any]:
    """A share with its interval, 0..1."""
    return {"share": rounded(share.share), "interval": [rounded(share.low), rounded(share.high)]}


def placed_document(answer: "StockSpread", show: Any) -> dict[str, Any] | None:
    """Where the asked value lands."""
    placed = answer.placed
    if placed is None:
        return None
    return {
        "value": show(placed.value),
        "percentile": rounded(placed.percentile),
        "interval": interval(placed.interval, rounded),
        "reading": placed.reading,
        "as_one_reading": place_document(placed.as_one_reading),
    }


def place_document(place: "Place | None") -> dict[str, Any] | None:
    """A place with what is not known of it."""
    if place is None:
        return None
    return {
        "percentile": round(place.percentile, 1),
        "interval": [round(end, 1) for end in place.interval],
        "chance_above_average": rounded(place.chance_above),
        "group": place.group,
    }


def values_of(answer: "StockSpread", units: str) -> list[dict[str, Any]]:
    """Each car's value, lowest first; made a column at a time."""
    cars, places, quantity = answer.cars, answer.places, answer.asked.measure.quantity

    def shown(values: Iterable[float]) -> list[float | None]:
        return listed(np.asarray(from_si(np.array(list(values)), quantity, units)))

    nobody: list[None] = [None] * len(cars)
    rows = zip(
        (car.vehicle for car in cars),
        (f"/v1/sessions/{car.session}" for car in cars),
        shown(car.value for car in cars),
        shown(car.raw for car in cars),
        (car.setups for car in cars),
        nobody if places is None else tenths(places.percentile),
        nobody if places is None else intervals(places.low, places.high),
        nobody if places is None else places.groups(),
        strict=True,
    )
    return [
        {
            "vehicle": vehicle,
            "session": session,
            "value": value,
            "raw": raw,
            "setups": setups,
            "percentile": percentile,
            "percentile_interval": ends,
            "group": group,
        }
        for vehicle, session, value, raw, setups, percentile, ends, group in rows
    ]


def tenths(values: "Floats") -> list[float | None]:
    """Percentiles to a tenth, None where there is none."""
    return [None if value != value else value for value in values.round(1).tolist()]


def intervals(low: "Floats", high: "Floats") -> list[list[float | None] | None]:
    """Two columns of ends as intervals, None where there is none."""
    pairs = zip(tenths(low), tenths(high), strict=True)
    return [None if ends[0] is None else list(ends) for ends in pairs]


@described(answer_meanings.STOCK)
class StockAnswer(Document):
    """Where a platform's stock cars lie."""

    as_of = fields.DateTime()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    smoothing = fields.Nested(
        CurveSmoothing,
        metadata={"description": "How curves were smoothed before peaks and knots were read."},
    )
    levelled = fields.Boolean()
    cars = fields.Integer()
    level = fields.Float()
    mean = fields.Float(allow_none=True)
    median = fields.Float(allow_none=True)
    sd = fields.Float(allow_none=True)
    sd_percent = fields.Float(allow_none=True)
    as_read = fields.Nested(SpreadAsRead, allow_none=True)
    quantiles = fields.Dict(keys=fields.String(), values=fields.Float(), allow_none=True)
    above_average = fields.Nested(ShareOfCars, allow_none=True)
    below_average = fields.Nested(ShareOfCars, allow_none=True)
    groups = fields.Nested(SpreadGroups, allow_none=True)
    checked = fields.Dict(keys=fields.String(), values=fields.Integer())
    left_out = fields.Dict(keys=fields.String(), values=fields.Integer())
    value = fields.Nested(PlacedValue, allow_none=True)
    values = fields.List(fields.Nested(StockCar))
    questions = fields.List(fields.Nested(GainSaid))
    cautions = fields.List(fields.String())
