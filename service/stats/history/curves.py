"""A gain over the rev range: bands that hold at each speed, bands that hold everywhere at once, where it gains and loses.

Vocabulary: a `knot` is an engine speed the model was asked at; `pointwise` bands hold at any one speed with the level,
`simultaneous` ones over the whole curve. The latter are c times as wide, c the level's quantile of the largest |T| over
the knots, T a multivariate t with the correlation of the curve's errors (the sup-t band: Montiel Olea & Plagborg-Moeller
2019, J. Appl. Econometrics 34:1, from memory), found from DRAWS draws that are always the same. The errors' correlation
over knots is that of the residuals of all setups.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import chdtri, ndtri, stdtrit

from service.stats.history.cells import CellColumns
from service.stats.history.fitted import Fit
from service.stats.history.gains import (
    LEVEL,
    Interval,
    next_car_intervals,
    prior_share,
    typical_bounds,
    widened_sd,
)
from service.stats.history.shape import degrees_of_freedom, quantile

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DRAWS: Final = 2000  # the quantile of the largest is then known to about 0.02; our choice
CHI_STEPS: Final = 200  # even steps of a chi-squared's chance, dealt out to the draws
SEED: Final = 20  # any: the same curve must always get the same band


@dataclass(frozen=True, slots=True)
class GainCurve:
    """A gain at knots [ln]: typical, its pointwise bounds, those of the band for the whole curve, of one more car."""

    rpm: Floats
    typical: Floats
    low: Floats
    high: Floats
    band_low: Floats
    band_high: Floats
    next_low: Floats
    next_high: Floats

    def at(self, rpm: Floats) -> "GainCurve":
        """The same at other speeds, straight between knots; NaN beyond the first and last."""
        names = (name for name in self.__slots__ if name != "rpm")
        return GainCurve(
            rpm,
            *(np.interp(rpm, self.rpm, getattr(self, name), left=np.nan, right=np.nan) for name in names),
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the rev range over which a gain, or a loss, is established [rpm]."""

    from_rpm: float
    to_rpm: float
    gains: bool

    @property
    def width_rpm(self) -> float:
        """How long it is."""
        return self.to_rpm - self.from_rpm


def curve(rpm: Floats, gain: CellColumns, correlation: Floats, fit: Fit, level: float = LEVEL) -> GainCurve:
    """A gain over the rev range with its bands [ln].

    Parameters: rpm, knots, ascending [k]; gain, with one figure for each knot; correlation, of its errors over the knots
    [k, k]; fit, for the spread between cars.
    """
    low, high = typical_bounds(gain, level)
    z = float(ndtri(0.5 + level / 2.0))
    df = float(degrees_of_freedom(prior_share(gain)))
    wide = simultaneous_factor(correlation, df, level) / z * np.sqrt(gain.variance)
    next_low, next_high = next_car_intervals(gain, fit, level)
    band_low, band_high = quantile(gain.mean, wide, -z), quantile(gain.mean, wide, z)
    return GainCurve(rpm, gain.mean, low, high, band_low, band_high, next_low, next_high)


def simultaneous_factor(correlation: Floats, df: float, level: float) -> float:
    """How many standard errors a band must be wide to hold at every knot at once.

    At least a single knot's t quantile, at most that of Bonferroni's bound for so many knots.
    """
    k = len(correlation)
    _, dealt = _draws(k)
    scale = np.sqrt(chdtri(df, (np.arange(CHI_STEPS) + 0.5) / CHI_STEPS) / df)[dealt]
    largest = _drawn(correlation).largest / scale
    one, every = stdtrit(df, 0.5 + level / 2.0), stdtrit(df, 1.0 - (1.0 - level) / (2.0 * k))
    return float(np.clip(np.quantile(largest, level), one, every))


def peak_shift(
    rpm: Floats, base: Floats, knots: Floats, gain: CellColumns, correlation: Floats, level: float = LEVEL
) -> Interval:
    """How far the peak moves along the rev range by the typical gain [rpm].

    Parameters: rpm, speeds of the curve without the part, ascending, evenly apart [m]; base, that curve [ln of power or
    torque], finite; knots [k], gain and correlation, as for `curve`, a cubic spline between knots.
    """
    spread = np.asarray(CubicSpline(knots, np.eye(len(knots)))(rpm.clip(knots[0], knots[-1])))
    drawn = quantile(gain.mean, widened_sd(gain, level), _drawn(correlation).normal)
    before = _peaks(rpm, base[np.newaxis])[0]
    near = _may_peak(base, spread, drawn)
    moved = _peaks(rpm[near], base[near] + drawn @ spread[near].T) - before
    typical = float(_peaks(rpm, (base + spread @ gain.mean)[np.newaxis])[0] - before)
    low, high = np.quantile(moved, [(1.0 - level) / 2.0, (1.0 + level) / 2.0])
    return Interval(typical, min(float(low), typical), max(float(high), typical))


def _may_peak(base: Floats, spread: Floats, drawn: Floats) -> slice:
    """The stretch of a curve in which every draw has its peak, a point more on either side: a point whose most is below
    what another has at least is no draw's peak.

    Parameters: base [m], spread [m, k] and drawn [draws, k], gains at the knots: a draw's curve is base + spread @ drawn.
    """
    least, most = drawn.min(axis=0), drawn.max(axis=0)
    up, down = np.maximum(spread, 0.0), np.minimum(spread, 0.0)
    may = np.flatnonzero(base + up @ most + down @ least >= (base + up @ least + down @ most).max())
    return slice(max(0, int(may[0]) - 1), int(may[-1]) + 2)


def mean_over(gain: CellColumns, correlation: Floats, wanted: NDArray[np.bool_], level: float) -> Interval:
    """The mean of a gain over some of its knots [ln]; over one of them it is that knot's own.

    Parameters: gain and correlation, as for `curve`; wanted [k], the knots, at least one.
    """
    sd = widened_sd(gain, level)[wanted]
    mean = float(gain.mean[wanted].mean())
    spread = float(np.sqrt(sd @ correlation[np.ix_(wanted, wanted)] @ sd)) / len(sd)
    z = float(ndtri(0.5 + level / 2.0))
    return Interval(mean, float(quantile(mean, spread, -z)), float(quantile(mean, spread, z)))


def clear_stretches(rpm: Floats, low: Floats, high: Floats) -> tuple[Stretch, ...]:
    """Where bands leave nought out, longest stretch first; its ends where the bound crosses nought between knots."""
    found = [*_runs(rpm, low, True), *_runs(rpm, -high, False)]
    return tuple(sorted(found, key=lambda one: (-one.width_rpm, one.from_rpm)))


def _runs(rpm: Floats, bound: Floats, gains: bool) -> list[Stretch]:
    """Stretches over which a bound is above nought."""
    above = np.nan_to_num(bound, nan=-1.0) > 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([False], above, [False])).astype(np.int8)))
    return [
        Stretch(_crossing(rpm, bound, first - 1, first), _crossing(rpm, bound, after, after - 1), gains)
        for first, after in edges.reshape(-1, 2).tolist()
    ]


def _crossing(rpm: Floats, bound: Floats, outside: int, inside: int) -> float:
    """Where a bound crosses nought between two neighbouring knots; the inner one where nothing is known outside."""
    if not 0 <= outside < len(rpm) or not np.isfinite(bound[outside]):
        return float(rpm[inside])
    share = bound[inside] / (bound[inside] - bound[outside])
    return float(rpm[inside] + share * (rpm[outside] - rpm[inside]))


def _peaks(rpm: Floats, curves: Floats) -> Floats:
    """Speed of each curve's peak [rpm], by the parabola through its highest point and that point's neighbours."""
    at = curves.argmax(axis=1).clip(1, len(rpm) - 2)
    row = np.arange(len(curves))
    left, top, right = (curves[row, at + step] for step in (-1, 0, 1))
    bend = left - 2.0 * top + right
    off = np.divide(left - right, 2.0 * bend, out=np.zeros_like(bend), where=bend < 0.0)
    return np.asarray(rpm[at] + (rpm[1] - rpm[0]) * off.clip(-1.0, 1.0))


def _root(correlation: Floats) -> Floats:
    """A root of a correlation matrix that may be singular, or by gaps in the data slightly indefinite."""
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(root / np.sqrt((root * root).sum(axis=1, keepdims=True)))


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Draws of a normal with a correlation [DRAWS, k], and the largest size in each [DRAWS]."""

    normal: Floats
    largest: Floats


def _drawn(correlation: Floats) -> _Drawn:
    """The draws of a correlation; every curve of one state of the model has the same."""
    return _drawn_of(np.ascontiguousarray(correlation, dtype=np.float64).tobytes(), len(correlation))


@lru_cache(maxsize=4)
def _drawn_of(correlation: bytes, k: int) -> _Drawn:
    normal, _ = _draws(k)
    correlated = normal @ _root(np.frombuffer(correlation).reshape(k, k)).T
    return _Drawn(correlated, np.abs(correlated).max(axis=1))


@lru_cache(maxsize=8)
def _draws(k: int) -> tuple[Floats, Ints]:
    """Standard normal draws [DRAWS, k], and which step of the chi-squared each is dealt [DRAWS]."""
    random = np.random.default_rng(SEED)
    return random.standard_normal((DRAWS, k)), random.permutation(np.arange(DRAWS) % CHI_STEPS)
