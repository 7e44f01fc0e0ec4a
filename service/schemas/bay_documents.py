"""How the bays agree, and a bay's days, as documents."""

import math
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

from marshmallow import Schema, fields

from service.domain.bay_words import (
    CHECKED,
    agreement_words,
    check_words,
    day_words,
    pair_words,
    repeat_words,
    trend_words,
)
from service.domain.history import moment_of
from service.schemas import model_meanings as meanings
from service.schemas.answer_documents import interval, rounded
from service.schemas.base import Document
from service.schemas.bay_members import (
    AgreementEvent,
    BayQuarter,
    BayStep,
    CheckCarDocument,
    CheckCarsAlone,
    DayReading,
    SharedCars,
    ShopPrecision,
)
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.bay_agreement import Agreement, BayAgreement, BayPair, CheckCar, Repeats
    from service.answers.bay_days import CarShown, DayShown
    from service.stats.history.bays import Step
    from service.stats.history.noise_study import BayNoise
    from service.stats.history.repeats import Quarter
    from service.stats.iso5725 import Crossed, Precision

NOT_IN_TABLES: Final = (
    "interval",
    "repeatability_interval",
    "repeatability_trend_interval",
    "repeatability_by_quarter",
    "drift_interval",
    "steps",
    "events",
    "check_car",
)


def percent(log: float) -> float | None:
    """A difference in logs as percent."""
    return rounded(100.0 * math.expm1(log))


def spread_percent(sd: float | None) -> float | None:
    """A standard deviation in logs as percent."""
    return None if sd is None else rounded(100.0 * sd)


def day_of(days: float) -> str | None:
    """A time given in days since 1970-01-01; None for the beginning of everything."""
    return moment_of(days).isoformat() if math.isfinite(days) else None


def agreement_document(answer: "Agreement") -> dict[str, Any]:
    """How far the bays agree."""
    items = [bay_document(bay, answer.level) for bay in answer.bays]
    return {
        "level": answer.level,
        "said": agreement_words([(bay["name"], bay["offset_percent"], bay["state"]) for bay in items]),
        "items": items,
        "shared_cars": [pair_document(pair) for pair in answer.pairs],
        "shop": None if answer.shop is None else noise_document(answer.shop),
        "check_cars_alone": None if answer.study is None else study_document(answer.study),
        "cautions": list(answer.cautions),
    }


def bay_document(bay: "BayAgreement", wanted: float) -> dict[str, Any]:
    """One bay's agreement."""
    level, check = bay.level, usual_check(bay.check_cars) if bay.check_cars else None
    return {
        "bay": bay.post.slug,
        "name": bay.post.name,
        "kind": bay.post.kind,
        "state": "not-checked" if check is None else check.readings[-1][0].state,
        "state_words": CHECKED["not-checked" if check is None else check.readings[-1][0].state],
        "said": check_said(check),
        "offset_percent": None if level is None else percent(level.mean),
        "interval": interval(bay.interval, percent),
        "since": None if level is None else day_of(level.since),
        "cars": bay.cars,
        "cars_shared": bay.cars_shared,
        "repeatability_percent": spread_percent(bay.repeatability),
        **repeats_document(bay.repeats, wanted),
        "reproducibility_percent": spread_percent(bay.reproducibility),
        "last_post": bay.post.last_post and bay.post.last_post.isoformat(),
        "drift_percent_per_year": None if bay.drift is None else percent(bay.drift.mean),
        "drift_interval": interval(bay.drift_interval, percent),
        "steps": [step_document(step) for step in bay.steps],
        "events": [{"at": event.at.isoformat(), "kind": event.kind} for event in bay.events],
        "check_car": None if check is None else check_document(check),
    }


def repeats_document(repeats: "Repeats", level: float) -> dict[str, Any]:
    """How well a bay repeats, and whether that changes."""
    trend = repeats.trend
    ends = None if repeats.interval is None else (100.0 * repeats.interval[0], 100.0 * repeats.interval[1])
    sd = None if repeats.sd is None else 100.0 * repeats.sd
    words = repeat_words(sd, ends, repeats.pulls, repeats.setups, level)
    growth = trend_words(None)
    if trend is not None:
        slope, low, high = (100.0 * math.expm1(one) for one in (trend.slope, trend.low, trend.high))
        growth = trend_words(slope, low, high, level)
    return {
        "repeatability_interval": interval(repeats.interval, spread_percent),
        "repeatability_trend_percent_per_year": None if trend is None else percent(trend.slope),
        "repeatability_trend_interval": None if trend is None else interval((trend.low, trend.high), percent),
        "repeatability_said": f"{words} {growth}" if ends else words,
        "repeatability_by_quarter": [quarter_document(one) for one in repeats.quarters],
    }


def quarter_document(one: "Quarter") -> dict[str, Any]:
    """How well a bay repeated in one quarter."""
    first = date(1970, 1, 1) + timedelta(days=one.start)
    return {
        "quarter": f"{first.year}-Q{(first.month + 2) // 3}",
        "from": first.isoformat(),
        "repeatability_percent": spread_percent(one.sd),
        "interval": interval((one.low, one.high), spread_percent),
        "pulls": one.pulls,
        "setups": one.setups,
    }


def pair_document(pair: "BayPair") -> dict[str, Any]:
    """What two bays share."""
    return {
        "bays": list(pair.slugs),
        "names": list(pair.names),
        "cars": len(pair.vehicles),
        "vehicles": list(pair.vehicles),
        "comparable": pair.linked,
        "said": pair_words(pair.names, len(pair.vehicles), pair.linked),
    }


def check_said(check: "CheckCar | None") -> str:
    """What the check car says of a bay."""
    if check is None:
        return check_words("not-checked")
    reading, place = check.readings[-1]
    limits = (100.0 * math.expm1(reading.warning), 100.0 * math.expm1(reading.action))
    deviation = 100.0 * math.expm1(reading.deviation)
    return check_words(reading.state, check.vehicle, place.started_at.date(), deviation, limits)


def step_document(step: "Step") -> dict[str, Any]:
    """A step of a bay's level."""
    return {"at": day_of(step.at), "percent": percent(step.size), "score": rounded(step.z)}


def usual_check(checks: "Sequence[CheckCar]") -> "CheckCar":
    """Of several check cars the one that was measured most often here."""
    return max(checks, key=lambda check: len(check.readings))


def check_document(check: "CheckCar") -> dict[str, Any]:
    """A check car in a bay, its readings oldest first."""
    return {
        "vehicle": check.vehicle,
        "inside": check.is_inside,
        "readings": [
            {
                "at": place.started_at.isoformat(),
                "setup": f"/v1/sessions/{place.session}/setups/{place.n}",
                "deviation_percent": percent(reading.deviation),
                "warning_percent": percent(reading.warning),
                "limit_percent": percent(reading.action),
                "state": reading.state,
            }
            for reading, place in check.readings
        ],
    }


def noise_document(noise: "BayNoise") -> dict[str, Any]:
    """The shop's precision in the terms of ISO 5725."""
    return {
        "repeatability_percent": spread_percent(noise.repeatability),
        "intermediate_percent": spread_percent(noise.intermediate),
        "reproducibility_percent": spread_percent(noise.reproducibility),
        "reproducibility_levelled_percent": spread_percent(noise.levelled),
        "repeatability_limit_percent": spread_percent(noise.repeatability_limit),
        "reproducibility_limit_percent": spread_percent(noise.reproducibility_limit),
        "reproducibility_levelled_limit_percent": spread_percent(noise.levelled_limit),
    }


def study_document(study: "Precision | Crossed") -> dict[str, Any]:
    """Precision by the check cars alone."""
    return {
        "repeatability_percent": spread_percent(study.repeatability),
        "reproducibility_percent": spread_percent(study.reproducibility),
    }


def day_document(day: "DayShown", *, others: bool = False) -> dict[str, Any]:
    """A bay's day; others: without the one car that it is said of."""
    found = day.found
    median, limit = (None if one is None else 100.0 * math.expm1(one) for one in (found.median, found.limit))
    return {
        "bay": day.bay,
        "day": day.day.isoformat(),
        "reach_days": day.reach,
        "cars": len(found.cars),
        "cars_seen_before": sum(car.seen_before for car in found.cars),
        "deviation_percent": rounded(median),
        "limit_percent": rounded(limit),
        "state": found.state,
        "said": day_words(
            len(found.cars),
            median,
            limit,
            found.state,
            reach=day.reach,
            others=others,
            checked=any(car.check_car for car in day.cars),
        ),
        "readings": [reading_document(car) for car in day.cars],
    }


def reading_document(shown: "CarShown") -> dict[str, Any]:
    """One car of a day."""
    return {
        "vehicle": shown.place.vehicle,
        "platform": shown.place.platform,
        "session": f"/v1/sessions/{shown.place.session}",
        "at": shown.place.started_at.isoformat(),
        "deviation_percent": percent(shown.car.deviation),
        "error_percent": spread_percent(shown.car.error),
        "seen_before": shown.car.seen_before,
        "check_car": shown.check_car,
    }


def bay_row(document: Mapping[str, Any]) -> dict[str, Any]:
    """One bay for a table: both ends of every interval, the newest step and event, the check car's newest reading."""
    check = document["check_car"]
    newest = check["readings"][-1] if check else {}
    step = document["steps"][-1] if document["steps"] else {}
    event = document["events"][-1] if document["events"] else {}
    ends = (
        ("interval", "interval"),
        ("repeatability", "repeatability_interval"),
        ("repeatability_trend", "repeatability_trend_interval"),
        ("drift", "drift_interval"),
    )
    return {
        **{name: value for name, value in document.items() if name not in NOT_IN_TABLES},
        **{
            f"{name}_{end}": (document[field] or (None, None))[i]
            for name, field in ends
            for i, end in enumerate(("low", "high"))
        },
        "steps": len(document["steps"]),
        "last_step_at": step.get("at"),
        "last_step_percent": step.get("percent"),
        "events": len(document["events"]),
        "last_event_at": event.get("at"),
        "last_event": event.get("kind"),
        "check_car": check and check["vehicle"],
        "check_car_at": newest.get("at"),
        "check_car_deviation_percent": newest.get("deviation_percent"),
        "check_car_warning_percent": newest.get("warning_percent"),
        "check_car_limit_percent": newest.get("limit_percent"),
    }


@described(meanings.AGREEMENT_BAY)
class BayAgreementDocument(Schema):
    """How one bay agrees with the others."""

    bay = fields.String()
    name = fields.String()
    kind = fields.String()
    state = fields.String()
    state_words = fields.String()
    said = fields.String()
    offset_percent = fields.Float(allow_none=True)
    interval = fields.List(fields.Float(), allow_none=True)
    since = fields.DateTime(allow_none=True)
    cars = fields.Integer()
    cars_shared = fields.Integer()
    repeatability_percent = fields.Float(allow_none=True)
    repeatability_interval = fields.List(fields.Float(), allow_none=True)
    repeatability_trend_percent_per_year = fields.Float(allow_none=True)
    repeatability_trend_interval = fields.List(fields.Float(), allow_none=True)
    repeatability_said = fields.String()
    repeatability_by_quarter = fields.List(fields.Nested(BayQuarter))
    reproducibility_percent = fields.Float(allow_none=True)
    last_post = fields.DateTime(allow_none=True)
    drift_percent_per_year = fields.Float(allow_none=True)
    drift_interval = fields.List(fields.Float(), allow_none=True)
    steps = fields.List(fields.Nested(BayStep))
    events = fields.List(fields.Nested(AgreementEvent))
    check_car = fields.Nested(CheckCarDocument, allow_none=True)


ENDS: Final = ("low", "high")
BAY_COLUMNS: Final = [
    *(name for name in BayAgreementDocument().fields if name not in NOT_IN_TABLES),
    *(
        f"{name}_{end}"
        for name in ("interval", "repeatability", "repeatability_trend", "drift")
        for end in ENDS
    ),
    "steps",
    "last_step_at",
    "last_step_percent",
    "events",
    "last_event_at",
    "last_event",
    "check_car",
    "check_car_at",
    "check_car_deviation_percent",
    "check_car_warning_percent",
    "check_car_limit_percent",
]
"""The columns of the table."""


@described(meanings.AGREEMENT)
class AgreementAnswer(Document):
    """How far the bays agree."""

    as_of = fields.DateTime()
    search = fields.String()
    level = fields.Float()
    said = fields.String()
    items = fields.List(fields.Nested(BayAgreementDocument))
    shared_cars = fields.List(fields.Nested(SharedCars))
    shop = fields.Nested(ShopPrecision, allow_none=True)
    check_cars_alone = fields.Nested(CheckCarsAlone, allow_none=True)
    cautions = fields.List(fields.String())


@described(meanings.BAY_DAY)
class BayDayDocument(Schema):
    """One day of a bay."""

    bay = fields.String()
    day = fields.Date()
    reach_days = fields.Integer()
    cars = fields.Integer()
    cars_seen_before = fields.Integer()
    deviation_percent = fields.Float(allow_none=True)
    limit_percent = fields.Float(allow_none=True)
    state = fields.String()
    said = fields.String()
    readings = fields.List(fields.Nested(DayReading))


DAY_COLUMNS: Final = [name for name in BayDayDocument().fields if name != "readings"]


@described(meanings.BAY_DAYS)
class BayDaysAnswer(Document):
    """A bay's days, a page of them."""

    as_of = fields.DateTime()
    bay = fields.String()
    name = fields.String()
    false_alarm_rate = fields.Float()
    items = fields.List(fields.Nested(BayDayDocument))
    cautions = fields.List(fields.String())
