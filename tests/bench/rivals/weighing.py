"""From the best pairs of each car, as a rival found them, to the answer: the same for all rivals, and no work of theirs.

All is done over whole columns, so that it is little beside finding and reading.
"""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from service.domain.correction import BASE_STANDARD
from service.domain.curve import GRID_RPM
from service.domain.derive import ANY_STANDARD, PULL_SPREAD_START
from service.domain.engine import Engine
from service.domain.levels import pair_ratios
from service.domain.order_statistics import best_of_n_variance_factor
from service.stats.pairs import pull_spread
from service.stats.pooling import MIN_STUDIES, PooledGain, pool, pool_columns
from tests.bench.rivals.known import Known
from tests.bench.rivals.rival import BestPairs, Bools, Curve, Floats, Interval, Ints, Scalars, Stretches

NOBODY = -1
"""The setup that stands for a repeat there was none of."""
LEAST_SHARE_OF_CARS = 0.5
"""Speeds that fewer of the cars reach are not drawn, as the service has it."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """One pair a car, side by side [with, without, repeat]: setups, bays, what brings each to one level, the repeat's share
    of either state; gain [ln] and its variance."""

    setup_id: Ints
    bay: Ints
    ratio: Floats
    with_share: Floats
    without_share: Floats
    gain: Floats
    variance: Floats
    bay_spread: float

    @property
    def setups(self) -> list[int]:
        """All setups in these pairs, each once."""
        return np.unique(self.setup_id[self.setup_id >= 0]).tolist()


class Side(NamedTuple):
    """What decides the level of one side."""

    level_standard: str | None
    factor: float | None
    temperature_c: float | None
    pressure_kpa: float | None
    vapour_kpa: float | None


def scalars_of(chosen: Chosen | None) -> Scalars | None:
    """The gain of the chosen pairs, pooled."""
    if chosen is None:
        return None
    pooled = pooled_gain(chosen)
    typical = float(percent(pooled.mean))
    return Scalars(typical, ends(pooled.interval), ends(pooled.next_interval), pooled.k)


def percent(log: Any) -> Any:
    """A gain in logs as percent."""
    return 100.0 * np.expm1(log)


def ends(interval: Interval) -> Interval:
    """Both ends as percent."""
    return None if interval is None else (float(percent(interval[0])), float(percent(interval[1])))


def chosen_pairs(found: BestPairs, known: Known, engine: Engine) -> Chosen | None:
    """One pair a car out of its best ones, which come best first: the first that can be used and has a figure."""
    power, bay = found.sides["power_kw"], found.sides["bay"]
    setup = np.where(np.isnan(found.sides["setup_id"]), NOBODY, found.sides["setup_id"])
    again = setup[2] >= 0
    ratio, levelled = levelled_ratios(found, known.standard, engine, again)
    positive = ((power > 0.0) | (setup < 0)).all(axis=0)
    places = np.flatnonzero(found.usable & levelled & positive)
    places = places[np.unique(found.car[places], return_index=True)[1]]
    if not len(places):
        return None
    share = np.where(again, found.share, 0.0)
    is_with = found.again_is_with & again
    with_share, without_share = np.where(is_with, share, 0.0)[places], np.where(is_with, 0.0, share)[places]
    weights = np.array([1.0 - with_share, without_share - 1.0, with_share - without_share])
    figures = np.log(np.where(setup >= 0, power * ratio, 1.0)[:, places])
    noise = reading_variances(found, setup, known)[:, places]
    variance = (weights**2 * noise).sum(axis=0)
    variance += np.where(found.same_session[places], 0.0, 2.0 * known.session_spread**2)
    variance += np.where(bay[0, places] == bay[1, places], 0.0, 2.0 * known.bay_spread**2)
    return Chosen(
        setup_id=setup[:, places].astype(np.int64),
        bay=bay[:2, places].astype(np.int64),
        ratio=ratio[:, places],
        with_share=with_share,
        without_share=without_share,
        gain=(weights * figures).sum(axis=0),
        variance=variance,
        bay_spread=known.bay_spread,
    )


def reading_variances(found: BestPairs, setup: Floats, known: Known) -> Floats:
    """Variance of ln(value) of each side within its strap-down, [3, pairs]."""
    pull, best_of = spread_of_pulls(found, setup), found.sides["best_of"]
    one = 1.0 / np.fmax(1.0, found.sides["pulls"])
    for n in np.unique(best_of[best_of > 0]):
        one[best_of == n] = best_of_n_variance_factor(int(n))
    return known.setup_spread**2 + pull**2 * one


def spread_of_pulls(found: BestPairs, setup: Floats) -> float:
    """The pull spread of all setups in usable pairs, each taken once."""
    ids, first = np.unique(setup[:, found.usable], return_index=True)
    first = first[ids >= 0]
    ss, df = (found.sides[name][:, found.usable].ravel()[first] for name in ("spread_ss", "spread_df"))
    return pull_spread(ss.tolist(), [int(one) for one in df], PULL_SPREAD_START)


def levelled_ratios(found: BestPairs, standard: str, engine: Engine, again: Bools) -> tuple[Floats, Bools]:
    """What brings each side to one level, [3, pairs], and whether that can be done and is enough.

    Nearly all sides stand at the base standard with their air known; the others are asked about one by one.
    """
    plain = np.equal(found.sides["level"], ANY_STANDARD).astype(bool)
    plain[2] |= ~again
    ratio, good = np.ones(plain.shape), np.ones(again.size, bool)
    unlike = np.arange(again.size) if standard != BASE_STANDARD else np.flatnonzero(~plain.all(axis=0))
    for i in unlike.tolist():
        footing = pair_ratios([side_of(found, side, i) for side in range(2 + again[i])], standard, engine)
        good[i] = footing is not None and (footing[1] or found.same_session[i])
        if footing is not None:
            ratio[: len(footing[0]), i] = footing[0]
    return ratio, good


def side_of(found: BestPairs, side: int, pair: int) -> Side:
    """One side of one pair, as the correction standards take it."""
    figures = (float(found.sides[name][side, pair]) for name in Side._fields[1:])
    return Side(found.sides["level"][side, pair], *(None if one != one else one for one in figures))


def pooled_gain(chosen: Chosen) -> PooledGain:
    """The cars pooled, with what those between the same two bays share."""
    pooled = pool(chosen.gain, chosen.variance)
    shared = shared_variance(chosen, pooled.tau2)
    return pool(chosen.gain, chosen.variance, shared=shared) if shared else pooled


def shared_variance(chosen: Chosen, tau2: float) -> float:
    """Variance of the pooled mean by the offsets between bays: one offset for each two bays."""
    with_, without = chosen.bay[0], chosen.bay[1]
    if (with_ == without).all():
        return 0.0
    weights = np.sign(with_ - without) / (chosen.variance + tau2)
    between = np.minimum(with_, without) * (chosen.bay.max() + 1) + np.maximum(with_, without)
    _, place = np.unique(between, return_inverse=True)
    parts = np.bincount(place, weights) / (1.0 / (chosen.variance + tau2)).sum()
    return float((parts**2).sum() * 2.0 * chosen.bay_spread**2)


def curve_of(chosen: Chosen | None, stretches: Stretches) -> Curve | None:
    """The gain of the chosen pairs along the revs."""
    gains, variance = (None, None) if chosen is None else gains_along(chosen, stretches)
    if chosen is None or gains is None:
        return None
    reached = np.isfinite(gains).sum(axis=0)
    knots = np.flatnonzero(reached >= max(1, int(np.ceil(LEAST_SHARE_OF_CARS * len(gains)))))
    if not len(knots):
        return None
    shared = shared_variance(chosen, pooled_gain(chosen).tau2)
    pooled = pool_columns(gains[:, knots], variance, shared=shared)
    few = pooled.k < MIN_STUDIES
    sides = (pooled.low, pooled.high, pooled.next_low, pooled.next_high)
    bands = (percent(np.where(few, np.nan, side)) for side in sides)
    return Curve(GRID_RPM[knots], percent(pooled.mean), *bands, pooled.k)


def gains_along(chosen: Chosen, stretches: Stretches) -> tuple[Floats | None, Floats | None]:
    """ln(with / without) of each car whose setups all have a curve, on the grid, and the variances of their gains."""
    order = np.argsort(stretches.setup_id)
    place = np.searchsorted(stretches.setup_id, chosen.setup_id, sorter=order).clip(
        max=max(len(order) - 1, 0)
    )
    if not len(order):
        return None, None
    place = order[place]
    has = (stretches.setup_id[place] == chosen.setup_id) | (chosen.setup_id < 0)
    drawn = np.flatnonzero(has.all(axis=0))
    if not len(drawn):
        return None, None
    curves = on_the_grid(stretches)
    with_, without = (logs(curves[place[i, drawn]], chosen.ratio[i, drawn]) for i in (0, 1))
    again = np.flatnonzero(chosen.setup_id[2, drawn] >= 0)
    if len(again):
        repeat = logs(curves[place[2, drawn[again]]], chosen.ratio[2, drawn[again]])
        for state, shares in ((with_, chosen.with_share), (without, chosen.without_share)):
            share = shares[drawn[again]][:, None]
            state[again] = np.where(share > 0.0, (1.0 - share) * state[again] + share * repeat, state[again])
    return with_ - without, chosen.variance[drawn]


def logs(torque: Floats, ratio: Floats) -> Floats:
    """ln of torque at one level; NaN where it is not known or not positive."""
    levelled = torque * ratio[:, None]
    return np.log(np.where(levelled > 0.0, levelled, np.nan))


def on_the_grid(stretches: Stretches) -> Floats:
    """Stretches put back on the whole grid, [setups, knots]; NaN outside."""
    grid = np.full((len(stretches.setup_id), GRID_RPM.size), np.nan)
    length = np.diff(np.append(stretches.start, len(stretches.torque_nm)))
    row = np.repeat(np.arange(len(length)), length)
    knot = np.arange(len(stretches.torque_nm)) + np.repeat(stretches.first - stretches.start, length)
    grid[row, knot] = stretches.torque_nm
    return grid
