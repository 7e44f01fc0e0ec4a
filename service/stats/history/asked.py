"""From a contrast to a cell: its moments, what they would be without this platform's evidence, and who stands behind it.

What this platform's own cars say of part k is taken as one reading of G(k, p) with an error of variance v. Let d be the
part's own shift here, prior variance D, posterior variance D'. Then with T = E + v, E the variance of G without
that reading, D' = D - D^2 / T, and for any contrast f: cov(f, d) after = (1 or 0) D - g D / T, with g = cov(f, G)
without the reading and var f after = var f without - g^2 / T. So T = D^2 / (D - D'), g follows from the covariance of f and
d, and var f without = var f + g^2 / T: nothing has to be solved anew.
"""

from collections.abc import Callable, Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.stats.history.cells import Cell
from service.stats.history.contrast import NOTHING, Contrast, View, only
from service.stats.history.fitted import SPREAD_NAMES
from service.stats.history.layout import Key, part_on_key

Floats = NDArray[np.float64]

ENTANGLED: Final = -0.8  # posterior correlation below which two parts cannot be told apart (our choice)
NEGLIGIBLE: Final = 1e-9

_CAR_GAIN, _CAR_FLOOR = SPREAD_NAMES.index("car_gain"), SPREAD_NAMES.index("car_floor")


def gain_contrast(view: View, part: int, against: int, beside: Mapping[int, float]) -> Contrast:
    """Gain of a part against another (0: stock), with its interactions with what is beside it."""
    asked = view.gain(part)
    if against:
        asked = asked.plus(view.gain(against), -1.0)
    for other, share in beside.items():
        if other in (part, against):
            continue
        asked = asked.plus(view.interaction(part, other), share)
        if against:
            asked = asked.plus(view.interaction(against, other), -share)
    return asked


def build_contrast(view: View, parts: Sequence[int], beside: Sequence[int] = ()) -> Contrast:
    """Gain of all parts together, on a car that has others already."""
    asked = NOTHING
    for i, part in enumerate(parts):
        asked = asked.plus(view.gain(part))
        for other in (*beside, *parts[:i]):
            asked = asked.plus(view.interaction(part, other))
    return asked


def pair_contrasts(view: View, parts: Sequence[int]) -> list[Contrast]:
    """What each two of the parts give beyond their sum, in the order of `combinations`."""
    return [view.interaction(a, b) for a, b in combinations(parts, 2)]


def of_pairs(count: int, figures: Callable[[], Floats]) -> Floats:
    """A figure of each two of so many things as a symmetric table [count, count], 0 on the diagonal."""
    table = np.zeros((count, count))
    if count > 1:
        table[np.triu_indices(count, 1)] = figures()
    return np.asarray(table + table.T)


def split_contrast(view: View, part: int, parts: Sequence[int]) -> Contrast:
    """A part's share of a joint change: its gain and half of each interaction (Shapley 1953 for two players)."""
    asked = view.gain(part)
    for other in parts:
        if other != part:
            asked = asked.plus(view.interaction(part, other), 0.5)
    return asked


def variance_elsewhere(view: View, asked: Contrast, own: Sequence[Key], covariance: Floats) -> float:
    """What the variance of a contrast would be without this platform's readings of some parts' gains.

    Parameters: own, those parts' columns here; covariance, of the contrast and them [1 + k, 1 + k].
    """
    elsewhere = float(covariance[0, 0])
    for i, key in enumerate(own, 1):
        prior = view.held_prior(key)
        learned = prior - float(covariance[i, i])
        if learned > NEGLIGIBLE * prior:
            total = prior**2 / learned
            shared = total * (asked.terms.get(key, 0.0) - float(covariance[0, i]) / prior)
            elsewhere += shared**2 / total
    return elsewhere


def entangled_with(view: View, part: int, others: Sequence[int]) -> tuple[int, ...]:
    """Those of the other parts whose gain here cannot be told apart from this part's."""
    if not others:
        return ()
    _, covariance = view.moments([view.gain(part), *(view.gain(other) for other in others)])
    sd = np.sqrt(np.maximum(np.diagonal(covariance), 1e-300))
    correlation = covariance[0, 1:] / (sd[0] * sd[1:])
    return tuple(other for other, r in zip(others, correlation.tolist(), strict=True) if r < ENTANGLED)


def car_spread_variance(theta: Floats, gains: Floats, alike: Floats, floor: Floats | float = 1.0) -> Floats:
    """Variance of a single car's gain about the typical one, over independent parts [k, ...] of these typical gains [ln].

    alike [k], as in Weights; floor, how much the least spread counts.
    """
    variance = theta[_CAR_GAIN] * gains**2 + theta[_CAR_FLOOR] * floor
    return np.asarray(np.tensordot(1.0 / alike, variance, axes=1))


def cell(
    view: View,
    asked: Contrast,
    parts: Sequence[int],
    own: Sequence[int],
    counts: tuple[int, int, int],
    entangled: tuple[int, ...],
) -> Cell:
    """The answer to a contrast. parts: whose readings here count as this platform's evidence; own: whose spread from
    car to car counts; counts: cars direct, with it here, with it elsewhere."""
    shifts = [key for key in map(part_on_key, parts) if key in view.local_place()]
    means, covariance = view.moments([asked, *map(only, shifts), *(view.gain(part) for part in own)])
    variance, typical = float(covariance[0, 0]), means[1 + len(shifts) :, 0]
    alike = view.weights.alike.of(np.asarray(own, dtype=np.int64))
    elsewhere = variance_elsewhere(view, asked, shifts, covariance)
    direct, here, away = counts
    return Cell(
        mean=float(means[0, 0]),
        variance=variance,
        prior_variance=max(view.prior_variance(asked), variance),
        elsewhere_variance=elsewhere,
        car_spread_variance=float(car_spread_variance(view.theta, typical, alike)),
        cars=direct,
        cars_with=here,
        cars_elsewhere=away,
        entangled=entangled,
    )
