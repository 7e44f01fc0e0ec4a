"""What the service shows of sessions, setups and pulls: records to documents, in the asked units and standard."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from marshmallow import fields
from numpy.typing import NDArray

from service.domain import closing
from service.domain.correction import Air, standard_named
from service.domain.derive import OBSERVED
from service.domain.engine import Engine
from service.domain.levels import mean_air, ratio_to
from service.domain.pairing import MATCHES
from service.domain.review_standing import standard_of, standing
from service.domain.units import from_si
from service.schemas import answer_meanings
from service.schemas.answer_documents import difference_document
from service.schemas.base import Document
from service.schemas.fields import shown
from service.schemas.gain_members import DifferenceDocument
from service.schemas.meanings import described
from service.schemas.sessions import CHANNEL_QUANTITY
from service.schemas.setup_documents import SessionSetup

CURVE_DIGITS = 7
"""What a float32 carries."""


def time_text(at: datetime | None) -> str | None:
    """RFC 3339 with offset."""
    return None if at is None else at.isoformat()


class Figures:
    """Turns the ledger's SI figures into a document's units and standard."""

    def __init__(self, units: str, standard: str, engine: Engine | None = None) -> None:
        self.units = units
        self.standard = standard
        self.engine = engine

    def for_engine(self, engine: Engine) -> "Figures":
        """The same, for the car of this engine: some standards need to know it."""
        return Figures(self.units, self.standard, engine)

    def show(self, value: float | None, quantity: str) -> float | None:
        """One SI figure in the document's units."""
        return shown(value, quantity, self.units)

    def session(self, row: Any) -> dict[str, Any]:
        """A strap-down without its setups."""
        return {
            "id": str(row.id),
            "vehicle": row.vehicle,
            "platform": row.platform,
            "bay": row.bay,
            "started_at": time_text(row.started_at),
            "operator": row.operator,
            "gear": row.gear,
            "ratio": row.ratio,
            "tyre_size": row.tyre_size,
            "tyre_pressure": self.show(row.tyre_pressure_kpa, "tyre_pressure"),
            "sequence": row.sequence,
            "clock": time_text(row.clock),
            "received_at": time_text(row.received_at),
            "posted_by": row.posted_by,
            "struck": row.struck,
        }

    def setup(self, row: Any, pulls: Sequence[Any]) -> dict[str, Any]:
        """A setup with its summary and its pulls."""
        return {
            "n": row.n,
            "label": row.label,
            "parts": [fitted["part"] if fitted["slot"] is None else fitted for fitted in row.parts],
            "parts_known": row.parts_known,
            "stock_checked": row.stock_checked,
            "fuel": {"ethanol": row.ethanol, "octane": row.octane, "octane_method": row.octane_method},
            "spark_advance": row.spark_advance_deg,
            "lambda_probe": row.lambda_probe,
            "struck": row.struck,
            "doubts": row.doubts,
            "summary": self.summary(row, pulls),
            "pulls": [self.pull(pull) for pull in pulls],
        }

    def summary(self, row: Any, pulls: Sequence[Any]) -> dict[str, Any]:
        """Per measure: mean, best, spread (sample standard deviation), pulls; at the asked standard where that can be,
        else at the setup's own: null where that is none or not known, and `standing` says it in words."""
        air = mean_air(row.temperature_c, row.pressure_kpa, row.vapour_kpa)
        ratio = ratio_to(self.standard, row.level_standard, air, self.engine)
        factor, counted = 1.0 if ratio is None else ratio, counted_of(pulls)
        return {
            "standard": self.standard if ratio is not None else standard_of(row.level_standard),
            "standing": self.standing(row.level_standard, ratio, counted),
            # 1 stands for "observed and not correctable" in the ledger: no factor was recorded or can be known.
            "factor": None
            if row.factor is None or row.level_standard == OBSERVED
            else round(row.factor * factor, 6),
            "peak_power": self.measure(
                row, "power", "power_kw", "power_rpm", "power_best_kw", "power_spread", factor
            ),
            "peak_torque": self.measure(
                row, "torque", "torque_nm", "torque_rpm", "torque_best_nm", "torque_spread", factor
            ),
            "best_of": best_of_recorded(row, counted),
        }

    def standing(self, level: str | None, ratio: float | None, counted: Sequence[Any]) -> str | None:
        """What a setup's figures are corrected to, in words; None without any."""
        if level is None:
            return None
        return standing(self.standard, level, ratio is not None, self.engine or Engine(), counted)

    def measure(
        self, row: Any, quantity: str, mean: str, rpm: str, best: str, spread: str, factor: float
    ) -> dict[str, Any] | None:
        """One measure of a summary."""
        value = getattr(row, mean)
        if value is None:
            return None
        relative = getattr(row, spread)
        return {
            "mean": self.show(value * factor, quantity),
            "best": self.show(getattr(row, best) * factor, quantity),
            "rpm": getattr(row, rpm) and round(getattr(row, rpm)),
            "spread": None if relative is None else self.show(relative * value * factor, quantity),
            "spread_percent": None if relative is None else round(100 * relative, 3),
            "pulls": row.pulls,
        }

    def pull(self, row: Any) -> dict[str, Any]:
        """One pull's scalars: what was observed, and the factor that corrects it."""
        factor = self.pull_factor(row)
        posted = as_posted(row)
        return {
            "id": row.pull_id,
            "n": row.n,
            "started_at": time_text(row.started_at),
            "ambient": {
                "temperature": self.show(posted["temperature_c"], "temperature"),
                "pressure": self.show(posted["pressure_kpa"], "pressure"),
                "humidity": row.humidity,
                "dew_point": self.show(row.dew_point_c, "temperature"),
            },
            "engine": {
                name: self.show(getattr(row, f"{name}_c"), "temperature")
                for name in ("coolant", "oil", "inlet", "inlet_end")
            },
            "test": row.test,
            "ramp": row.ramp_rpm_s,
            "smoothing": row.smoothing,
            "source": row.source,
            "basis": basis_of(posted),
            "bay_correction": None if row.correction is None else row.correction["correction_id"],
            "status": row.status,
            "reason": reason_of(row),
            "best_of": row.best_of,
            "factor": factor,
            "standard": self.standard if factor is not None else None,
            **peaks_of(self, row),
            "rpm_from": row.rpm_from,
            "rpm_to": row.rpm_to,
            "struck": row.struck,
        }

    def pull_factor(self, row: Any) -> float | None:
        """The factor that corrects this pull's observed figures to the asked standard, where it can be known."""
        if row.factor is None:
            return None  # what it was posted in is not known, so neither is what was observed
        if row.vapour_kpa is not None:
            air = Air(row.temperature_c, row.pressure_kpa, row.vapour_kpa)
            factor = standard_named(self.standard).factor(air, self.engine)
            return None if factor is None else round(factor, 6)
        same = row.basis_standard == self.standard
        return row.basis_factor if same else None

    def channels(self, channels: Mapping[str, NDArray[np.float64]]) -> dict[str, list[float]]:
        """Raw channels as they were posted, in the document's units."""
        return {name: self.channel(name, values) for name, values in channels.items()}

    def channel(self, name: str, values: NDArray[np.float64]) -> list[float]:
        """One raw channel."""
        quantity = CHANNEL_QUANTITY.get(name)
        figures = from_si(values, quantity, self.units) if quantity else values
        return [float(f"{value:.{CURVE_DIGITS}g}") for value in figures]

    def pair(self, pair: Any) -> dict[str, Any]:
        """A pair that a session made."""
        percent = pair_percent(pair)
        return {
            "part": pair.part,
            "against": pair.against or "without",
            "before": f"/v1/sessions/{pair.without_session}/setups/{pair.without_n}",
            "after": f"/v1/sessions/{pair.with_session}/setups/{pair.with_n}",
            "again": pair.again_session and f"/v1/sessions/{pair.again_session}/setups/{pair.again_n}",
            "match": MATCHES[pair.match],
            "held": pair.held,
            "usable": pair.usable,
            "differs": [difference_document(one, self.units) for one in pair.differs],
            "peak_power_percent": None if percent is None else round(percent, 2),
        }


def reason_of(pull: Any) -> str | None:
    """Why a pull's status is what it is: what it was once rejected for is kept, and none of it where it is accepted again."""
    reason: str | None = None if pull.status == "accepted" else pull.reason
    return reason


def counted_of(pulls: Sequence[Any]) -> list[Any]:
    """Those of a setup's pulls that its figures may rest on."""
    return [pull for pull in pulls if pull.status == "accepted" and pull.struck is None]


def best_of_recorded(row: Any, counted: Sequence[Any]) -> int | None:
    """Of how many pulls a setup's peaks are the best, as it was recorded: None where a pull does not say, though its
    figure is then read as the best of an assumed number."""
    return None if any(pull.best_of is None for pull in counted) else row.best_of


def peaks_of(show: Figures, row: Any) -> dict[str, Any]:
    """A pull's peaks as `observed`; where the observed figure cannot be known, as they were posted."""
    peaks = {
        "peak_power": show.show(row.power_kw, "power"),
        "peak_power_rpm": row.power_rpm and round(row.power_rpm),
        "peak_torque": show.show(row.torque_nm, "torque"),
        "peak_torque_rpm": row.torque_rpm and round(row.torque_rpm),
    }
    known = row.basis_standard is None or row.factor is not None
    return {"observed": peaks if known else None, "as_posted": None if known else peaks}


def pair_percent(pair: Any) -> float | None:
    """Gain of a pair in peak power [%], as an answer takes it: a repeated state between its two readings.

    None where the two stand at different levels; an answer may bring them to one, this summary does not.
    """
    if pair.with_level != pair.without_level:
        return None
    with_, without, again = pair.with_power_kw, pair.without_power_kw, pair.again_power_kw
    if not with_ or not without:
        return None
    if again and pair.again_is_with:
        with_ *= (again / with_) ** pair.again_share
    elif again:
        without *= (again / without) ** pair.again_share
    return float(100 * (with_ / without - 1))


AS_POSTED = ("temperature_c", "pressure_kpa", "basis_standard", "basis_factor")
"""What a correction of the bay's figures moves beside the figures themselves."""


def as_posted(row: Any) -> dict[str, Any]:
    """A pull's air and basis as they were posted."""
    recorded: dict[str, Any] = {} if row.correction is None else row.correction["recorded"]
    return {name: recorded.get(name, getattr(row, name)) for name in AS_POSTED}


def basis_of(posted: Mapping[str, Any]) -> Any:
    """`basis` as it was posted."""
    if posted["basis_standard"] is None:
        return "observed"
    return {"standard": posted["basis_standard"], "factor": posted["basis_factor"]}


def finding(row: Any) -> dict[str, Any]:
    """What a check said."""
    document = {"code": row.code, "level": row.level, "message": row.message, "pointer": row.pointer}
    if row.cleared_at is not None:
        document["cleared"] = {
            "at": time_text(row.cleared_at),
            "by": row.cleared_by,
            "reason": closing.told(row.cleared_why),
            "confirmed": not closing.is_closed_by_ledger(row.cleared_why),
        }
    return document


@described(answer_meanings.CLEARED)
class ClearedDocument(Document):
    """By whom, when and why what a check said was cleared."""

    at = fields.String()
    by = fields.String()
    reason = fields.String(allow_none=True)
    confirmed = fields.Boolean()


@described(answer_meanings.CHECK)
class CheckDocument(Document):
    """What one check at the door said."""

    code = fields.String()
    level = fields.String(metadata={"description": "`doubtful` or `note`."})
    message = fields.String()
    pointer = fields.String()
    cleared = fields.Nested(ClearedDocument)


@described(answer_meanings.SESSION)
class SessionDocument(Document):
    """A strap-down without its setups, as lists show it."""

    id = fields.UUID()
    vehicle = fields.String()
    platform = fields.String()
    bay = fields.String()
    started_at = fields.String()
    operator = fields.String(allow_none=True)
    gear = fields.Integer(allow_none=True)
    ratio = fields.Float(allow_none=True)
    tyre_size = fields.String(allow_none=True)
    tyre_pressure = fields.Float(allow_none=True)
    sequence = fields.Integer(allow_none=True)
    clock = fields.String(allow_none=True)
    received_at = fields.String()
    posted_by = fields.String()
    struck = fields.String(allow_none=True, metadata={"description": "Why it counts nowhere, or null."})
    units = fields.String(metadata={"description": "The unit system of its quantities."})


@described(answer_meanings.SESSION_PAIR)
class SessionPair(Document):
    """A before/after pair that a session made."""

    part = fields.String()
    against = fields.String()
    before = fields.String()
    after = fields.String()
    again = fields.String(allow_none=True)
    match = fields.String()
    held = fields.Boolean()
    usable = fields.Boolean()
    differs = fields.List(fields.Nested(DifferenceDocument))
    peak_power_percent = fields.Float(allow_none=True)


@described(answer_meanings.KEPT_SESSION)
class KeptSession(SessionDocument):
    """A session as it is kept: what was posted, what was derived, what the checks said, the pairs it made."""

    standard = fields.String()
    setups = fields.List(fields.Nested(SessionSetup))
    checks = fields.List(fields.Nested(CheckDocument))
    pairs = fields.List(fields.Nested(SessionPair))
