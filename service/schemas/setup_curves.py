"""A setup's mean curve as a document: torque and power corrected, everything else as it was read."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from marshmallow import fields
from numpy.typing import NDArray

from service.domain.curve import GRID_RPM
from service.domain.restriction import Restriction
from service.domain.units import from_si, power_kw, symbol
from service.schemas import answer_meanings
from service.schemas.base import Document
from service.schemas.fields import shown
from service.schemas.gain_members import CurveSmoothing
from service.schemas.meanings import described

Grid = NDArray[np.float64]

QUANTITIES = {"map": "pressure", "boost": "tyre_pressure", "inlet": "temperature"}
"""Channels with a unit; the others are shares, degrees of crank, and ratios."""
DIGITS = 5
"""Significant digits: below what one sample carries (our choice)."""


def curve_document(
    torque_nm: Grid, channels: Mapping[str, Grid], restriction: Restriction | None, units: str
) -> dict[str, Any]:
    """The columns of a mean curve where its torque is known, as equal-length lists; null where a channel is not known."""
    known = np.flatnonzero(np.isfinite(torque_nm))
    reach = slice(int(known[0]), int(known[-1]) + 1)
    columns: dict[str, tuple[str | None, Grid]] = {
        "torque": ("torque", torque_nm),
        "power": ("power", power_kw(torque_nm, GRID_RPM)),
    }
    columns |= {name: (QUANTITIES.get(name), values) for name, values in channels.items()}
    return {
        "curve": {
            "rpm": GRID_RPM[reach].tolist(),
            **{name: column(values[reach], kind, units) for name, (kind, values) in columns.items()},
        },
        "restriction": None if restriction is None else restriction_document(restriction, units),
    }


def single_document(pull: Any, torque_nm: Grid, along: Grid, units: str) -> dict[str, Any]:
    """One pull's own curve at the speeds of its setup's mean curve `along`."""
    known = np.flatnonzero(np.isfinite(along))
    reach = slice(int(known[0]), int(known[-1]) + 1)
    return {
        "pull": pull.pull_id,
        "n": pull.n,
        "status": pull.status,
        "struck": pull.struck,
        "torque": column(torque_nm[reach], "torque", units),
        "power": column(power_kw(torque_nm, GRID_RPM)[reach], "power", units),
    }


def column(values: Grid, quantity: str | None, units: str) -> list[float | None]:
    """One column in the asked units."""
    figures = from_si(values, quantity, units) if quantity else values
    return [None if value != value else float(f"{value:.{DIGITS}g}") for value in figures]


def restriction_document(restriction: Restriction, units: str) -> dict[str, Any]:
    """What the intake takes away, and the estimate of what it is worth."""
    # pressures of every system begin at nought, so a difference is turned like a pressure
    fall = f"{from_si(restriction.kpa, 'pressure', units):.2g}"
    return {
        "pressure": shown(restriction.kpa, "pressure", units),
        "from_rpm": round(restriction.from_rpm),
        "at_rpm": round(restriction.at_rpm),
        "power_freed_percent": round(restriction.power_freed_percent, 2),
        "power_freed": shown(restriction.power_freed_kw, "power", units),
        "reading": (
            f"manifold pressure falls by {fall} {symbol('pressure', units)} from {restriction.from_rpm:.0f} to "
            f"{restriction.at_rpm:.0f} rpm: consistent with a restriction upstream; by the pressure law it takes about "
            f"{restriction.power_freed_percent:.1f} % of the power there. An estimate: a stock intake has one too, and "
            "no part frees all of it"
        ),
    }


@described(answer_meanings.RESTRICTION)
class RestrictionDocument(Document):
    """How far manifold pressure falls along a full-throttle pull of a naturally aspirated engine."""

    pressure = fields.Float()
    from_rpm = fields.Integer()
    at_rpm = fields.Integer()
    power_freed_percent = fields.Float()
    power_freed = fields.Float(allow_none=True)
    reading = fields.String()


@described(answer_meanings.SINGLE_CURVE)
class SingleCurve(Document):
    """One pull's own curve at the speeds of its setup's."""

    pull = fields.Integer()
    n = fields.Integer()
    status = fields.String()
    struck = fields.String(allow_none=True)
    torque = fields.List(fields.Float(allow_none=True))
    power = fields.List(fields.Float(allow_none=True))


@described(answer_meanings.SETUP_CURVE)
class SetupCurveDocument(Document):
    """A setup's mean curve with what was recorded along it."""

    session = fields.String()
    setup = fields.Integer()
    vehicle = fields.String()
    units = fields.String()
    standard = fields.String(allow_none=True)
    standing = fields.String(allow_none=True)
    smoothing = fields.Nested(CurveSmoothing)
    pulls = fields.Integer()
    curve = fields.Dict(
        keys=fields.String(), values=fields.List(fields.Float(allow_none=True)), allow_none=True
    )
    singles = fields.List(fields.Nested(SingleCurve))
    restriction = fields.Nested(RestrictionDocument, allow_none=True)
