"""What a part typically gains, from the shop's before/after pairs alone.

One pair a car is used: its best one (no doubt against it, nearest match, conditions held, nearest in time). Gains are
pooled in logs and shown in percent; in units they are shown against the typical `without` figure of the cars used, or
against the caller's own baseline.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.answers.cautions import gain_cautions
from service.answers.figures import pair_ratios, stored_figure
from service.answers.gain_curve import GainCurve, gain_curve
from service.domain.measures import Measure
from service.domain.pairing import LIKE_FOR_LIKE, MATCHES
from service.domain.shop import Shop
from service.stats.noise import smallest_visible_gain
from service.stats.pairs import Measured, Reading, Spreads, measured_gain, pull_spread, usual_variance
from service.stats.pooling import MIN_STUDIES, PooledGain, chance_above, pool, t_quantile
from service.store import evidence
from service.store.db import Connection

PULL_SPREAD_START = 0.005
"""Pull spread before the evidence's own pulls say otherwise (our choice)."""
GRADES = ("none", "thin", "fair", "strong")
FAIR_FROM, STRONG_FROM = 4, 8
"""Cars from which the evidence is fair and strong (our choice)."""
CONTEXTS = ("alone", "as-usually-fitted")


@dataclass(frozen=True, slots=True)
class Asked:
    """How a question is put: measure, standard, level of the intervals, own baseline [kW or N.m], what to include."""

    measure: Measure
    standard: str
    level: float
    baseline: float | None
    context: str | None
    curve: bool
    pairs: bool


@dataclass(frozen=True, slots=True)
class ShownPair:
    """A pair as the answer lists it; gain in percent, its absolute size [kW or N.m] where the level is known."""

    row: evidence.PairRow
    percent: float | None
    absolute: float | None
    used: bool


@dataclass(frozen=True, slots=True)
class Cost:
    """What the part costs fitted, and per unit of typical gain [money per kW or N.m]."""

    price: float | None
    currency: str | None
    price_date: date | None
    labour_hours: float | None
    labour_rate: float | None
    fitted: float | None
    per_unit: float | None
    per_unit_interval: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class PeakShift:
    """How far the peak moves along the rev range [rpm]."""

    typical: float
    interval: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class TypicalGain:
    """The answer, in SI and percent."""

    asked: Asked
    pooled: PooledGain | None
    base: float | None
    context: str
    grade: str
    pairs: tuple[ShownPair, ...]
    cars: int
    bays: int
    like_for_like: int
    first: date | None
    last: date | None
    noise_floor: float
    curve: GainCurve | None
    peak_shift: PeakShift | None
    cost: Cost
    cautions: tuple[str, ...]
    left_out: int
    peaks_only: int = 0
    chance: float | None = None
    places: Mapping[tuple[int, int], evidence.PairPlace] = field(default_factory=dict)

    def percent(self, log_gain: float) -> float:
        """A gain in logs as percent."""
        return 100.0 * math.expm1(log_gain)

    def absolute(self, log_gain: float) -> float | None:
        """A gain in logs against the typical (or own) baseline [kW or N.m]."""
        return None if self.base is None else self.base * math.expm1(log_gain)


@dataclass(frozen=True, slots=True)
class Usable:
    """A pair with its measured gain and its `without` figure at the asked standard, where that is known."""

    row: evidence.PairRow
    measured: Measured
    without: float | None


def typical_gain(conn: Connection, question: evidence.Question, asked: Asked, shop: Shop) -> TypicalGain:
    """Answer one question from its pairs."""
    rows = evidence.pairs_of_question(conn, question.platform_id, question.part_id, question.against_id)
    rows = [row for row in rows if asked.context != "alone" or is_alone(row, question)]
    curves = evidence.curves_of_setups(conn, setups_of(rows)) if needs_curves(asked) else {}
    spreads = spreads_of(rows, shop)
    measured = {id(row): usable(row, asked, curves, spreads) for row in rows}
    chosen = one_per_car([m for row in rows if row.usable and (m := measured[id(row)]) is not None])
    pooled = (
        pool([c.measured.gain for c in chosen], [c.measured.variance for c in chosen], asked.level)
        if chosen
        else None
    )
    base = asked.baseline or typical_baseline(chosen)
    used = {id(c.row) for c in chosen}
    shown = tuple(shown_pair(row, measured[id(row)], id(row) in used) for row in rows)
    floor = smallest_visible_gain(usual_variance(spreads))
    like = sum(row.held and MATCHES[row.match] in LIKE_FOR_LIKE and row.usable for row in rows)
    answer = TypicalGain(
        asked=asked,
        pooled=pooled,
        base=base,
        context=context_of(chosen, question),
        grade=grade_of(chosen),
        pairs=shown,
        cars=len(chosen),
        bays=len({side.bay_id for c in chosen for side in (c.row.with_, c.row.without)}),
        like_for_like=like,
        first=min((row.at.date() for row in rows), default=None),
        last=max((row.at.date() for row in rows), default=None),
        noise_floor=floor,
        curve=curve_of(chosen, curves, asked),
        peak_shift=peak_shift(chosen, asked),
        cost=cost_of(question, pooled, base, shop),
        cautions=(),
        left_out=sum(not row.usable for row in rows),
        peaks_only=sum(MATCHES[c.row.match] == "peaks-only" for c in chosen),
        chance=chance_above(pooled, 0.0) if pooled else None,
        places=places_of(conn, question) if asked.pairs else {},
    )
    return with_cautions(answer, question, conn)


def needs_curves(asked: Asked) -> bool:
    """Whether an answer reads mean curves at all."""
    return asked.curve or not asked.measure.is_peak


def setups_of(rows: Sequence[evidence.PairRow]) -> set[int]:
    """Every setup that stands in these pairs."""
    sides = [side for row in rows for side in (row.with_, row.without, row.again) if side is not None]
    return {side.setup_id for side in sides}


def spreads_of(rows: Sequence[evidence.PairRow], shop: Shop) -> Spreads:
    """The spreads that weigh these pairs: the pulls' from these very setups, the others from the shop's settings."""
    sides = {
        side.setup_id: side
        for row in rows
        for side in (row.with_, row.without, row.again)
        if side is not None
    }
    pull = pull_spread(
        [side.spread_ss for side in sides.values()],
        [side.spread_df for side in sides.values()],
        PULL_SPREAD_START,
    )
    return Spreads(
        pull=pull, setup=shop["setup_spread"], session=shop["session_spread"], bay=shop["bay_spread"]
    )


def usable(
    row: evidence.PairRow, asked: Asked, curves: Mapping[int, NDArray[np.float64]], spreads: Spreads
) -> Usable | None:
    """A pair's gain; None where one side lacks the measure or cannot be brought to the other's level."""
    sides = [row.with_, row.without] + ([row.again] if row.again is not None else [])
    stored = [stored_figure(side, asked.measure, curves) for side in sides]
    if any(value is None or value <= 0 for value in stored):
        return None
    ratios, known = pair_ratios(sides, asked.standard)
    same_bay = row.with_.bay_id == row.without.bay_id
    same_session = MATCHES[row.match] in LIKE_FOR_LIKE or (same_bay and row.gap_days == 0)
    if not known and not same_session:
        return None
    values = [v * r for v, r in zip(stored, ratios, strict=True)]  # type: ignore[operator]
    readings = [Reading(v, side.pulls, side.best_of) for v, side in zip(values, sides, strict=True)]
    measured = measured_gain(
        readings[0],
        readings[1],
        readings[2] if row.again is not None else None,
        share=row.again_share,
        again_is_with=bool(row.again_is_with),
        same_session=same_session,
        same_bay=same_bay,
        spreads=spreads,
    )
    return Usable(row, measured, values[1] if known else None)


def one_per_car(usable_pairs: Sequence[Usable]) -> list[Usable]:
    """Each car's best pair; they come in that order from the store."""
    first: dict[int, Usable] = {}
    for pair in usable_pairs:
        first.setdefault(pair.row.vehicle_id, pair)
    return list(first.values())


def typical_baseline(chosen: Sequence[Usable]) -> float | None:
    """Geometric mean of the `without` figures whose level is known [kW or N.m]."""
    known = [pair.without for pair in chosen if pair.without is not None]
    return math.exp(sum(map(math.log, known)) / len(known)) if known else None


def shown_pair(row: evidence.PairRow, found: Usable | None, used: bool) -> ShownPair:
    """A pair for the list, with its gain where it could be taken."""
    if found is None:
        return ShownPair(row, None, None, used)
    ratio = math.expm1(found.measured.gain)
    return ShownPair(row, 100.0 * ratio, None if found.without is None else found.without * ratio, used)


def is_alone(row: evidence.PairRow, question: evidence.Question) -> bool:
    """Whether the car was otherwise stock: before, it had nothing fitted but what the part replaced."""
    return row.without.n_parts == (1 if question.against_id else 0)


def context_of(chosen: Sequence[Usable], question: evidence.Question) -> str:
    """Whether the cars used were otherwise stock."""
    return CONTEXTS[0] if all(is_alone(pair.row, question) for pair in chosen) else CONTEXTS[1]


def grade_of(chosen: Sequence[Usable]) -> str:
    """The evidence grade: by cars, one lower where most of the pairs used are not like for like (our choice)."""
    cars = len(chosen)
    place = 0 if cars == 0 else 1 if cars < FAIR_FROM else 2 if cars < STRONG_FROM else 3
    near = sum(pair.row.held and MATCHES[pair.row.match] in LIKE_FOR_LIKE for pair in chosen)
    if place > 1 and 2 * near < cars:
        place -= 1
    return GRADES[place]


def peak_shift(chosen: Sequence[Usable], asked: Asked) -> PeakShift | None:
    """Mean movement of the peak along the rev range, with its t interval from three cars."""
    name = "power_rpm" if asked.measure.quantity == "power" else "torque_rpm"
    moved = [
        getattr(pair.row.with_, name) - getattr(pair.row.without, name)
        for pair in chosen
        if getattr(pair.row.with_, name) is not None and getattr(pair.row.without, name) is not None
    ]
    if not asked.measure.is_peak or not moved:
        return None
    mean = sum(moved) / len(moved)
    if len(moved) < MIN_STUDIES:
        return PeakShift(mean, None)
    sd = math.sqrt(sum((m - mean) ** 2 for m in moved) / (len(moved) - 1))
    half = t_quantile(len(moved) - 1, asked.level) * sd / math.sqrt(len(moved))
    return PeakShift(mean, (mean - half, mean + half))


def curve_of(
    chosen: Sequence[Usable], curves: Mapping[int, NDArray[np.float64]], asked: Asked
) -> GainCurve | None:
    """The gain over the rev range from the same pairs, where they have curves."""
    if not asked.curve:
        return None
    return gain_curve([(c.row, c.measured.variance) for c in chosen], curves, asked.standard, asked.level)


def cost_of(question: evidence.Question, pooled: PooledGain | None, base: float | None, shop: Shop) -> Cost:
    """Fitted cost, and what a unit of typical gain costs where the gain is established."""
    price = None if question.price is None else float(question.price)
    same_money = question.currency is None or question.currency == shop["currency"]
    rate = shop["labour_rate"] if shop["labour_rate"] and same_money else None
    fitted = fitted_cost(price, question.labour_hours, rate)
    per_unit, interval = None, None
    if (
        fitted
        and pooled is not None
        and pooled.interval is not None
        and pooled.interval[0] > 0
        and base is not None
    ):
        gains = [base * math.expm1(g) for g in (pooled.mean, *pooled.interval)]
        per_unit, interval = fitted / gains[0], (fitted / gains[2], fitted / gains[1])
    return Cost(
        price, question.currency, question.price_date, question.labour_hours, rate, fitted, per_unit, interval
    )


def fitted_cost(price: float | None, hours: float | None, rate: float | None) -> float | None:
    """Price and labour together; None where a part of it is not known. Hours never written down are left out."""
    if price is None or (hours and rate is None):
        return None
    return price + (hours or 0.0) * (rate or 0.0)


def places_of(conn: Connection, question: evidence.Question) -> dict[tuple[int, int], evidence.PairPlace]:
    """Where the pairs stand, by their setups."""
    places = evidence.places_of_pairs(conn, question.platform_id, question.part_id, question.against_id)
    return {(place.setup_with, place.setup_without): place for place in places}


def with_cautions(answer: TypicalGain, question: evidence.Question, conn: Connection) -> TypicalGain:
    """The answer with what must be said beside it."""
    elsewhere = evidence.measured_on(conn, question.part_id) if answer.cars == 0 else []
    return replace(answer, cautions=tuple(gain_cautions(answer, question, elsewhere)))
