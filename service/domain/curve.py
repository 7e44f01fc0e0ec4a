"""A pull's curve: cleaned, smoothed, put on the common grid, and read.

Smoothing is a local quadratic least-squares fit at every asked speed, over the samples within
``SMOOTHING_WIDTH_RPM`` either side, weighted 1 - d^2 (Epanechnikov). At the ends of a trace the window keeps its whole
span by reaching further inwards; nothing is extrapolated. Where the samples do not carry such a fit (step tests,
traces coarser than the window) the value is the straight line between the neighbouring samples.

The fit needs weighted power sums over each window. They come as differences of running sums of powers taken about
the middle of the sample's own block, blocks being longer than any window: a window then touches two blocks at most, and no power is ever large, which keeps nearly all digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

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
    rising = np.diff(speed)
    if (rising > 0.0).all():
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
    result = np.full(at_rpm.shape, np.nan)
    if rpm.size == 0:
        return result
    left, right = _neighbours(rpm, at_rpm)
    covered = (at_rpm >= rpm[0]) & (at_rpm <= rpm[-1]) & (rpm[right] - rpm[left] <= MAX_GAP_RPM)
    if not covered.all():
        result[covered] = _smooth_inside(
            rpm, torque_nm, at_rpm[covered], left[covered], right[covered], width_rpm
        )
        return result
    return _smooth_inside(rpm, torque_nm, at_rpm, left, right, width_rpm)


def _neighbours(rpm: Floats, at_rpm: Floats) -> tuple[Ints, Ints]:
    """Indices of the nearest samples at or below, and at or above, each speed."""
    left = np.searchsorted(rpm, at_rpm, side="right") - 1
    np.maximum(left, 0, out=left)
    right = np.minimum(left + (rpm[left] < at_rpm), rpm.size - 1)
    return left, right


def _smooth_inside(rpm: Floats, torque: Floats, at: Floats, left: Ints, right: Ints, width: float) -> Floats:
    straight = _straight_line(rpm, torque, at, left, right)
    if rpm.size < MIN_FIT_SAMPLES:
        return straight
    reach, first, last = _windows(rpm, at, left, width)
    fitted, variance = _local_quadratic(rpm, torque, at, reach, first, last, width)
    bracketed = (first <= left) & (last > right)
    sound = bracketed & (last - first >= MIN_FIT_SAMPLES) & (variance <= MAX_FIT_VARIANCE)
    return np.where(sound, fitted, straight)


def _straight_line(rpm: Floats, torque: Floats, at: Floats, left: Ints, right: Ints) -> Floats:
    span = rpm[right] - rpm[left]
    share = (at - rpm[left]) / np.where(span > 0.0, span, 1.0)
    return torque[left] + share * (torque[right] - torque[left])


def _windows(rpm: Floats, at: Floats, left: Ints, width: float) -> tuple[Floats, Ints, Ints]:
    """Reach of each window [rpm] and its samples first <= i < last; a window never crosses a gap."""
    starts, ends = _segments(rpm)
    segment = np.searchsorted(starts, left, side="right") - 1
    to_end = np.minimum(at - rpm[starts[segment]], rpm[ends[segment] - 1] - at)
    reach = np.maximum(width, 2.0 * width - to_end)
    first = np.maximum(np.searchsorted(rpm, at - reach, side="left"), starts[segment])
    last = np.minimum(np.searchsorted(rpm, at + reach, side="right"), ends[segment])
    return reach, first, last


def _segments(rpm: Floats) -> tuple[Ints, Ints]:
    """First and past-last sample of every stretch without a gap."""
    gaps = np.flatnonzero(np.diff(rpm) > MAX_GAP_RPM) + 1
    return np.concatenate(([0], gaps)), np.concatenate((gaps, [rpm.size]))


def _local_quadratic(
    rpm: Floats, torque: Floats, at: Floats, reach: Floats, first: Ints, last: Ints, width: float
) -> tuple[Floats, Floats]:
    """Value of each window's weighted quadratic at its own speed, and that value's variance in sample variances."""
    sums, moments = _window_sums(rpm, torque, at, first, last, width)
    scale = width / reach
    rows = scale ** np.arange(WEIGHT_POWERS)[:, np.newaxis]
    sums *= rows
    moments *= rows[:MOMENT_POWERS]
    return _solve(sums[:-2] - sums[2:], moments[:-2] - moments[2:])


def _solve(s: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Constant term of the 3 x 3 normal equations by cofactors, and the bound (A^-1)_00 on its variance."""
    c0 = s[2] * s[4] - s[3] * s[3]
    c1 = s[2] * s[3] - s[1] * s[4]
    c2 = s[1] * s[3] - s[2] * s[2]
    determinant = s[0] * c0 + s[1] * c1 + s[2] * c2
    usable = determinant > 1e-9 * s[0] ** 3  # below it the samples stand on fewer than three speeds
    inverse = 1.0 / np.where(usable, determinant, 1.0)
    variance = np.where(usable, c0 * inverse, np.inf)
    return (t[0] * c0 + t[1] * c1 + t[2] * c2) * inverse, variance


def _window_sums(
    rpm: Floats, torque: Floats, at: Floats, first: Ints, last: Ints, width: float
) -> tuple[Floats, Floats]:
    """Sums of d^k and of d^k x torque over each window, d being (speed - asked speed) / width."""
    block = np.floor(rpm / (BLOCK_WIDTHS * width))
    offset = rpm / width - (block + 0.5) * BLOCK_WIDTHS
    powers, weighted = _running_sums(offset, torque)
    low_block = block[first]
    split = np.searchsorted(block, low_block, side="right")
    np.minimum(split, last, out=split)
    centre = at / width - (low_block + 0.5) * BLOCK_WIDTHS
    sums = _over_windows(powers, first, split, last)
    moments = _over_windows(weighted, first, split, last)
    shift = np.stack((-centre, BLOCK_WIDTHS - centre))
    return _recentred(sums, shift), _recentred(moments, shift)


def _over_windows(running: Floats, first: Ints, split: Ints, last: Ints) -> Floats:
    """Sums over first <= i < split and split <= i < last, shape [powers, 2, windows]."""
    middle = running.take(split, axis=1)
    result = np.empty((running.shape[0], 2, first.size))
    np.subtract(middle, running.take(first, axis=1), out=result[:, 0])
    np.subtract(running.take(last, axis=1), middle, out=result[:, 1])
    return result


def _running_sums(offset: Floats, torque: Floats) -> tuple[Floats, Floats]:
    """Running sums, from nought, of offset^k and of offset^k x torque."""
    powers = np.empty((WEIGHT_POWERS, offset.size + 1))
    powers[:, 0] = 0.0
    powers[0, 1:] = 1.0
    for k in range(1, WEIGHT_POWERS):
        np.multiply(powers[k - 1, 1:], offset, out=powers[k, 1:])
    weighted = powers[:MOMENT_POWERS].copy()
    weighted[:, 1:] *= torque
    return np.cumsum(powers, axis=1), np.cumsum(weighted, axis=1)


def _recentred(sums: Floats, shift: Floats) -> Floats:
    """Power sums about another centre (a binomial transform, degree by degree), both blocks added up."""
    for k in range(1, sums.shape[0]):
        sums[k:] += shift * sums[k - 1 : -1]
    both: Floats = sums.sum(axis=1)
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
    both = smooth(rpm, torque_nm, np.concatenate((GRID_RPM, rpm)))
    return both[: GRID_RPM.size], _peaks_of(rpm, both[GRID_RPM.size :])


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
