"""A customer's sheet as a document: its figures in the asked units, and beside them the ten points in words."""

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from service.domain.correction import STANDARDS
from service.domain.curve import GRID_RPM
from service.domain.units import from_si, power_kw
from service.schemas.answer_documents import (
    SMOOTHING,
    cost_document,
    difference_document,
    figure,
    interval,
    listed,
    rounded,
)
from service.schemas.session_documents import Figures, reason_of
from service.schemas.sheet_changes import superseded_document
from service.schemas.sheet_condition_words import CONDITIONS, unmeasured_names
from service.schemas.sheet_gain_words import headline
from service.schemas.sheet_test_words import ON_RECORD, printed, standing
from service.schemas.sheet_words import notices, points, title

if TYPE_CHECKING:
    from service.answers.sheet import InBay, Sheet
    from service.answers.sheet_gain import Along, Compared, Gain
    from service.answers.sheet_states import Span, State
    from service.store.reading import PullRow

CURVE_DIGITS = 4
"""Significant digits of a curve's figures (our choice)."""


def sheet_document(
    sheet: "Sheet", units: str, as_of: str, asked_version: int | None = None, *, in_house: bool = False
) -> dict[str, Any]:
    """The sheet; with an older version asked for, what superseded it.

    in_house: also who changed something and why, in the free text of the shop's people; never in the words of the sheet.
    """
    show = Figures(units, sheet.standard).for_engine(sheet.b.session.engine)
    return {
        "number": str(sheet.number),
        "version": sheet.version,
        "changed_at": sheet.changed_at.isoformat(),
        "as_of": as_of,
        "superseded": superseded_document(sheet, asked_version, in_house),
        "title": title(sheet),
        "headline": printed(headline(sheet, units)),
        "units": units,
        "standard": sheet.standard,
        "tested": tested_document(sheet),
        "procedure": {
            "name": STANDARDS[sheet.standard].name,
            "formula": STANDARDS[sheet.standard].formula,
            "factor_is_policy": sheet.standard == "none",
        },
        "a": None if sheet.a is None else state_document(sheet, sheet.a, show, in_house),
        "b": state_document(sheet, sheet.b, show, in_house),
        "changed": None if sheet.compared is None else changed_document(sheet.compared, units),
        "smoothing": dict(SMOOTHING),
        "gain": None if sheet.compared is None else gain_document(sheet.compared, units),
        "pooled": pooled_document(sheet, units),
        "not_measured": unmeasured_names(sheet),
        "curves": curves_document(sheet, units),
        "points": points(sheet, units),
        "notices": notices(sheet),
    }


def tested_document(sheet: "Sheet") -> dict[str, Any]:
    """The car."""
    car = sheet.car
    return {
        "vehicle": car.tag,
        "platform": sheet.platform.slug,
        "name": sheet.platform.name,
        "model_year": car.model_year,
        "odometer_km": sheet.odometer_km,
    }


def state_document(sheet: "Sheet", state: "State", show: Figures, in_house: bool) -> dict[str, Any]:
    """One state: what was fitted, where, its pulls, its figures, its conditions."""
    session, setup = state.session, state.setup
    spans = [(name, quantity) for name, _, quantity, _ in CONDITIONS]
    return {
        "setup": f"/v1/sessions/{session.id}/setups/{setup.n}",
        "date": session.started_at.date().isoformat(),
        "label": setup.label,
        "not_stock": [
            {
                "part": part.slug,
                "name": part.name,
                "slots": list(part.slots),
                "approval": None if part.approval is None else dict(part.approval),
            }
            for part in state.fitted
        ],
        "parts_known": setup.parts_known,
        "stock_checked": setup.stock_checked,
        "calibration": [part.name for part in state.fitted if part.is_tune],
        "fuel": {
            "octane": setup.octane,
            "octane_method": setup.octane_method,
            "ethanol": setup.ethanol,
        },
        "bay": bay_document(sheet.bays[session.bay]),
        "gear": session.gear,
        "ratio": session.ratio,
        "tyre_size": session.tyre_size,
        "struck": state.struck if in_house or state.struck is None else ON_RECORD,
        "doubts": list(setup.doubts),
        "standing": standing(show, state),
        "pulls": pulls_document(state, show, sheet.amended_pulls, in_house),
        "peak_power": peak_document(state, "power", show),
        "peak_torque": peak_document(state, "torque", show),
        "conditions": {
            name: span_document(state.spans.get(name), quantity, show.units) for name, quantity in spans
        },
        "lambda_probe": setup.lambda_probe,
    }


def bay_document(found: "InBay") -> dict[str, Any]:
    """A bay with its last check before the test."""
    check = found.check
    return {
        "bay": found.bay.slug,
        "name": found.bay.name,
        "kind": found.bay.kind,
        "last_check": None
        if check is None
        else {
            "date": check.at.date().isoformat(),
            "state": check.reading.state,
            "inside": check.reading.state != "outside",
            "deviation_percent": rounded(100.0 * check.reading.deviation),
            "limit_percent": rounded(100.0 * check.reading.action),
        },
    }


def pull_reason(pull: "PullRow", amended: Collection[int], in_house: bool) -> str | None:
    """Why a pull does not count: as it was posted; what was said later only inside the house."""
    reason = reason_of(pull)
    if not in_house and (pull.struck is not None or (reason is not None and pull.pull_id in amended)):
        return ON_RECORD
    return pull.struck or reason


def pulls_document(state: "State", show: Figures, amended: Collection[int], in_house: bool) -> dict[str, Any]:
    """How many pulls there were, and each with its factor."""
    numbers = {pull.n for pull in state.counted}
    return {
        "made": len(state.pulls),
        "accepted": len(state.counted),
        "settling": len(state.with_status("settling")),
        "rejected": len(state.with_status("rejected")),
        "struck": len(state.struck_pulls),
        "best": state.best,
        "each": [
            {
                "n": pull.n,
                "status": pull.status,
                "counts": pull.n in numbers,
                "reason": pull_reason(pull, amended, in_house),
                "observed_power": show.show(pull.power_kw, "power")
                if pull.factor is not None or pull.basis_standard is None
                else None,
                "factor": show.pull_factor(pull),
            }
            for pull in state.pulls
        ],
    }


def peak_document(state: "State", kind: str, show: Figures) -> dict[str, Any] | None:
    """A peak: the mean of the pulls that count, and the best of them named as such."""
    power, setup = kind == "power", state.setup
    mean = state.power_kw if power else state.torque_peak_nm
    if mean is None:
        return None
    spread = setup.power_spread if power else setup.torque_spread
    rpm = setup.power_rpm if power else setup.torque_rpm
    best = state.levelled(setup.power_best_kw if power else setup.torque_best_nm)
    return {
        "mean": figure(mean, kind, show.units),
        "best": figure(best, kind, show.units),
        "rpm": None if rpm is None else round(rpm),
        "spread_percent": None if spread is None else rounded(100.0 * spread),
        "observed": figure(state.observed_kw, kind, show.units) if power else None,
    }


def span_document(span: "Span | None", quantity: str | None, units: str) -> dict[str, Any] | None:
    """A condition's mean and ends; None: not measured."""
    if span is None:
        return None

    def shown(value: float | None) -> float | None:
        return rounded(value) if quantity is None else figure(value, quantity, units)

    return {"mean": shown(span.mean), "low": shown(span.low), "high": shown(span.high)}


def changed_document(compared: "Compared", units: str) -> dict[str, Any]:
    """What was changed between A and B, what else moved, in which order."""
    return {
        "part": compared.part,
        "against": compared.against or ("without" if compared.part else None),
        "fitted": [part.slug for part in compared.added],
        "taken_off": [part.slug for part in compared.removed],
        "differs": [difference_document(one, units) for one in compared.differs],
        "held": compared.held,
        "match": compared.match,
        "usable": compared.usable,
        "a_first": compared.a_first,
        "again": compared.again,
        "again_is": None if compared.again is None else "a" if compared.again_is_a else "b",
        "returned_percent": None if compared.returned is None else rounded(100.0 * compared.returned),
        "minutes_between": None if compared.minutes is None else round(compared.minutes, 1),
        "days_between": round(compared.days, 3),
    }


def gain_document(compared: "Compared", units: str) -> dict[str, Any]:
    """What B gained over A."""
    shown = {gain.name: one_gain(gain, units) for gain in compared.gains}
    return {
        "refused": compared.refused,
        "level": 0.95,
        "smallest_percent": None if compared.noise is None else rounded(100.0 * compared.noise),
        **{name: shown.get(name) for name in ("band", "peak", "low_third")},
    }


def one_gain(gain: "Gain", units: str) -> dict[str, Any]:
    """The change of power in one measure."""

    def absolute(log: float) -> float | None:
        return None if gain.base_kw is None else figure(gain.base_kw * np.expm1(log), "power", units)

    def percent(log: float) -> float | None:
        return rounded(100.0 * float(np.expm1(log)))

    return {
        "from_rpm": gain.measure.from_rpm,
        "to_rpm": gain.measure.to_rpm,
        "gain": absolute(gain.gain),
        "interval": interval(gain.interval, absolute),
        "percent": percent(gain.gain),
        "interval_percent": interval(gain.interval, percent),
        "established": gain.is_established,
    }


def pooled_document(sheet: "Sheet", units: str) -> dict[str, Any] | None:
    """What the whole history says of the part; None where no single part was changed."""
    found, question = sheet.pooled, sheet.question
    if found is None or question is None:
        return None
    head, pairs = found.headline, found.pairs

    def percent(log: float) -> float | None:
        return rounded(found.percent(log))

    return {
        "part": question.part,
        "name": question.part_name,
        "against": question.against_name,
        "level": found.asked.level,
        "typical_percent": percent(head.mean) if head else None,
        "typical_interval_percent": interval(head.interval if head else None, percent),
        "next_car_percent": interval(head.next_interval if head else None, percent),
        "cars": pairs.cars,
        "comparisons": pairs.pairs_in_all,
        "first": pairs.first and pairs.first.isoformat(),
        "last": pairs.last and pairs.last.isoformat(),
        "without_gain": None
        if sheet.without_gain is None
        else {name: getattr(sheet.without_gain, name) for name in ("cars", "clearly", "of")},
        "left_out": pairs.left_out,
        "grade": found.grade,
        "cost": cost_document(found.cost, found.asked.measure, units),
    }


def curves_document(sheet: "Sheet", units: str) -> dict[str, Any] | None:
    """Power and torque of A and B on one grid of speeds, and the gain with its interval; None without a curve."""
    grids = [None if one is None else one.torque_nm for one in (sheet.a, sheet.b)]
    known = [np.isfinite(grid) for grid in grids if grid is not None]
    if not known:
        return None
    reached = np.flatnonzero(np.any(known, axis=0))
    reach = slice(int(reached[0]), int(reached[-1]) + 1)
    rpm = GRID_RPM[reach]

    def column(grid: NDArray[np.float64] | None, kind: str) -> list[float | None] | None:
        if grid is None:
            return None
        values = power_kw(grid[reach], rpm) if kind == "power" else grid[reach]
        return listed(from_si(values, kind, units), CURVE_DIGITS)

    body = {
        f"{kind}_{letter}": column(grid, kind)
        for kind in ("power", "torque")
        for letter, grid in zip("ab", grids, strict=True)
    }
    along = None if sheet.compared is None else sheet.compared.along
    return {"rpm": rpm.tolist(), **body, "gain": None if along is None else along_document(along, units)}


def along_document(along: "Along", units: str) -> dict[str, Any]:
    """The gain of power over the rev range with its interval at each speed."""

    def column(log: NDArray[np.float64]) -> list[float | None]:
        return listed(from_si(along.base_kw * np.expm1(log), "power", units), CURVE_DIGITS)

    return {
        "rpm": along.rpm.tolist(),
        "gain": column(along.gain),
        "low": column(along.gain - along.half),
        "high": column(along.gain + along.half),
    }


def curve_rows(document: dict[str, Any]) -> tuple[list[str], list[Sequence[Any]]]:
    """The curves as a table: one row a speed."""
    curves = document["curves"]
    if curves is None:
        return ["rpm"], []
    gain = curves["gain"] or {"rpm": []}
    at = {rpm: place for place, rpm in enumerate(gain["rpm"])}
    columns = {name: values for name, values in curves.items() if name != "gain" and values is not None}
    columns |= {
        f"gain_{name}" if name != "gain" else name: [
            gain[name][at[rpm]] if rpm in at else None for rpm in curves["rpm"]
        ]
        for name in ("gain", "low", "high")
        if name in gain
    }
    return list(columns), list(zip(*columns.values(), strict=True))
