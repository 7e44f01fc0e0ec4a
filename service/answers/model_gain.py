"""A part's gain by the history model: what is said of it, and of it over the rev range.

Vocabulary: `alone` is the part with nothing else fitted that is not stock; `as usually fitted` is beside what the cars
that have it usually have too, each other part weighing with its share of those cars.
"""

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.answers.knots import Knots, knots_solved
from service.answers.measured import Solved, solved_for
from service.answers.model import ModelState
from service.answers.pairs_gain import AS_USUALLY_FITTED, Asked
from service.domain.curve import GRID_RPM
from service.domain.history import Floats, Ints
from service.domain.measures import Measure
from service.domain.units import power_kw
from service.stats.history.cells import Cell, CellColumns
from service.stats.history.curves import GainCurve, Stretch, clear_stretches, curve, mean_over, peak_shift
from service.stats.history.fitted import Fit
from service.stats.history.gains import GainAnswer, Interval, answer, cars_are_unlike
from service.stats.history.system import System
from service.store.db import Connection
from service.store.evidence import Question

FINE: Final = 4
"""Speeds at which a peak is sought for every knot: some 45 rpm apart, refined by a parabola (our choice)."""


@dataclass(frozen=True, slots=True)
class ModelCurve:
    """The gain over the rev range on the grid [ln]; the cars behind each speed; the stock car's torque [N.m]."""

    gain: GainCurve
    cars: Ints
    base_torque_nm: Floats
    stretches: tuple[Stretch, ...]
    low_end: "LowEnd"


@dataclass(frozen=True, slots=True)
class LowEnd:
    """What the lowest third of the rev range gains on average [ln], and where that is [rpm]."""

    from_rpm: float
    to_rpm: float
    gain: Interval


@dataclass(frozen=True, slots=True)
class ModelGain:
    """What the model says of a question; `known` is its gain with the counts, stock the level before it [kW or N.m];
    cars_unlike: cars gain by the part far more differently than by others; of_cars: how many cars the model is of."""

    said: GainAnswer
    known: Cell
    car_spread: float
    cars_unlike: bool
    of_cars: int
    stock: float | None
    curve: ModelCurve | None
    peak_shift: Interval | None


def model_gain(conn: Connection, state: ModelState, question: Question, asked: Asked) -> ModelGain | None:
    """The model's answer; None where it says nothing: the part, or the other one, was never measured anywhere."""
    system = state.system
    if not system.has(question.part_id) or (question.against_id and not system.has(question.against_id)):
        return None
    known, over_revs = known_once(conn, state, question, asked), None
    if not np.isfinite(known.gain.mean) or not np.isfinite(known.gain.variance):
        return None
    if asked.curve:
        over_revs = known_over_revs(conn, state, question, asked)
    may = may_lose(asked.measure, question.against_id)
    return ModelGain(
        said=answer(known.gain, system.fit, asked.level, may_lose=may),
        known=known.gain,
        car_spread=float(np.sqrt(known.gain.car_spread_variance)),
        cars_unlike=cars_are_unlike(question.part_id, system.fit),
        of_cars=system.fit.cars,
        stock=known.stock,
        curve=None if over_revs is None else model_curve(over_revs, system.fit, asked.level),
        peak_shift=None if over_revs is None else shift_of_peak(over_revs, asked),
    )


@dataclass(frozen=True, slots=True)
class Known:
    """A gain, and the level before it [kW or N.m]: what neither the level nor the baseline of a question changes."""

    gain: Cell
    stock: float | None


def known_once(conn: Connection, state: ModelState, question: Question, asked: Asked) -> Known:
    """What the model knows of a question, worked out once for each state."""
    solved = solved_for(conn, state, asked.measure, asked.standard)

    def found() -> Known:
        beside = beside_it(state.system, question, asked)
        gain = solved.gain(question.part_id, question.platform_id, question.against_id, beside)
        return Known(gain, stock_before(solved, question))

    return state.known.get_or_make((asked.measure, *about(question, asked)), found)


def known_over_revs(
    conn: Connection, state: ModelState, question: Question, asked: Asked
) -> "OverRevs | None":
    """The same over the rev range; None where the platform has no curves."""
    knots = knots_solved(conn, state, asked.standard)
    if knots is None:
        return None
    beside = beside_it(state.system, question, asked)
    key = ("over revs", *about(question, asked))
    return state.known.get_or_make(key, lambda: gain_over_revs(knots, question, beside))


def about(question: Question, asked: Asked) -> tuple[Hashable, ...]:
    """What tells one question to the model from another."""
    of_what = (question.platform_id, question.part_id, question.against_id)
    return (asked.standard, asked.context == AS_USUALLY_FITTED, *of_what)


def may_lose(measure: Measure, against: int = 0) -> bool:
    """Whether nothing says that a gain is likelier than a loss: parts are made to gain over stock, and at the peak."""
    return bool(against) or not measure.is_peak


def beside_it(system: System, question: Question, asked: Asked) -> Mapping[int, float]:
    """What else is taken to be fitted: nothing, or what usually is."""
    if asked.context != AS_USUALLY_FITTED:
        return {}
    return system.companions(question.part_id, question.platform_id)


def stock_before(solved: Solved, question: Question) -> float | None:
    """The typical stock car's figure, with the other part fitted where it is asked against one [kW or N.m]."""
    stock = solved.stock(question.platform_id)
    if stock is None or not question.against_id:
        return stock
    return stock * math.exp(solved.gain(question.against_id, question.platform_id).mean)


@dataclass(frozen=True, slots=True)
class OverRevs:
    """A gain at the knots [rpm] of a platform, ln torque of the car before it (NaN: not known), the correlation of the
    errors, the cars."""

    rpm: Floats
    gain: CellColumns
    base: Floats
    correlation: Floats
    cars: Ints


def gain_over_revs(knots: Knots, question: Question, beside: Mapping[int, float]) -> OverRevs | None:
    """The gain at a platform's knots; None where it has no curves."""
    rpm, others, platform = knots.rpm(question.platform_id), knots.others, question.platform_id
    if rpm is None:
        return None
    base = others.levels(platform)
    if question.against_id:
        base = base + others.gain(question.against_id, platform).mean
    gain = others.gain(question.part_id, platform, question.against_id, beside)
    return OverRevs(rpm, gain, base, others.correlation, others.cars_at(question.part_id, platform))


def model_curve(found: OverRevs, fit: Fit, level: float) -> ModelCurve:
    """The gain over the rev range on the grid."""
    rpm = found.rpm
    drawn = curve(rpm, found.gain, found.correlation, fit, level)
    grid = GRID_RPM[(rpm[0] <= GRID_RPM) & (rpm[-1] >= GRID_RPM)]
    nearest = np.abs(grid[:, np.newaxis] - rpm).argmin(axis=1)
    return ModelCurve(
        gain=drawn.at(grid),
        cars=found.cars[nearest],
        base_torque_nm=np.exp(np.interp(grid, rpm, found.base)),
        stretches=clear_stretches(rpm, drawn.low, drawn.high),
        low_end=low_end(found, level),
    )


def low_end(found: OverRevs, level: float) -> LowEnd:
    """The gain over the lowest third of the rev range, where a customer feels it (common practice, no source)."""
    end = found.rpm[0] + (found.rpm[-1] - found.rpm[0]) / 3.0
    wanted = found.rpm <= end
    gain = mean_over(found.gain, found.correlation, wanted, level)
    return LowEnd(float(found.rpm[0]), float(found.rpm[wanted][-1]), gain)


def shift_of_peak(found: OverRevs, asked: Asked) -> Interval | None:
    """How far the peak of the measure's quantity moves [rpm]; None of a measure that is no peak, or without a level."""
    if not asked.measure.is_peak or not np.isfinite(found.base).all():
        return None
    rpm = np.linspace(found.rpm[0], found.rpm[-1], FINE * len(found.rpm))
    torque = np.exp(np.interp(rpm, found.rpm, found.base))
    figure = power_kw(torque, rpm) if asked.measure.quantity == "power" else torque
    return peak_shift(rpm, np.log(figure), found.rpm, found.gain, found.correlation, asked.level)
