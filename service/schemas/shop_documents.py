"""What lies apart, how the bays agree, and the model in use, as documents."""

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from marshmallow import Schema, fields

from service.schemas import model_meanings as meanings
from service.schemas.answer_documents import figure, interval, rounded
from service.schemas.base import Document
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.bay_agreement import Agreement, BayAgreement, CheckCar
    from service.answers.model_report import ModelReport
    from service.answers.odd_shown import OddOne
    from service.stats.history.bays import Step
    from service.stats.history.noise_study import BayNoise
    from service.stats.iso5725 import Crossed, Precision

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def percent(log: float) -> float | None:
    """A difference in logs as percent."""
    return rounded(100.0 * math.expm1(log))


def spread_percent(sd: float | None) -> float | None:
    """A standard deviation in logs as percent."""
    return None if sd is None else rounded(100.0 * sd)


def day_of(days: float) -> str | None:
    """A time given in days since 1970-01-01; None for the beginning of everything."""
    return (EPOCH + timedelta(days=days)).isoformat() if math.isfinite(days) else None


def outlier_document(one: "OddOne", measure: str, quantity: str, units: str) -> dict[str, Any]:
    """One that lies apart."""

    def show(value: float | None) -> float | None:
        return rounded(value) if one.in_percent else figure(value, quantity, units)

    return {
        "kind": one.kind,
        "vehicle": one.where.vehicle,
        "platform": one.where.platform,
        "bay": one.where.bay,
        "session": one.where.session,
        "setup": one.setup,
        "pull": one.pull,
        "part": one.part,
        "at": one.where.at.isoformat(),
        "measure": measure,
        "value": show(one.value),
        "expected": show(one.expected),
        "unit": "percent" if one.in_percent else "quantity",
        "deviation_percent": rounded(one.deviation_percent),
        "score": rounded(one.score),
        "reasons": [
            {
                "code": reason.code,
                "message": reason.message,
                "explains_percent": rounded(reason.explains_percent),
            }
            for reason in one.reasons
        ],
    }


def agreement_document(answer: "Agreement") -> dict[str, Any]:
    """How far the bays agree."""
    return {
        "level": answer.level,
        "items": [bay_document(bay) for bay in answer.bays],
        "shop": None if answer.shop is None else noise_document(answer.shop),
        "check_cars_alone": None if answer.study is None else study_document(answer.study),
        "cautions": list(answer.cautions),
    }


def bay_document(bay: "BayAgreement") -> dict[str, Any]:
    """One bay's agreement."""
    level = bay.level
    return {
        "bay": bay.post.slug,
        "name": bay.post.name,
        "kind": bay.post.kind,
        "offset_percent": None if level is None else percent(level.mean),
        "interval": interval(bay.interval, percent),
        "since": None if level is None else day_of(level.since),
        "cars": bay.cars,
        "cars_shared": bay.cars_shared,
        "repeatability_percent": spread_percent(bay.repeatability),
        "reproducibility_percent": spread_percent(bay.reproducibility),
        "last_post": bay.post.last_post and bay.post.last_post.isoformat(),
        "drift_percent_per_year": None if bay.drift is None else percent(bay.drift.mean),
        "drift_interval": interval(bay.drift_interval, percent),
        "steps": [step_document(step) for step in bay.steps],
        "check_car": check_document(usual_check(bay.check_cars)) if bay.check_cars else None,
    }


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


def model_document(report: "ModelReport") -> dict[str, Any]:
    """The model in use."""
    state = report.state
    if state is None:
        return {
            **dict.fromkeys(("as_of", "version", "fit", "followed", "down_weighted")),
            "state": "none",
            "spreads": [],
            "shares": [],
            "cautions": list(report.cautions),
        }
    fit = state.system.fit
    return {
        "as_of": state.as_of.isoformat(),
        "state": "ready",
        "version": state.key,
        "fit": {
            "id": state.facts.fit_id if state.facts else None,
            "made_at": state.made_at.isoformat(),
            "measure": "peak_power",
            "standard": state.standard,
            "cars": fit.cars,
            "setups": fit.setups,
        },
        "followed": {"changes": state.mark.count, **report.holds},
        "spreads": [
            {"name": one.name, "sd_percent": rounded(100.0 * one.sd), "of": one.of, "between": one.between}
            for one in report.spreads
        ],
        "shares": [
            {"name": name, "share": rounded(share), "words": words} for name, share, words in report.shares
        ],
        "down_weighted": {"setups": report.down_weighted, "heat_soaked": report.heat_soaked},
        "cautions": list(report.cautions),
    }


@described(meanings.OUTLIER)
class OutlierDocument(Schema):
    """One that lies apart."""

    kind = fields.String()
    vehicle = fields.String(allow_none=True)
    platform = fields.String(allow_none=True)
    bay = fields.String(allow_none=True)
    session = fields.String(allow_none=True)
    setup = fields.Integer(allow_none=True)
    pull = fields.Integer(allow_none=True)
    part = fields.String(allow_none=True)
    at = fields.DateTime()
    measure = fields.String()
    value = fields.Float(allow_none=True)
    expected = fields.Float(allow_none=True)
    unit = fields.String()
    deviation_percent = fields.Float()
    score = fields.Float()
    reasons = fields.List(fields.Dict())


@described(meanings.OUTLIERS)
class OutlierAnswer(Document):
    """What lies apart from the rest, a page of it."""

    as_of = fields.DateTime()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    measure = fields.String()
    false_alarm_rate = fields.Float()
    looked_at = fields.Dict()
    items = fields.List(fields.Nested(OutlierDocument))
    cautions = fields.List(fields.String())


@described(meanings.AGREEMENT_BAY)
class BayAgreementDocument(Schema):
    """How one bay agrees with the others."""

    bay = fields.String()
    name = fields.String()
    kind = fields.String()
    offset_percent = fields.Float(allow_none=True)
    interval = fields.List(fields.Float(), allow_none=True)
    since = fields.DateTime(allow_none=True)
    cars = fields.Integer()
    cars_shared = fields.Integer()
    repeatability_percent = fields.Float(allow_none=True)
    reproducibility_percent = fields.Float(allow_none=True)
    last_post = fields.DateTime(allow_none=True)
    drift_percent_per_year = fields.Float(allow_none=True)
    drift_interval = fields.List(fields.Float(), allow_none=True)
    steps = fields.List(fields.Dict())
    check_car = fields.Dict(allow_none=True)


@described(meanings.AGREEMENT)
class AgreementAnswer(Document):
    """How far the bays agree."""

    as_of = fields.DateTime()
    level = fields.Float()
    items = fields.List(fields.Nested(BayAgreementDocument))
    shop = fields.Dict(allow_none=True)
    check_cars_alone = fields.Dict(allow_none=True)
    cautions = fields.List(fields.String())


@described(meanings.MODEL)
class ModelAnswer(Document):
    """The history model in use."""

    as_of = fields.DateTime(allow_none=True)
    state = fields.String()
    version = fields.String(allow_none=True)
    fit = fields.Dict(allow_none=True)
    followed = fields.Dict(allow_none=True)
    spreads = fields.List(fields.Dict())
    shares = fields.List(fields.Dict())
    down_weighted = fields.Dict(allow_none=True)
    cautions = fields.List(fields.String())


@described(meanings.REFIT_ANSWER)
class RefitAnswer(Document):
    """What became of a wish for a new estimate."""

    status = fields.String()
    asked_at = fields.DateTime()
