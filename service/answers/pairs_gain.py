"""What a part gains by the shop's before/after pairs alone.

One pair a car is used: its best one (no doubt against it, nearest match, conditions held, nearest in time). Gains are
pooled in logs; in units they stand against the typical `without` figure of the cars used.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from service.answers.cache import Kept
from service.answers.figures import stored_figure
from service.answers.gain_curve import GainCurve, PooledStates, gain_curve, gain_states, pooled_states
from service.answers.unlike import Places, unlike_words
from service.domain.engine import Engine
from service.domain.levels import pair_ratios
from service.domain.measures import Measure
from service.domain.pairing import LIKE_FOR_LIKE, MATCHES
from service.domain.shop import Shop
from service.stats.noise import smallest_visible_gain
from service.stats.pairs import Measured, Reading, Spreads, measured_gain, pull_spread, usual_variance
from service.stats.pooling import MIN_STUDIES, PooledGain, at_level, pool, t_quantile
from service.store import evidence
from service.store.curves import curves_of_setups
from service.store.db import Connection
from service.store.pair_places import places_of_pairs

PULL_SPREAD_START = 0.005
"""Pull spread before the evidence's own pulls say otherwise (our choice)."""
GRADES = ("none", "thin", "fair", "strong")
FAIR_FROM, STRONG_FROM = 4, 8
"""Cars from which the evidence is fair and strong (our choice)."""
ALONE, AS_USUALLY_FITTED = "alone", "as-usually-fitted"


@dataclass(frozen=True, slots=True)
class Asked:
    """How a question is put: measure, standard, level of the intervals, own baseline [kW or N.m], what to include, and
    whether the model is asked at all."""

    measure: Measure
    standard: str
    level: float
    baseline: float | None
    context: str | None
    curve: bool
    pairs: bool
    model: bool = True


@dataclass(frozen=True, slots=True)
class ShownPair:
    """A pair as the answer lists it; gain in percent, its absolute size [kW or N.m] where the level is known."""

    row: evidence.PairRow
    percent: float | None
    absolute: float | None
    used: bool


@dataclass(frozen=True, slots=True)
class PeakShift:
    """How far the peak moves along the rev range [rpm]."""

    typical: float
    interval: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class PairsGain:
    """What the pairs say, in SI and logs; `like_for_like`, `first` and `last` are of all pairs of the question; `unlike`
    says why most of those used are not like for like, where they are not."""

    pooled: PooledGain | None
    base: float | None
    context: str
    grade: str
    pairs: tuple[ShownPair, ...]
    pairs_in_all: int
    cars: int
    bays: int
    like_for_like: int
    like_for_like_used: int
    first: date | None
    last: date | None
    noise_floor: float
    left_out: int
    peaks_only: int = 0
    unlike: str | None = None
    curve: GainCurve | None = None
    peak_shift: PeakShift | None = None
    places: Places = field(default_factory=dict)

    @property
    def cars_compared(self) -> int:
        """Cars with a comparison no doubt stands against, whether or not it reaches the measure asked."""
        return len({shown.row.vehicle_id for shown in self.pairs if shown.row.usable})


@dataclass(frozen=True, slots=True)
class Usable:
    """A pair with its measured gain and its `without` figure at the asked standard, where that is known."""

    row: evidence.PairRow
    measured: Measured
    without: float | None
    ratios: tuple[float, ...]
    between_bays: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a question's pairs say before they are pooled: all that no level and no baseline can change.

    `bare` is the answer, its interval at the usual level; `moved` is how far each used car's peak moved [rpm].
    """

    bare: PairsGain
    moved: tuple[float, ...]
    states: PooledStates | None


PAIR_KB = 3.0
"""What a weighed pair takes in memory, its share of the curves with it (measured)."""


def pairs_gain(
    conn: Connection, question: evidence.Question, asked: Asked, shop: Shop, kept: Kept
) -> PairsGain:
    """Answer one question from its pairs; what was worked out for another one on the same evidence is in `kept`."""
    weighed, level = weighed_once(conn, question, asked, shop, kept), asked.level
    pooled = weighed.bare.pooled
    return replace(
        weighed.bare,
        pooled=None if pooled is None else at_level(pooled, level),
        curve=None if weighed.states is None else gain_curve(weighed.states, level),
        peak_shift=peak_shift(weighed.moved, level),
    )


def weighed_once(
    conn: Connection, question: evidence.Question, asked: Asked, shop: Shop, kept: Kept
) -> Weighed:
    """The weighed pairs of a question, worked out once for each version of its evidence and of the settings."""
    about = (question.platform_id, question.part_id, question.against_id, question.version, shop.version)
    put = (asked.measure, asked.standard, asked.context, asked.curve, asked.pairs)
    return kept.get_or_make((*about, *put), lambda: weigh(conn, question, asked, shop), kb_of)


def kb_of(weighed: Weighed) -> float:
    """What keeping a question's weighed pairs takes [kB]."""
    return PAIR_KB * (1 + len(weighed.bare.pairs))


def weigh(conn: Connection, question: evidence.Question, asked: Asked, shop: Shop) -> Weighed:
    """Read a question's pairs, measure each one's gain, and choose one for each car."""
    rows, totals, places = pairs_and_places(conn, question, asked)
    curves = {} if asked.measure.is_peak else curves_of_setups(conn, setups_of(rows))
    spreads = spreads_of(rows, shop)
    engine = question.engine
    found = [usable(row, asked, engine, curves, spreads) for row in rows]
    chosen = one_per_car([one for one in found if one is not None and one.row.usable])
    used = {id(one) for one in chosen}
    shown = [shown_pair(row, one, id(one) in used) for row, one in zip(rows, found, strict=True)]
    pooled, near = pool_cars(chosen), near_ones(chosen)
    bare = PairsGain(
        pooled=pooled,
        base=typical_baseline(chosen),
        context=context_of(chosen, question),
        grade=grade_of(chosen),
        pairs=tuple(shown),
        cars=len(chosen),
        bays=len({side.bay_id for c in chosen for side in (c.row.with_, c.row.without)}),
        pairs_in_all=totals.pairs,
        like_for_like=totals.like_for_like,
        like_for_like_used=near,
        first=totals.first.date() if totals.first else None,
        last=totals.last.date() if totals.last else None,
        noise_floor=smallest_visible_gain(usual_variance(spreads)),
        left_out=totals.left_out,
        peaks_only=sum(MATCHES[c.row.match] == "peaks-only" for c in chosen),
        unlike=unlike_words([c.row for c in chosen], places) if 2 * near < len(chosen) else None,
        places=places,
    )
    states = curve_states(conn, chosen, curves, pooled) if asked.curve and pooled is not None else None
    return Weighed(bare, moves_of_peak(chosen, asked), states)


def curve_states(
    conn: Connection,
    chosen: Sequence[Usable],
    curves: Mapping[int, NDArray[np.float64]],
    pooled: PooledGain,
) -> PooledStates | None:
    """The cars used, pooled over the rev range with the same shared variance as the gain itself; `curves`: those that
    were read already."""
    curves = curves or curves_of_setups(conn, setups_of([one.row for one in chosen]))
    states = gain_states([(one.row, one.measured.variance, one.ratios) for one in chosen], curves)
    return None if states is None else pooled_states(states, shared_variance(chosen, pooled.tau2))


def pairs_and_places(
    conn: Connection, question: evidence.Question, asked: Asked
) -> tuple[list[evidence.PairRow], evidence.Totals, Places]:
    """The best pairs of each car, how many there are in all, and where they stand if that is to be shown."""
    rows, totals = evidence.pairs_of_question(
        conn,
        question.platform_id,
        question.part_id,
        question.against_id,
        alone=asked.context == ALONE,
        nearest=len(LIKE_FOR_LIKE) - 1,
    )
    if not asked.pairs or not rows:
        return rows, totals, {}
    stand = places_of_pairs(conn, [(row.with_.setup_id, row.without.setup_id) for row in rows])
    places = {(place.setup_with, place.setup_without): place for place in stand}
    # A pair struck since it was read has no place any more.
    return [row for row in rows if (row.with_.setup_id, row.without.setup_id) in places], totals, places


def pool_cars(chosen: Sequence[Usable]) -> PooledGain | None:
    """The gains of the cars used, pooled; with what pairs between the same two bays share, which no number of cars
    averages away."""
    if not chosen:
        return None
    gains, variances = [c.measured.gain for c in chosen], [c.measured.variance for c in chosen]
    pooled = pool(gains, variances)
    shared = shared_variance(chosen, pooled.tau2)
    return pool(gains, variances, shared=shared) if shared else pooled


def shared_variance(chosen: Sequence[Usable], tau2: float) -> float:
    """Variance of the pooled mean by the offsets between bays: one offset for each two bays, however many cars."""
    total = 0.0
    between: dict[tuple[int, int], float] = {}
    for pair in chosen:
        weight = 1.0 / (pair.measured.variance + tau2)
        total += weight
        with_, without = pair.row.with_.bay_id, pair.row.without.bay_id
        if with_ != without:
            bays = (min(with_, without), max(with_, without))
            between[bays] = between.get(bays, 0.0) + (weight if with_ > without else -weight)
    return sum((part / total) ** 2 * chosen[0].between_bays for part in between.values())


def setups_of(rows: Sequence[evidence.PairRow]) -> set[int]:
    """Every setup that stands in these pairs."""
    sides = [side for row in rows for side in (row.with_, row.without, row.again) if side is not None]
    return {side.setup_id for side in sides}


def spreads_of(rows: Sequence[evidence.PairRow], shop: Shop) -> Spreads:
    """The spreads that weigh these pairs: the pulls' from the usable setups, the others from the shop's settings."""
    sides = {
        side.setup_id: side
        for row in rows
        if row.usable
        for side in (row.with_, row.without, row.again)
        if side is not None
    }
    pull = pull_spread(
        [side.spread_ss for side in sides.values()],
        [side.spread_df for side in sides.values()],
        PULL_SPREAD_START,
    )
    return shop_spreads(pull, shop)


def shop_spreads(pull: float, shop: Shop) -> Spreads:
    """A spread of pulls with the others as the shop has set them."""
    return Spreads(pull, shop["setup_spread"], shop["session_spread"], shop["bay_spread"])


def usable(
    row: evidence.PairRow,
    asked: Asked,
    engine: Engine,
    curves: Mapping[int, NDArray[np.float64]],
    spreads: Spreads,
) -> Usable | None:
    """A pair's gain; None where one side lacks the measure or cannot be brought to the other's level."""
    sides = [row.with_, row.without] + ([row.again] if row.again is not None else [])
    stored = [stored_figure(side, asked.measure, curves) for side in sides]
    if any(value is None or value <= 0 for value in stored):
        return None
    footing = pair_ratios(sides, asked.standard, engine)
    if footing is None or not (footing[1] or row.same_session):
        return None
    ratios, known = footing
    values = [v * r for v, r in zip(stored, ratios, strict=True)]  # type: ignore[operator]
    readings = [Reading(v, side.pulls, side.best_of) for v, side in zip(values, sides, strict=True)]
    measured = measured_gain(
        readings[0],
        readings[1],
        readings[2] if row.again is not None else None,
        share=row.again_share,
        again_is_with=bool(row.again_is_with),
        same_session=row.same_session,
        same_bay=row.with_.bay_id == row.without.bay_id,
        spreads=spreads,
    )
    return Usable(row, measured, values[1] if known else None, tuple(ratios), 2.0 * spreads.bay**2)


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
    """Whether the car is known to have been otherwise stock: nothing fitted but what the part replaced."""
    return row.without.complete and row.without.n_parts == (1 if question.against_id else 0)


def context_of(chosen: Sequence[Usable], question: evidence.Question) -> str:
    """Whether the cars used were otherwise stock."""
    return ALONE if all(is_alone(pair.row, question) for pair in chosen) else AS_USUALLY_FITTED


def near_ones(chosen: Sequence[Usable]) -> int:
    """How many of the pairs used are like for like: of one session, and held."""
    return sum(pair.row.held and MATCHES[pair.row.match] in LIKE_FOR_LIKE for pair in chosen)


def grade_of(chosen: Sequence[Usable]) -> str:
    """The evidence grade: by cars, one lower where most of the pairs used are not like for like (our choice)."""
    cars = len(chosen)
    place = 0 if cars == 0 else 1 if cars < FAIR_FROM else 2 if cars < STRONG_FROM else 3
    return GRADES[place - (place > 1 and 2 * near_ones(chosen) < cars)]


def moves_of_peak(chosen: Sequence[Usable], asked: Asked) -> tuple[float, ...]:
    """How far the peak of each car used moved along the rev range [rpm], where both speeds are known."""
    if not asked.measure.is_peak:
        return ()
    speed = attrgetter("power_rpm" if asked.measure.quantity == "power" else "torque_rpm")
    speeds = [(speed(pair.row.with_), speed(pair.row.without)) for pair in chosen]
    return tuple(after - before for after, before in speeds if after is not None and before is not None)


def peak_shift(moved: Sequence[float], level: float) -> PeakShift | None:
    """Mean movement of the peak, with its t interval from three cars."""
    if not moved:
        return None
    mean = sum(moved) / len(moved)
    if len(moved) < MIN_STUDIES:
        return PeakShift(mean, None)
    sd = math.sqrt(sum((m - mean) ** 2 for m in moved) / (len(moved) - 1))
    half = t_quantile(len(moved) - 1, level) * sd / math.sqrt(len(moved))
    return PeakShift(mean, (mean - half, mean + half))
