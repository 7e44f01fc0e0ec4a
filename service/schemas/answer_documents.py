"""Answers as documents: SI records to the asked units, rounded to what is shown."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from marshmallow import fields
from numpy.typing import NDArray

from service.domain.curve import SMOOTHING_WIDTH_RPM
from service.domain.measures import Measure
from service.domain.pairing import CONDITIONS, MATCHES
from service.domain.trace import RULE as TRACE_RULE
from service.domain.units import from_si, power_kw
from service.schemas import answer_meanings
from service.schemas.base import Document
from service.schemas.gain_members import (
    CurveSmoothing,
    FittedCost,
    GainCurveDocument,
    GainEvidence,
    GainPair,
    PeakShiftDocument,
)
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.cost import Cost
    from service.answers.gain_curve import GainCurve
    from service.answers.model_gain import ModelCurve
    from service.answers.pairs_gain import PeakShift, ShownPair
    from service.answers.typical_gain import TypicalGain
    from service.stats.history.curves import Stretch
    from service.store.pair_places import PairPlace

DIGITS = 5
"""Significant digits of an answer's figures: well below what the cars themselves differ by (our choice)."""
SMOOTHING = {
    "method": "local quadratic, weight 1 - d^2",
    "half_width_rpm": SMOOTHING_WIDTH_RPM,
    "trace_rule": TRACE_RULE,
}
"""How every curve was smoothed before its peak and its knots were read, and the number of the rule that chose its
samples (service/domain/trace.py); said in each answer."""
DIFFERENCE_NAMES = {
    "coolant_c": ("coolant", "temperature"),
    "oil_c": ("oil", "temperature"),
    "inlet_c": ("inlet", "temperature"),
    "ethanol": ("ethanol", None),
    "lambda_mean": ("lambda", None),
    "spark_advance_deg": ("spark_advance", None),
    "map_max_kpa": ("map", "pressure"),
    "tyre_pressure_kpa": ("tyre_pressure", "tyre_pressure"),
    "ramp_rpm_s": ("ramp", None),
    "temperature_c": ("air_temperature", "temperature"),
    "pressure_kpa": ("air_pressure", "pressure"),
}


def rounded(value: float | None) -> float | None:
    """A figure to DIGITS significant digits."""
    return None if value is None or value != value else float(f"{value:.{DIGITS}g}")


def figure(value: float | None, quantity: str, units: str) -> float | None:
    """An SI figure in the asked units, rounded."""
    return None if value is None else rounded(float(from_si(float(value), quantity, units)))


def interval(ends: Sequence[float] | None, show: Any) -> list[float | None] | None:
    """An interval through a function that shows one figure."""
    shown = [None] if ends is None else [show(end) for end in ends]
    return None if None in shown else shown


def to_digits(values: NDArray[np.float64], digits: int = DIGITS) -> NDArray[np.float64]:
    """An array rounded to significant digits; what is unknown stays NaN, which JSON shows as null."""
    size = np.abs(np.where(values == 0, 1.0, values))  # nought has no first digit
    places = digits - 1 - np.floor(np.log10(size))
    scale = 10.0 ** np.abs(places)
    return np.where(places < 0, np.rint(values / scale) * scale, np.rint(values * scale) / scale)


def listed(values: NDArray[np.float64], digits: int = DIGITS) -> list[float | None]:
    """The same as a list, unknown as None."""
    return [None if value != value else value for value in to_digits(values, digits).tolist()]


def gain_document(answer: "TypicalGain", question: Mapping[str, Any], units: str) -> dict[str, Any]:
    """A typical gain as the contract has it."""
    measure, head = answer.asked.measure, answer.headline

    def of_log(log: float) -> float | None:
        return figure(answer.absolute(log), measure.quantity, units)

    def percent(log: float) -> float | None:
        return rounded(answer.percent(log))

    ends = head.interval if head else None
    next_ends = head.next_interval if head else None
    floor = head.noise_floor if head else answer.pairs.noise_floor
    body: dict[str, Any] = {
        "question": {**question, "units": units},
        "units": units,
        "standard": answer.asked.standard,
        "smoothing": dict(SMOOTHING),
        "method": head.method if head else None,
        "typical": of_log(head.mean) if head else None,
        "typical_percent": percent(head.mean) if head else None,
        "typical_interval": interval(ends, of_log),
        "typical_interval_percent": interval(ends, percent),
        "next_car_interval": interval(next_ends, of_log),
        "next_car_interval_percent": interval(next_ends, percent),
        "level": answer.asked.level,
        "baseline": figure(answer.base, measure.quantity, units),
        "baseline_is": head.base_is if head else None,
        "chance_of_gain": rounded(head.chance) if head else None,
        "noise_floor": of_log(floor),
        "noise_floor_percent": percent(floor),
        "context": answer.context,
        "pairs_only": pairs_only_document(answer),
        "evidence": evidence_document(answer),
        "curve": revs_document(answer, units),
        "peak_shift_rpm": shift_document(head.peak_shift if head else None),
        "cost": cost_document(answer.cost, measure, units),
        "cautions": list(answer.cautions),
    }
    if answer.asked.pairs:
        found = conditions_documents(list(answer.pairs.places.values()), units)
        body["pairs"] = [pair_document(pair, answer, units, found) for pair in answer.pairs.pairs]
    return body


def pairs_only_document(answer: "TypicalGain") -> dict[str, Any]:
    """The same question answered from the pairs alone."""
    pooled = answer.pairs.pooled

    def percent(log: float) -> float | None:
        return rounded(answer.percent(log))

    return {
        "typical_percent": percent(pooled.mean) if pooled else None,
        "interval_percent": interval(pooled.interval if pooled else None, percent),
        "next_car_percent": interval(pooled.next_interval if pooled else None, percent),
        "method": pooled.method if pooled else None,
        "context": answer.pairs.context if pooled else None,
        "peak_shift_rpm": shift_document(answer.pairs.peak_shift),
        "spread_percent": rounded(100 * pooled.tau2**0.5) if pooled and answer.pairs.cars > 1 else None,
    }


def evidence_document(answer: "TypicalGain") -> dict[str, Any]:
    """How much stands behind the figure."""
    pairs, head, model = answer.pairs, answer.headline, answer.model
    return {
        "grade": answer.grade,
        "cars": pairs.cars,
        "cars_compared": pairs.cars_compared,
        "cars_with": model.known.cars_with if model else None,
        "cars_elsewhere": model.known.cars_elsewhere if model else None,
        "pairs": pairs.pairs_in_all,
        "left_out": pairs.left_out,
        "bays": pairs.bays,
        "like_for_like": pairs.like_for_like,
        "borrowed_share": rounded(head.borrowed_share) if head else None,
        "spread_percent": rounded(100 * head.car_spread) if head and head.car_spread is not None else None,
        "inseparable_from": list(answer.entangled),
        "first": pairs.first and pairs.first.isoformat(),
        "last": pairs.last and pairs.last.isoformat(),
    }


def revs_document(answer: "TypicalGain", units: str) -> dict[str, Any] | None:
    """Gain over the rev range: the model's with its two bands, else the pairs'."""
    measure = answer.asked.measure
    if answer.model is not None and answer.model.curve is not None:
        return model_curve_document(answer.model.curve, measure, units)
    if answer.model is None and answer.pairs.curve is not None:
        return curve_document(answer.pairs.curve, measure, units)
    return None


def curve_document(curve: "GainCurve", measure: Measure, units: str) -> dict[str, Any]:
    """The pairs' gain over the rev range, in the measure's quantity and in percent."""
    sides = {
        "typical": curve.mean,
        "low": curve.low,
        "high": curve.high,
        "next_low": curve.next_low,
        "next_high": curve.next_high,
    }
    drawn = sides_document(curve.rpm, curve.base_torque_nm, curve.cars, sides, measure, units)
    return {**drawn, "established": established(curve.stretches)}


def model_curve_document(curve: "ModelCurve", measure: Measure, units: str) -> dict[str, Any]:
    """The model's gain over the rev range, with the band for each speed and the one for the whole curve."""
    names = ("typical", "low", "high", "band_low", "band_high", "next_low", "next_high")
    sides = {name: getattr(curve.gain, name) for name in names}
    drawn = sides_document(curve.gain.rpm, curve.base_torque_nm, curve.cars, sides, measure, units)
    return {**drawn, "established": established(curve.stretches)}


def established(stretches: Sequence["Stretch"]) -> list[dict[str, Any]]:
    """Where a gain or a loss is established."""
    return [
        {"from_rpm": round(one.from_rpm), "to_rpm": round(one.to_rpm), "is": "gain" if one.gains else "loss"}
        for one in stretches
    ]


def sides_document(
    rpm: NDArray[np.float64],
    base_torque_nm: NDArray[np.float64],
    cars: NDArray[np.int64],
    sides: Mapping[str, NDArray[np.float64]],
    measure: Measure,
    units: str,
) -> dict[str, Any]:
    """Gains in logs over the rev range as columns, in the measure's quantity and in percent; arrays, which go into JSON
    many times quicker than lists."""
    base = power_kw(base_torque_nm, rpm) if measure.quantity == "power" else base_torque_nm
    shown_base = np.asarray(from_si(base, measure.quantity, units))
    body: dict[str, Any] = {
        "rpm": rpm.astype(np.int64),
        "quantity": measure.quantity,
        "cars": cars.astype(np.int64),
        "baseline": to_digits(shown_base),
    }
    ratios = np.expm1(np.array(list(sides.values())))
    in_units, in_percent = to_digits(shown_base * ratios, 4), to_digits(100 * ratios, 4)
    for name, shown, percent in zip(sides, in_units, in_percent, strict=True):
        body[name], body[f"{name}_percent"] = shown, percent
    return body


def curve_columns(curve: Mapping[str, Any] | None) -> dict[str, list[Any]]:
    """The columns of a curve's document as cells, empty where nothing is known; without a curve no row."""
    if curve is None:
        return {"rpm": []}
    columns = {name: column for name, column in curve.items() if isinstance(column, np.ndarray)}
    return {
        name: [None if cell != cell else cell for cell in column.tolist()] for name, column in columns.items()
    }


def shift_document(shift: "PeakShift | None") -> dict[str, Any] | None:
    """How far the peak moves."""
    if shift is None:
        return None
    return {
        "typical": round(shift.typical),
        "interval": shift.interval and [round(end) for end in shift.interval],
    }


def cost_document(cost: "Cost", measure: Measure, units: str) -> dict[str, Any]:
    """What it costs, and per unit of gain in the asked unit."""
    unit = float(from_si(1.0, measure.quantity, units))

    def per_unit(value: float) -> float:
        return round(value / unit, 2)

    return {
        "price": cost.price,
        "price_date": cost.price_date and cost.price_date.isoformat(),
        "labour_hours": cost.labour_hours,
        "labour_rate": cost.labour_rate,
        "fitted": None if cost.fitted is None else round(cost.fitted, 2),
        "currency": cost.currency,
        "per_unit": None if cost.per_unit is None else per_unit(cost.per_unit),
        "per_unit_interval": interval(cost.per_unit_interval, per_unit),
    }


CONDITION_NAMES: Mapping[str, tuple[str, str | None]] = {
    # As the store gives them: the names they are shown by, and their quantities.
    "vapour_kpa": ("vapour_pressure", "pressure"),
    "factor": ("factor", None),
    **DIFFERENCE_NAMES,
    "gear": ("gear", None),
    "ratio": ("ratio", None),
}
Conditions = dict[int, dict[str, float | None]]
"""What each setup of some pairs was measured in, by the setup's key."""


def conditions_documents(places: Sequence["PairPlace"], units: str) -> Conditions:
    """The conditions of every setup in some pairs, in the asked units; converted a condition at a time, not a pair."""
    of_setup: dict[int, list[float | None]] = {}
    for place in places:
        of_setup[place.setup_with] = place.with_conditions
        of_setup[place.setup_without] = place.without_conditions
    if not of_setup:
        return {}
    columns = []
    for name, values in zip(CONDITIONS, np.array(list(of_setup.values()), dtype=float).T, strict=True):
        quantity = CONDITION_NAMES[name][1]
        columns.append(listed(values if quantity is None else from_si(values, quantity, units)))
    names = [CONDITION_NAMES[name][0] for name in CONDITIONS]
    return {
        key: dict(zip(names, row, strict=True))
        for key, row in zip(of_setup, zip(*columns, strict=True), strict=True)
    }


def pair_document(
    pair: "ShownPair", answer: "TypicalGain", units: str, conditions: Conditions
) -> dict[str, Any]:
    """One pair with where it stands, what both sides were measured in, and what differed."""
    place = answer.pairs.places[pair.row.with_.setup_id, pair.row.without.setup_id]
    quantity = answer.asked.measure.quantity
    return {
        "vehicle": place.vehicle,
        "before": f"/v1/sessions/{place.without_session}/setups/{place.without_n}",
        "after": f"/v1/sessions/{place.with_session}/setups/{place.with_n}",
        "again": place.again_session and f"/v1/sessions/{place.again_session}/setups/{place.again_n}",
        "at": pair.row.at.isoformat(),
        "gain": figure(pair.absolute, quantity, units),
        "percent": rounded(pair.percent),
        "match": MATCHES[pair.row.match],
        "held": pair.row.held,
        "used": pair.used,
        "usable": pair.row.usable,
        "differs": [difference_document(d, units) for d in place.differs],
        "conditions": {
            "before": conditions[place.setup_without],
            "after": conditions[place.setup_with],
        },
    }


def difference_document(difference: Mapping[str, Any], units: str) -> dict[str, Any]:
    """A condition that moved, in the asked units and under the name it was posted with."""
    name, quantity = DIFFERENCE_NAMES.get(difference["what"], (difference["what"], None))
    before, after, window = difference["before"], difference["after"], difference["window"]
    if quantity is not None:
        before, after = (None if v is None else figure(v, quantity, units) for v in (before, after))
        zero = float(from_si(0.0, quantity, units))
        window = None if window is None else rounded(float(from_si(window, quantity, units)) - zero)
    return {"what": name, "before": before, "after": after, "window": window}


@described(answer_meanings.PAIRS_ONLY)
class PairsOnly(Document):
    """The gain from before/after pairs alone."""

    typical_percent = fields.Float(allow_none=True)
    interval_percent = fields.List(fields.Float(), allow_none=True)
    next_car_percent = fields.List(fields.Float(), allow_none=True)
    method = fields.String(allow_none=True)
    context = fields.String(allow_none=True)
    peak_shift_rpm = fields.Nested(PeakShiftDocument, allow_none=True)
    spread_percent = fields.Float(allow_none=True)


@described(answer_meanings.GAIN)
class GainAnswer(Document):
    """What a part typically gains on a platform."""

    as_of = fields.DateTime()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    smoothing = fields.Nested(
        CurveSmoothing,
        metadata={"description": "How curves were smoothed before peaks and knots were read."},
    )
    method = fields.String(allow_none=True)
    typical = fields.Float(allow_none=True)
    typical_percent = fields.Float(allow_none=True)
    typical_interval = fields.List(fields.Float(), allow_none=True)
    typical_interval_percent = fields.List(fields.Float(), allow_none=True)
    next_car_interval = fields.List(fields.Float(), allow_none=True)
    next_car_interval_percent = fields.List(fields.Float(), allow_none=True)
    level = fields.Float()
    baseline = fields.Float(allow_none=True)
    baseline_is = fields.String(allow_none=True)
    chance_of_gain = fields.Float(allow_none=True)
    noise_floor = fields.Float(
        allow_none=True,
        metadata={
            "description": "Smallest change on one car that the shop's own pulls can tell from nothing."
        },
    )
    noise_floor_percent = fields.Float()
    context = fields.String()
    pairs_only = fields.Nested(PairsOnly)
    evidence = fields.Nested(GainEvidence)
    curve = fields.Nested(GainCurveDocument, allow_none=True)
    peak_shift_rpm = fields.Nested(PeakShiftDocument, allow_none=True)
    cost = fields.Nested(FittedCost)
    cautions = fields.List(fields.String())
    pairs = fields.List(fields.Nested(GainPair))
