"""A car's states over time and its own readings as documents, and who is asking."""

from typing import TYPE_CHECKING, Any

from marshmallow import fields, validate

from service.schemas import car_meanings
from service.schemas.answer_documents import figure, interval, rounded
from service.schemas.base import Document
from service.schemas.changes import why
from service.schemas.fields import Several, Whole
from service.schemas.meanings import described
from service.schemas.queries import MeasureQuery, PageQuery

if TYPE_CHECKING:
    from service.answers.car_levels import StateFigures
    from service.answers.own_readings import OwnReadings
    from service.stats.own_readings import Change

MOST_SETUPS = 50


class StatesQuery(MeasureQuery, PageQuery):
    """A page of a car's states, in one measure."""


@described(car_meanings.CALLER)
class CallerDocument(Document):
    """Who is asking, as the token says."""

    name = fields.String()
    scope = fields.String()
    bay = fields.String(allow_none=True)
    may_change = fields.Boolean()


@described(car_meanings.STATE)
class CarStateDocument(Document):
    """One setup of a car, with what it read and what had been changed before it."""

    setup = fields.String()
    session = fields.String()
    n = fields.Integer()
    at = fields.String()
    bay = fields.String()
    label = fields.String(allow_none=True)
    parts = fields.List(fields.String())
    parts_known = fields.String()
    stock_checked = fields.String()
    pulls = fields.Integer()
    pulls_posted = fields.Integer()
    mean = fields.Float(allow_none=True)
    best = fields.Float(allow_none=True)
    spread = fields.Float(allow_none=True)
    spread_percent = fields.Float(allow_none=True)
    peak_rpm = fields.Integer(allow_none=True)
    standard = fields.String(allow_none=True)
    standing = fields.String(allow_none=True)
    levelled = fields.Float(allow_none=True)
    struck = fields.String(allow_none=True)
    doubts = fields.List(fields.String())
    fitted = fields.List(fields.String(), allow_none=True)
    removed = fields.List(fields.String(), allow_none=True)
    before = fields.String(allow_none=True)


STATE_COLUMNS = tuple(CarStateDocument().fields)


def state_document(state: "StateFigures", quantity: str, units: str) -> dict[str, Any]:
    """One state in the asked units."""
    row = state.row

    def show(value: float | None) -> float | None:
        return figure(value, quantity, units)

    spread = None if state.spread is None or state.mean is None else state.spread * state.mean
    return {
        "setup": address(row.session, row.n),
        "session": f"/v1/sessions/{row.session}",
        "n": row.n,
        "at": row.at.isoformat(),
        "bay": row.bay,
        "label": row.label,
        "parts": row.parts,
        "parts_known": row.parts_known,
        "stock_checked": row.stock_checked,
        "pulls": row.pulls,
        "pulls_posted": row.pulls_posted,
        "mean": show(state.mean),
        "best": show(state.best),
        "spread": show(spread),
        "spread_percent": rounded(None if state.spread is None else 100.0 * state.spread),
        "peak_rpm": None if state.rpm is None else round(state.rpm),
        "standard": state.standard,
        "standing": state.standing,
        "levelled": show(state.levelled),
        "struck": row.struck,
        "doubts": row.doubts,
        "fitted": row.fitted,
        "removed": row.removed,
        "before": None if row.before_n is None else address(row.before_session, row.before_n),
    }


def address(session: Any, n: int) -> str:
    """The address of a setup."""
    return f"/v1/sessions/{session}/setups/{n}"


@described(car_meanings.CHANGE)
class OwnChangeDocument(Document):
    """How a car reads against an earlier reading of its own."""

    earlier = fields.String()
    earlier_at = fields.String()
    later = fields.String()
    later_at = fields.String()
    fitted = fields.List(fields.String())
    removed = fields.List(fields.String())
    percent = fields.Float()
    interval_percent = fields.List(fields.Float())
    difference = fields.Float()
    clear = fields.Boolean()
    same_bay = fields.Boolean()


@described(car_meanings.OWN_READINGS)
class OwnReadingsAnswer(Document):
    """How a car reads now against its own earlier readings."""

    as_of = fields.DateTime()
    question = fields.Dict()
    units = fields.String()
    standard = fields.String()
    level = fields.Float()
    vehicle = fields.String()
    platform = fields.String()
    sessions = fields.Integer()
    setups = fields.Integer()
    newest = fields.Nested(CarStateDocument, allow_none=True)
    now = fields.Nested(CarStateDocument, allow_none=True)
    first = fields.Nested(OwnChangeDocument, allow_none=True)
    first_is_stock = fields.Boolean()
    in_state = fields.List(fields.Nested(OwnChangeDocument))
    returned = fields.Nested(OwnChangeDocument, allow_none=True)
    steps = fields.List(fields.Nested(OwnChangeDocument))
    told_apart_percent = fields.Float()
    left_out = fields.Dict(keys=fields.String(), values=fields.Integer())
    says = fields.Dict(keys=fields.String(), values=fields.String(allow_none=True))


def own_document(found: "OwnReadings", quantity: str, units: str) -> dict[str, Any]:
    """A car's own readings, without the question."""

    def state(one: "StateFigures | None") -> dict[str, Any] | None:
        return None if one is None else state_document(one, quantity, units)

    def changed(one: "Change | None") -> dict[str, Any] | None:
        return None if one is None else change_document(found, one, quantity, units)

    return {
        "units": units,
        "level": found.level,
        "sessions": found.sessions,
        "setups": found.setups,
        "newest": state(found.newest),
        "now": state(found.now),
        "first": changed(found.first),
        "first_is_stock": found.first_is_stock,
        "in_state": [changed(one) for one in found.in_state],
        "returned": changed(found.returned),
        "steps": [changed(one) for one in found.steps],
        "told_apart_percent": rounded(100.0 * found.told_apart),
        "left_out": dict(found.left_out),
    }


def change_document(found: "OwnReadings", one: "Change", quantity: str, units: str) -> dict[str, Any]:
    """One change; its difference is taken at the later reading, so that it is that car's own."""
    earlier, later = found.of(one.earlier).row, found.of(one.later).row
    share = one.percent / 100.0
    return {
        "earlier": address(earlier.session, earlier.n),
        "earlier_at": earlier.at.isoformat(),
        "later": address(later.session, later.n),
        "later_at": later.at.isoformat(),
        "fitted": sorted(one.later.parts - one.earlier.parts),
        "removed": sorted(one.earlier.parts - one.later.parts),
        "percent": rounded(one.percent),
        "interval_percent": interval(one.interval_percent, rounded),
        "difference": figure(one.later.value * share / (1.0 + share), quantity, units),
        "clear": one.clear,
        "same_bay": one.earlier.bay == one.later.bay,
    }


@described(car_meanings.SWAP)
class SwapDocument(Document):
    """Two setups that were taken for each other."""

    reason = why()
    setups = Several(
        Whole(low=1, high=MOST_SETUPS),
        required=True,
        validate=validate.Length(equal=2, error="name two setups, such as [1, 2]"),
    )
