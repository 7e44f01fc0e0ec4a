"""Student-t weights: how far a setup, a car, a car's own gain and a part are trusted.

A term u of scale s that is t-distributed with nu degrees of freedom is normal with variance s^2 / w given its weight w.
The EM step for w (Lange, Little & Taylor 1989; Pinheiro, Liu & Wu 2001; from memory) is
(nu + 1) / (nu + E[u^2] / s^2), E[u^2] = predictor^2 + its error variance. A fault gets a weight near 0 and moves nothing
else. With the weights held, variances s^2 / w promise too much: the information of a t variable on its location is
(nu + 1) / (nu + 3) of 1 / s^2 (Lange, Little & Taylor), and clean normal data, to which a scale some 14 % below their
standard deviation is fitted, have that same variance (nu + 3) / (nu + 1) s^2. So answers stand on spreads
sqrt((nu + 3) / (nu + 1)) above the scales (`as_deviations`), right in both cases.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from service.stats.history.assembly import Assembly
from service.stats.history.design import PlatformDesign
from service.stats.history.fitted import ROBUST, SPREAD_NAMES, ById, Spreads, Weights, gain_key, part_of_key
from service.stats.mixed.rows import Rows, rows

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NU: Final = 5.0  # our choice, as in STATISTICS' prototype: heavy enough for 1 fault in 20
TAIL: Final = (NU + 3.0) / (NU + 1.0)
"""Variance that a t scale stands for, over the scale's square."""

USUAL_CARS: Final = 4.0
"""How many cars' gains the usual spread between cars weighs against those of one part (our choice)."""
SMALLEST: Final = 1e-9
STEPS: Final = 30  # of the search for how alike a part's gains are: by then they move by less than a percent

_THETA: Final = {name: i for i, name in enumerate(SPREAD_NAMES)}


def t_weight(square: Floats, scale: Floats | float) -> Floats:
    """Weight of a term whose expected square is `square`, for a t of variance factor `scale`."""
    return np.asarray((NU + 1.0) / (NU + square / np.maximum(scale, 1e-300)), dtype=np.float64)


def as_deviations(scales: Spreads) -> Spreads:
    """Scales of t-distributed terms as the standard deviations that answers stand on."""
    return replace(scales, **{name: getattr(scales, name) * math.sqrt(TAIL) for name in ROBUST})


def refreshed(solved: Assembly) -> Weights:
    """The weights that a solution says."""
    seen = [(design, rows(solved.solution, i)) for i, design in enumerate(solved.designs)]
    theta = solved.theta
    gains = [(design, *_own_gains(design, one, theta)) for design, one in seen]
    return Weights(
        setup=_joined([(d.history.setup_id, _setups(d, r, theta)) for d, r in seen]),
        car=_joined([(d.vehicles, _cars(d, r, theta)) for d, r in seen]),
        gain=_joined([(d.own_key, t_weight(own**2 + error, own_scale(d, theta))) for d, own, error in gains]),
        alike=_alike([(d, *_freed(d, own, error, theta)) for d, own, error in gains], theta),
        part_on=_joined([(part_on_keys(d), _parts_on(d, r, solved)) for d, r in seen]),
        part=_parts(solved),
    )


def own_scale(design: PlatformDesign, theta: Floats) -> Floats:
    """Variance of each car's own gain about the typical one, at weight 1."""
    floor = theta[_THETA["car_floor"]]
    usual = theta[_THETA["car_gain"]] * design.own_size**2 + floor
    return np.asarray(usual / design.own_alike, dtype=np.float64)


def members(member: Ints, count: int) -> csr_array:
    """Which rows belong to which of `count` terms."""
    return csr_array((np.ones(len(member)), (np.arange(len(member)), member)), shape=(len(member), count))


def own_terms(design: PlatformDesign) -> csr_array:
    """Which rows have which (car, part)."""
    at = (design.fitted.row, design.own)
    return csr_array((np.ones(len(design.own)), at), shape=(len(design.car), len(design.own_key)))


def part_on_keys(design: PlatformDesign) -> Ints:
    """Ids of the platform's parts on it."""
    return gain_key(np.full(len(design.parts), design.platform, dtype=np.int64), design.parts)


def _setups(design: PlatformDesign, seen: Rows, theta: Floats) -> Floats:
    scale = theta[_THETA["setup"]]
    variance = scale / design.setup_weight
    predicted = variance * seen.py[:, 0]
    error = variance - variance**2 * seen.packed[design.block.packing.diagonal]
    return t_weight(predicted**2 + error, scale)


def _cars(design: PlatformDesign, seen: Rows, theta: Floats) -> Floats:
    scale = theta[_THETA["car"]]
    predicted, error = seen.predict(members(design.car, len(design.vehicles)), scale / design.car_weight)
    return t_weight(predicted[:, 0] ** 2 + error, scale)


def _own_gains(design: PlatformDesign, seen: Rows, theta: Floats) -> tuple[Floats, Floats]:
    """Each car's own gain as it is predicted, and the variance of its error."""
    predicted, error = seen.predict(own_terms(design), own_scale(design, theta) / design.own_weight)
    return predicted[:, 0], error


def _freed(design: PlatformDesign, own: Floats, error: Floats, theta: Floats) -> tuple[Floats, Floats]:
    """Predicted own gains and the variances of their errors, freed of their prior."""
    prior = own_scale(design, theta) / design.own_weight
    left = np.maximum(prior - error, SMALLEST * prior)
    return own * prior / left, prior * error / left


def _alike(pieces: Sequence[tuple[PlatformDesign, Floats, Floats]], theta: Floats) -> ById:
    """How alike each part's gains are from car to car.

    Of a part's own gains, t-distributed, the factor on their usual variance: expectation and maximisation until it stands
    still, drawn towards 1 as USUAL_CARS cars would (moderated variances: Smyth 2004, from memory). Never under 1 (our choice):
    few cars that happen to agree promise nothing.
    """
    part = np.concatenate([part_of_key(design.own_key) for design, _, _ in pieces])
    usual = np.concatenate([own_scale(design, theta) * design.own_alike for design, _, _ in pieces])
    own, error = (np.concatenate(column) for column in zip(*(each[1:] for each in pieces), strict=True))
    parts, place = np.unique(part, return_inverse=True)
    cars, factor = np.bincount(place, minlength=len(parts)), np.ones(len(parts))
    for _ in range(STEPS):
        scale = factor[place] * usual
        kept = scale / (scale + error)
        square = (kept * own) ** 2 + kept * error
        found = np.bincount(place, weights=t_weight(square, scale) * square / usual, minlength=len(parts))
        factor = (USUAL_CARS + found) / (USUAL_CARS + cars)
    return ById(parts, 1.0 / np.maximum(factor, 1.0))


def _parts_on(design: PlatformDesign, seen: Rows, solved: Assembly) -> Floats:
    """Own columns of parts come last among the platform's own."""
    own = seen.reduced.block.prior_local
    at = slice(len(own) - len(design.parts), len(own))
    scaled = solved.solution.local_scaled[solved.block_of[design.platform]][at, 0]
    now = solved.fit.weights.part_on.of(part_on_keys(design))
    return t_weight((scaled**2 + seen.shrunk[at]) / now, 1.0)


def _parts(solved: Assembly) -> ById:
    parts = sorted((int(key[1]), i) for key, i in solved.border.place.items() if key[0] == "part")
    if not parts:
        return ById()
    ids, at = np.array(parts, dtype=np.int64).T
    scaled = solved.solution.border_scaled[at, 0]
    error = np.diagonal(solved.solution.border_inverse)[at]
    now = solved.fit.weights.part.of(ids)
    return ById(ids, _about_one(t_weight((scaled**2 + error) / now, 1.0)))


def _joined(pieces: Sequence[tuple[Ints, Floats]]) -> ById:
    ids, values = (np.concatenate(column) for column in zip(*pieces, strict=True))
    order = np.argsort(ids, kind="stable")
    return ById(ids[order], _about_one(values[order]))


def _about_one(weights: Floats) -> Floats:
    """Weights over their mean, which is 1 where spreads and weights have settled: the parameter-expanded EM of Liu,
    Rubin & Wu (1998, from memory), which settles in a few rounds where the plain one takes dozens."""
    return weights / weights.mean() if len(weights) else weights
