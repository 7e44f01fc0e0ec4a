"""The shape of what is believed of a gain: skewed like a gain that is a product of shares, seldom a loss, never with a jump.

A gain is `slot x (1 + part) x (1 + platform) x ...`, so what is believed of it is skewed away from nought: a gain of 5 %
known to 2 % may be 10 % sooner than 0. A log-normal says so, but puts no chance at all below nought, which is wrong where
the sign itself is in doubt, and a symmetric shape put in its place there makes answers jump. This is the shifted log-normal
in between: mean m, standard deviation s, and the skewness of a log-normal of relative spread

    c = s m / (m^2 + FADE s^2),       X = m + s (exp(sigma z - sigma^2 / 2) - 1) / c,     sigma^2 = ln(1 + c^2)

z standard normal. Where m is many s this is the log-normal itself (c = s / m); at m = 0 it is the normal; -m mirrors m.

Parts are made to gain, which a model of normal terms does not know: where the chance of a loss is asked, what lies
below nought counts by LOSS_WEIGHT only (its density is that much lower, and all is scaled to 1 again). Without it simulated
shops saw a loss a quarter as often as they were told. For one part against another, or at one engine speed, the weight
is 1, and for every interval: what establishes a gain is what was measured.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, stdtrit

Floats = NDArray[np.float64]

FADE: Final = 2.0
"""How soon the skewness fades where the sign is in doubt: at m = s the lower end of the shape is FADE s below nought (our
choice, by the interval score and balanced tails over simulated shops)."""
LOSS_WEIGHT: Final = 0.25
"""How much a loss counts of what a shape without knowledge of signs would give it (our choice, by simulation)."""
LEAST_SKEW: Final = 1e-6
"""Below this relative spread the shape is the normal to within rounding."""
PRIOR_DF: Final = 8.0
"""Degrees of freedom of a t where only the prior spreads are known; 8 / rho where a share rho of them is left. Our choice, by
the interval score over simulated shops: with the spreads plugged in intervals are too short at few cars, with 4 too long."""
LARGEST_DF: Final = 1e6


def degrees_of_freedom(prior_share: ArrayLike) -> Floats:
    """Degrees of freedom behind an answer whose variance is this share of the prior one [0..1]."""
    return np.asarray(np.minimum(PRIOR_DF / np.maximum(prior_share, PRIOR_DF / LARGEST_DF), LARGEST_DF))


def widened(variance: ArrayLike, prior_share: ArrayLike, level: float) -> Floats:
    """Standard deviation whose normal quantiles at this level are those of the t with 8 / rho degrees of freedom [ln]."""
    upper = 0.5 + level / 2.0
    factor = stdtrit(degrees_of_freedom(prior_share), upper) / ndtri(upper)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)) * factor)


def skewness(mean: ArrayLike, sd: ArrayLike) -> Floats:
    """c of the module's formula, with the sign of the mean."""
    m, s = np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64)
    below = m * m + FADE * s * s
    return np.divide(s * m, below, out=np.zeros(np.broadcast(m, s).shape), where=below > 0.0)


def quantile(mean: ArrayLike, sd: ArrayLike, z: ArrayLike, loss_weight: float = 1.0) -> Floats:
    """What a standard normal z stands for: values of the shape [unit of the mean], broadcast together."""
    if loss_weight == 1.0:
        return _plain_quantile(mean, sd, z)
    scores = np.asarray(z, dtype=np.float64)
    below = _plain_chance(mean, sd, 0.0)
    whole = loss_weight * below + 1.0 - below
    lower, upper = ndtr(scores) * whole / loss_weight, ndtr(-scores) * whole
    towards = np.where(lower < below, ndtri(np.minimum(lower, 1.0)), -ndtri(np.minimum(upper, 1.0)))
    return _plain_quantile(mean, sd, towards)


def chance_below(mean: ArrayLike, sd: ArrayLike, value: ArrayLike, loss_weight: float = 1.0) -> Floats:
    """Chance that the quantity is below a value [0..1]; a step where the standard deviation is nought."""
    found = _plain_chance(mean, sd, value)
    if loss_weight == 1.0:
        return found
    below = _plain_chance(mean, sd, 0.0)
    counted = np.where(np.asarray(value) < 0.0, loss_weight * found, found - (1.0 - loss_weight) * below)
    return np.asarray(counted / (loss_weight * below + 1.0 - below))


def _plain_quantile(mean: ArrayLike, sd: ArrayLike, z: ArrayLike) -> Floats:
    m, s = np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64)
    c = skewness(m, s)
    size = np.maximum(np.abs(c), LEAST_SKEW)
    sigma = np.sqrt(np.log1p(size * size))
    towards = np.sign(c) * z
    skewed = np.sign(c) * np.expm1(sigma * towards - sigma * sigma / 2.0) / size
    return np.asarray(m + s * np.where(np.abs(c) < LEAST_SKEW, z, skewed))


def _plain_chance(mean: ArrayLike, sd: ArrayLike, value: ArrayLike) -> Floats:
    m, s, x = (np.asarray(each, dtype=np.float64) for each in (mean, sd, value))
    known = s <= 0.0
    apart = (x - m) / np.where(known, 1.0, s)
    c = skewness(m, s)
    size = np.maximum(np.abs(c), LEAST_SKEW)
    sigma = np.sqrt(np.log1p(size * size))
    inside = 1.0 + size * np.sign(c) * apart
    z = np.sign(c) * (np.log(np.maximum(inside, np.finfo(np.float64).tiny)) / sigma + sigma / 2.0)
    below = ndtr(np.where(np.abs(c) < LEAST_SKEW, apart, z))
    return np.asarray(np.where(known, (x > m) + 0.5 * (x == m), below))
