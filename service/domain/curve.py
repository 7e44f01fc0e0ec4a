"""A pull's curve: cleaned, smoothed, put on the common grid, and read.

Smoothing is a local quadratic least-squares fit at every asked speed, over the samples within
``SMOOTHING_WIDTH_RPM`` either side, weighted 1 - d^2 (Epanechnikov). At the ends of a trace the window keeps its whole
span by reaching further inwards; nothing is extrapolated. Where the samples do not carry such a fit (step tests,
traces coarser than the window) the value is the straight line between the neighbouring samples.

The fit needs weighted power sums over each window. They come as differences of running sums of powers taken about
the middle of the sample's own block, blocks being longer than any window: a window then touches two blocks at most, and no power is ever large, which keeps nearly all digits.
"""

from __future__ import annotations

import itertools
import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.domain.units import RPM_NM_PER_KW

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Kind = Literal["power", "torque"]

GRID_STEP_RPM: Final = 50.0
GRID_RPM: Final[Floats] = np.arange(500.0, 12_000.0 + GRID_STEP_RPM, GRID_STEP_RPM)
GRID_RPM.setflags(write=False)

# Half-width, our choice: of 200 to 450 rpm it had the least error of whole curves at 0.5 and 1 % noise, and the peak
# stays within 0.1 % of the truth on average (numbers in tests/domain/test_curve.py).
SMOOTHING_WIDTH_RPM: Final = 400.0
MAX_GAP_RPM: Final = 500.0  # our choice: a wider hole between samples is not measured
MAX_FIT_VARIANCE: Final = 1.0  # our choice: a fit less certain than one sample gives way to the straight line
MIN_FIT_SAMPLES: Final = 6  # our choice: twice the coefficients

WEIGHT_POWERS: Final = 7  # S0..S6: a quadratic needs up to 4, the weight 1 - d^2 two more
MOMENT_POWERS: Final = 5  # T0..T4 likewise
SUMS: Final = WEIGHT_POWERS + MOMENT_POWERS
AT_ONCE: Final = 2048  # windows; our choice: more outgrow the processor's cache and take longer
BLOCK_WIDTHS: Final = 2.5  # a window spans 2 at most; the rest keeps rounding from reaching a third block


@dataclass(frozen=True, slots=True)
class Peaks:
    """Highest power [kW] and torque [N.m] of the smoothed trace, and the speeds they stand at [rpm]."""

    power_kw: float
    power_rpm: float
    torque_nm: float
    torque_rpm: float


def clean_trace(rpm: ArrayLike, torque_nm: ArrayLike) -> tuple[Floats, Floats]:
    """Finite samples in order of speed, repeated speeds averaged: speed [rpm], torque [N.m]."""
    speed = np.asarray(rpm, dtype=np.float64)
    torque = np.asarray(torque_nm, dtype=np.float64)
    if speed.ndim != 1 or speed.shape != torque.shape:
        raise ValueError(
            f"curve: rpm has shape {speed.shape}, torque {torque.shape}; give two lists of equal length"
        )
    finite = np.isfinite(speed) & np.isfinite(torque)
    if not finite.all():
        speed, torque = speed[finite], torque[finite]
    if (speed[1:] > speed[:-1]).all():
        return speed, torque
    return _sorted_and_merged(speed, torque)


def _sorted_and_merged(speed: Floats, torque: Floats) -> tuple[Floats, Floats]:
    # by torque too: the mean of a repeated speed must not hang on the order the samples came in
    order = np.lexsort((torque, speed))
    speed, torque = speed[order], torque[order]
    first = np.flatnonzero(np.concatenate(([True], speed[1:] > speed[:-1])))
    counts = np.diff(np.append(first, speed.size))
    return speed[first], np.add.reduceat(torque, first) / counts


def smooth(rpm: Floats, torque_nm: Floats, at_rpm: Floats, width_rpm: float = SMOOTHING_WIDTH_RPM) -> Floats:
    """Smoothed torque [N.m] at the asked speeds, NaN outside the trace and in its gaps.

    Parameters: rpm, torque_nm, a clean trace [rpm], [N.m]; at_rpm, any speeds [rpm]; width_rpm, half-width of the
    window [rpm].
    """
    return smooth_many([(rpm, torque_nm)], [at_rpm], width_rpm)[0]


def smooth_many(
    traces: Sequence[tuple[Floats, Floats]], asked: Sequence[Floats], width_rpm: float = SMOOTHING_WIDTH_RPM
) -> list[Floats]:
    """What `smooth` gives for each trace at its own asked speeds, to the last bit, in one go through numpy."""
    results = [np.full(at_rpm.shape, np.nan) for at_rpm in asked]
    stretches, places = [], []
    for (rpm, torque_nm), at_rpm, result in zip(traces, asked, results, strict=True):
        for part in _without_gaps(rpm):
            inside = (at_rpm >= rpm[part][0]) & (at_rpm <= rpm[part][-1])
            stretches.append(Stretch(rpm[part], torque_nm[part], at_rpm[inside]))
            places.append((result, inside))
    for (result, inside), values in zip(places, _smooth_inside(stretches, width_rpm), strict=True):
        result[inside] = values
    return results


class Stretch(NamedTuple):
    """Samples without a gap [rpm], [N.m], and the speeds asked between the first and the last of them [rpm]."""

    rpm: Floats
    torque: Floats
    at: Floats


class Windows(NamedTuple):
    """The windows of many stretches: speed asked, reach [rpm], samples first <= i < last, and number of the stretch."""

    at: Floats
    reach: Floats
    first: Ints
    last: Ints
    stretch: Ints

    def piece(self, of: slice) -> Windows:
        """Some of the windows."""
        return Windows(self.at[of], self.reach[of], self.first[of], self.last[of], self.stretch[of])


class RunningSums(NamedTuple):
    """Sums over the samples of many stretches, one after the other.

    rpm, block: of each sample, its speed [rpm] and block; block_ends: past-last sample of each block; sums: running sums
    of offset^k and below them of offset^k x torque, from nought, so each stretch takes one place more than samples.
    """

    rpm: Floats
    block: Floats
    block_ends: Ints
    sums: Floats


def _without_gaps(rpm: Floats) -> list[slice]:
    """The stretches of a trace without a gap: none where it is empty."""
    gaps = np.flatnonzero(rpm[1:] - rpm[:-1] > MAX_GAP_RPM) + 1
    bounds = [0, *gaps.tolist(), rpm.size]
    return [slice(low, high) for low, high in itertools.pairwise(bounds) if high > low]


def _smooth_inside(stretches: Sequence[Stretch], width: float) -> list[Floats]:
    """Each stretch's torque at its asked speeds: the fit where the samples carry one, else the straight line."""
    if not stretches:
        return []
    sums = _running_sums(stretches, width)
    windows = _windows(stretches, width)
    pieces = [slice(low, low + AT_ONCE) for low in range(0, windows.at.size, AT_ONCE)]
    fits = [_fitted(sums, windows.piece(piece), width) for piece in pieces]
    ends = np.cumsum([one.at.size for one in stretches])[:-1]
    values = np.split(np.concatenate([np.empty(0), *fits]), ends)
    for one, value in zip(stretches, values, strict=True):
        unfit = np.isnan(value)
        if unfit.any():
            value[unfit] = np.interp(one.at[unfit], one.rpm, one.torque)
    return values


def _windows(stretches: Sequence[Stretch], width: float) -> Windows:
    """One window around every asked speed; none crosses into another stretch."""
    reaches, firsts, lasts, start = [], [], [], 0
    for rpm, _, at in stretches:
        to_end = np.minimum(at - rpm[0], rpm[-1] - at)
        reach = np.maximum(width, 2.0 * width - to_end)
        reaches.append(reach)
        firsts.append(rpm.searchsorted(at - reach, side="left") + start)
        lasts.append(rpm.searchsorted(at + reach, side="right") + start)
        start += rpm.size
    return Windows(
        at=np.concatenate([one.at for one in stretches]),
        reach=np.concatenate(reaches),
        first=np.concatenate(firsts),
        last=np.concatenate(lasts),
        stretch=np.repeat(np.arange(len(stretches)), [one.at.size for one in stretches]),
    )


def _fitted(running: RunningSums, windows: Windows, width: float) -> Floats:
    """Value of each window's weighted quadratic at its own speed, NaN where the samples do not carry one."""
    sums, moments = _window_sums(running, windows, width)
    share = (width / windows.reach) ** 2  # of d^2 in the weight: d counts widths, not reaches
    value, variance = _solve(sums[:-2] - share * sums[2:], moments[:-2] - share * moments[2:], share)
    rpm, (at, _, first, last, _) = running.rpm, windows
    bracketed = (rpm[first] <= at) & (rpm[last - 1] >= at)
    sound = bracketed & (last - first >= MIN_FIT_SAMPLES) & (variance <= MAX_FIT_VARIANCE)
    return np.where(sound, value, np.nan)


def _solve(s: Floats, t: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Constant term of the 3 x 3 normal equations by cofactors, and the bound (A^-1)_00 on its variance."""
    c0 = s[2] * s[4] - s[3] * s[3]
    c1 = s[2] * s[3] - s[1] * s[4]
    c2 = s[1] * s[3] - s[2] * s[2]
    determinant = s[0] * c0 + s[1] * c1 + s[2] * c2
    # with d in reaches; below it the samples stand on fewer than three speeds
    usable = determinant * (share * share * share) > 1e-9 * (s[0] * s[0] * s[0])
    inverse = 1.0 / np.where(usable, determinant, 1.0)
    variance = np.where(usable, c0 * inverse, np.inf)
    return (t[0] * c0 + t[1] * c1 + t[2] * c2) * inverse, variance


def _window_sums(running: RunningSums, windows: Windows, width: float) -> tuple[Floats, Floats]:
    """Sums of d^k and of d^k x torque over each window, d being (speed - asked speed) / width."""
    block, ends = running.block, running.block_ends
    split = np.minimum(ends[ends.searchsorted(windows.first, side="right")], windows.last)
    both = _over_windows(running.sums, *(at + windows.stretch for at in (windows.first, split, windows.last)))
    centre = windows.at / width - (block[windows.first] + 0.5) * BLOCK_WIDTHS
    shift = np.stack((-centre, BLOCK_WIDTHS - centre))[:, np.newaxis]
    return _recentred(both[:, :WEIGHT_POWERS], shift), _recentred(both[:, WEIGHT_POWERS:], shift)


class Room(threading.local):
    """Each thread's room for the sums of `AT_ONCE` windows: room asked of the system anew at every pull costs as much
    as the arithmetic."""

    def __init__(self) -> None:
        self.sums = np.empty(2 * SUMS * AT_ONCE)
        self.scratch = np.empty(2 * SUMS * AT_ONCE)


_room = Room()


def _shaped(room: Floats, *shape: int) -> Floats:
    return room[: math.prod(shape)].reshape(shape)


def _over_windows(running: Floats, first: Ints, split: Ints, last: Ints) -> Floats:
    """Sums over first <= i < split and split <= i < last, shape [2, sums, windows]."""
    both = _shaped(_room.sums, 2, SUMS, first.size)
    middle = _shaped(_room.scratch, SUMS, first.size)
    for at, out in ((first, both[0]), (split, middle), (last, both[1])):
        running.take(at, axis=1, out=out, mode="clip")  # any other mode makes numpy take a copy
    np.subtract(middle, both[0], out=both[0])
    np.subtract(both[1], middle, out=both[1])
    return both


def _running_sums(stretches: Sequence[Stretch], width: float) -> RunningSums:
    rpm = np.concatenate([one.rpm for one in stretches])
    block = np.floor(rpm / (BLOCK_WIDTHS * width))
    offset = rpm / width - (block + 0.5) * BLOCK_WIDTHS
    terms = np.empty((SUMS, rpm.size))
    terms[0] = 1.0
    for k in range(1, WEIGHT_POWERS):
        np.multiply(terms[k - 1], offset, out=terms[k])
    torque = np.concatenate([one.torque for one in stretches])
    np.multiply(terms[:MOMENT_POWERS], torque, out=terms[WEIGHT_POWERS:])
    ends = np.append(np.flatnonzero(np.diff(block)) + 1, rpm.size)
    return RunningSums(rpm, block, ends, _summed_up(terms, stretches))


def _summed_up(terms: Floats, stretches: Sequence[Stretch]) -> Floats:
    """Each stretch's own running sums, so that no digit of one hangs on which others stand beside it."""
    sums = np.zeros((terms.shape[0], terms.shape[1] + len(stretches)))
    start = 0
    for n, one in enumerate(stretches):
        end = start + one.rpm.size
        np.cumsum(terms[:, start:end], axis=1, out=sums[:, start + n + 1 : end + n + 1])
        start = end
    return sums


def _recentred(sums: Floats, shift: Floats) -> Floats:
    """Power sums about another centre (a binomial transform, degree by degree), both blocks added up."""
    for k in range(1, sums.shape[1]):
        lower = sums[:, k - 1 : -1]
        sums[:, k:] += np.multiply(shift, lower, out=_shaped(_room.scratch, *lower.shape))
    both: Floats = sums[0] + sums[1]
    return both


def resample(rpm: Floats, torque_nm: Floats) -> Floats:
    """Smoothed torque [N.m] of a clean trace on GRID_RPM, shape [231]; NaN outside coverage and in wide gaps."""
    return smooth(rpm, torque_nm, GRID_RPM)


def find_peaks(rpm: Floats, torque_nm: Floats) -> Peaks:
    """Peaks of a clean trace, smoothed at its own resolution, each refined by the parabola through three points."""
    return _peaks_of(rpm, smooth(rpm, torque_nm, rpm))


def _peaks_of(rpm: Floats, smoothed: Floats) -> Peaks:
    if rpm.size == 0:
        raise ValueError("curve: no finite sample is left; check the columns")
    torque_rpm, torque = _highest(rpm, smoothed)
    power_rpm, power = _highest(rpm, smoothed * rpm)
    return Peaks(power / RPM_NM_PER_KW, power_rpm, torque, torque_rpm)


def _highest(x: Floats, y: Floats) -> tuple[float, float]:
    """Where y is highest and how high, by the parabola through the highest point and its two neighbours."""
    i = int(y.argmax())
    if not 0 < i < x.size - 1 or max(x[i] - x[i - 1], x[i + 1] - x[i]) > MAX_GAP_RPM:
        return float(x[i]), float(y[i])
    before, after = float(x[i - 1] - x[i]), float(x[i + 1] - x[i])
    fall_before, fall_after = float(y[i] - y[i - 1]), float(y[i] - y[i + 1])
    slope_before, slope_after = fall_before / before, fall_after / after
    bend = (slope_after - slope_before) / (after - before)
    if not bend > 0.0:
        return float(x[i]), float(y[i])
    slope = slope_before - bend * before
    return float(x[i]) - slope / (2.0 * bend), float(y[i]) + slope * slope / (4.0 * bend)


def derive(rpm: Floats, torque_nm: Floats) -> tuple[Floats, Peaks]:
    """What `resample` and `find_peaks` give, by one smoothing instead of two."""
    return derive_many([(rpm, torque_nm)])[0]


def derive_many(traces: Sequence[tuple[Floats, Floats]]) -> list[tuple[Floats, Peaks]]:
    """What `derive` gives for each of many clean traces, to the last bit, by one smoothing of them all."""
    asked = [np.concatenate((GRID_RPM, rpm)) for rpm, _ in traces]
    return [
        (both[: GRID_RPM.size], _peaks_of(rpm, both[GRID_RPM.size :]))
        for (rpm, _), both in zip(traces, smooth_many(traces, asked), strict=True)
    ]


def value_at(grid_torque: Floats, rpm: float, kind: Kind) -> Floats:
    """Power [kW] or torque [N.m] at one speed [rpm], of one curve or many; torque is drawn straight between knots.

    Parameters: grid_torque, torque on GRID_RPM [N.m], shape [231] or [curves, 231]; NaN where a knot beside it is.
    Returns shape [] or [curves].
    """
    weights = np.maximum(0.0, 1.0 - np.abs(GRID_RPM - rpm) / GRID_STEP_RPM)
    if not GRID_RPM[0] <= rpm <= GRID_RPM[-1]:
        return np.full(grid_torque.shape[:-1], np.nan)
    factor = rpm / RPM_NM_PER_KW if _is_power(kind) else 1.0
    return _weighted(grid_torque, weights * factor)


def band_mean(grid_torque: Floats, from_rpm: float, to_rpm: float, kind: Kind) -> Floats:
    """Mean power [kW] or torque [N.m] over a band, by trapezoids; the curve is drawn straight between knots.

    Parameters: grid_torque, torque on GRID_RPM [N.m], shape [231] or [curves, 231]; from_rpm, to_rpm [rpm].
    Returns shape [] or [curves]; NaN where the band is not wholly covered.
    """
    if not from_rpm < to_rpm:
        raise ValueError(f"band: from {from_rpm:g} to {to_rpm:g} rpm is no band; give the lower speed first")
    if from_rpm < GRID_RPM[0] or to_rpm > GRID_RPM[-1]:
        return np.full(grid_torque.shape[:-1], np.nan)
    weights = _band_weights(from_rpm, to_rpm)
    return _weighted(grid_torque, weights * GRID_RPM / RPM_NM_PER_KW if _is_power(kind) else weights)


def _band_weights(from_rpm: float, to_rpm: float) -> Floats:
    """Weight of every knot in the mean over a band of the line drawn through the knots."""
    low = np.clip(GRID_RPM[:-1], from_rpm, to_rpm)
    high = np.clip(GRID_RPM[1:], from_rpm, to_rpm)
    length = (high - low) / (to_rpm - from_rpm)
    share = ((low + high) / 2.0 - GRID_RPM[:-1]) / GRID_STEP_RPM
    weights = np.zeros(GRID_RPM.size)
    weights[:-1] += length * (1.0 - share)
    weights[1:] += length * share
    return weights


def _weighted(grid_torque: Floats, weights: Floats) -> Floats:
    """Sum over the knots that carry weight, so that NaN elsewhere does not matter."""
    used = np.flatnonzero(weights)
    span = slice(int(used[0]), int(used[-1]) + 1)
    return np.asarray(grid_torque[..., span] @ weights[span], dtype=np.float64)


def _is_power(kind: str) -> bool:
    if kind not in ("power", "torque"):
        raise ValueError(f"kind: {kind!r} is not known here; use power or torque")
    return kind == "power"
