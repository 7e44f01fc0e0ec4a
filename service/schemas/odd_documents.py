"""What lies apart from the rest, as documents: figures in the asked units, and in words what it is and what to look at."""

import math
from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Any, Final

from marshmallow import Schema, fields

from service.domain.odd_words import BAY, areas_recorded, headline, looks
from service.domain.units import symbol
from service.schemas import model_meanings as meanings
from service.schemas.answer_documents import figure, rounded
from service.schemas.base import Document
from service.schemas.bay_documents import BayDayDocument, day_document
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.bay_days import DayShown
    from service.answers.odd_shown import OddOne
    from service.store.model_questions import SetupPlace

WITH_SIZE: Final = ("inlet-air", "mixture", "manifold-pressure", "factor", "unexplained")
"""Reasons of which is known what they explain: a column each in a table."""
NOT_IN_TABLES: Final = ("ordinary", "ordinary_percent", "reasons", "checks", "bay_day")
BESIDE_TABLES: Final = (
    "ordinary_low",
    "ordinary_high",
    "reasons",
    *(f"{code.replace('-', '_')}_percent" for code in WITH_SIZE),
)


def outlier_document(
    one: "OddOne", measure: str, quantity: str, units: str, day: "DayShown | None"
) -> dict[str, Any]:
    """One that lies apart; day: its bay's day by the other cars."""

    def show(value: float | None) -> float | None:
        return rounded(value) if one.in_percent else figure(value, quantity, units)

    ordinary, known = one.ordinary, None if day is None else day_document(day, others=True)
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
        "unit": "percent" if one.in_percent else symbol(quantity, units),
        "deviation_percent": rounded(one.deviation_percent),
        "score": rounded(one.score),
        "said": said_of(one, quantity, units),
        "ordinary": None if ordinary is None else [show(end) for end in ordinary],
        "ordinary_percent": [rounded(100.0 * math.expm1(end)) for end in (-one.reach, one.reach)],
        "record": address_of(one.record),
        "beside": address_of(one.beside),
        "stock": one.record is not None and not one.record.part_ids,
        "reasons": [
            {
                "code": reason.code,
                "message": reason.said(units),
                "explains_percent": rounded(reason.explains_percent),
            }
            for reason in one.reasons
        ],
        "checks": checks_of(one, units, known),
        "bay_day": known,
    }


def said_of(one: "OddOne", quantity: str, units: str) -> str:
    """What lies apart, in one sentence."""
    about = {
        "vehicle": one.where.vehicle or "",
        "subject": one.subject,
        "setup": str(one.setup or ""),
        "at": f"{one.where.at.day} {one.where.at:%B %Y}",
    }
    value, expected = (shown_figure(value, one, quantity, units) for value in (one.value, one.expected))
    return headline(one.among, about, one.deviation_percent, value, expected)


def shown_figure(value: float | None, one: "OddOne", quantity: str, units: str) -> str:
    """A figure with its unit, to the digit that a comparison of two cars is worth (our choice)."""
    if value is None:
        return ""
    if one.in_percent:
        return f"{value:+.1f} %".replace("-", "−")
    shown = figure(value, quantity, units)
    if shown is None:
        return ""
    # halves go up, as in the tables of the pages
    return f"{Decimal(str(shown)).quantize(Decimal('0.1'), ROUND_HALF_UP)} {symbol(quantity, units)}"


def checks_of(one: "OddOne", units: str, day: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """What to look at, in order, with what was recorded there."""
    recorded: dict[str, list[str]] = {}
    for area, words in areas_recorded({reason.code: reason.said(units) for reason in one.reasons}):
        recorded.setdefault(area, []).append(words)
    if day is not None:
        recorded.setdefault(BAY.area, []).append(day["said"])
    return [
        {"area": look.area, "ask": look.ask, "recorded": "; ".join(recorded.get(look.area, [])) or None}
        for look in looks(one.among, one.deviation_percent > 0.0, one.everywhere)
    ]


def address_of(place: "SetupPlace | None") -> str | None:
    """The address of a setup."""
    return None if place is None else f"/v1/sessions/{place.session}/setups/{place.n}"


def outlier_row(document: Mapping[str, Any]) -> dict[str, Any]:
    """The same for a table, one row each: both ends of the ordinary range, the codes of the reasons, and of each code that
    has a size what it explains [%]."""
    explains = {reason["code"]: reason["explains_percent"] for reason in document["reasons"]}
    low, high = document["ordinary"] or (None, None)
    return {
        **{name: value for name, value in document.items() if name not in NOT_IN_TABLES},
        "ordinary_low": low,
        "ordinary_high": high,
        "reasons": " ".join(explains),
        **{f"{code.replace('-', '_')}_percent": explains.get(code) for code in WITH_SIZE},
    }


@described(
    {
        "code": "Its short name; `unexplained` is what is left.",
        "message": "What was recorded, in words.",
        "explains_percent": "What it explains [%]; null = not known how much.",
    }
)
class OddReason(Schema):
    """What was recorded beside it and goes the same way."""

    code = fields.String()
    message = fields.String()
    explains_percent = fields.Float(allow_none=True)


@described(
    {
        "area": "Where to look.",
        "ask": "What to ask there.",
        "recorded": "What was recorded there that goes the same way; null = nothing.",
    }
)
class OddLook(Schema):
    """What to look at."""

    area = fields.String()
    ask = fields.String()
    recorded = fields.String(allow_none=True)


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
    said = fields.String()
    ordinary = fields.List(fields.Float(), allow_none=True)
    ordinary_percent = fields.List(fields.Float())
    record = fields.String(allow_none=True)
    beside = fields.String(allow_none=True)
    stock = fields.Boolean()
    reasons = fields.List(fields.Nested(OddReason))
    checks = fields.List(fields.Nested(OddLook))
    bay_day = fields.Nested(BayDayDocument, allow_none=True)


COLUMNS: Final = [name for name in OutlierDocument().fields if name not in NOT_IN_TABLES] + list(
    BESIDE_TABLES
)
"""The columns of the table."""


@described(meanings.OUTLIERS)
class OutlierAnswer(Document):
    """What lies apart from the rest, a page of it."""

    as_of = fields.DateTime()
    search = fields.String()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    measure = fields.String()
    said = fields.String()
    said_beside = fields.String(allow_none=True)
    false_alarm_rate = fields.Float()
    looked_at = fields.Dict(keys=fields.String(), values=fields.Integer())
    found = fields.Dict(keys=fields.String(), values=fields.Integer())
    items = fields.List(fields.Nested(OutlierDocument))
    cautions = fields.List(fields.String())
