"""Single samples out of line with their neighbours, told by a running median.

The rule is Hampel's identifier (F. R. Hampel, J. Am. Stat. Assoc. 69, 1974; as a moving window: R. K. Pearson, IEEE
Trans. Control Syst. Technol. 10, 2002; both from memory): a sample further from the median of its neighbourhood than
some spreads, the spread being the median absolute deviation. Ours is stricter: the sample must stand alone.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SPIKE_REACH: Final = 5  # our choice: rows either side of the running median
SPIKE_SPREADS: Final = 3.0  # of the running median's spread, as there
MAD_TO_SD: Final = 1.4826  # 1 / quantile(0.75) of the normal law


def median_of_three(values: Floats) -> Floats:
    """Each value's median with its neighbours; the ends as they are."""
    result = values.copy()
    if values.size > 2:
        left, middle, right = values[:-2], values[1:-1], values[2:]
        result[1:-1] = np.maximum(np.minimum(left, middle), np.minimum(np.maximum(left, middle), right))
    return result


def spikes(values: Floats, least: float, share: float, ends: bool = False) -> NDArray[np.bool_]:
    """Single samples out of line: off the running median and off both neighbours to one side, by the same limit.

    The limit is three running spreads (median absolute deviation x 1.4826), at least `least` and at least `share` of
    the median and of the sample. The first and the last row have one neighbour; with `ends` they are spikes upwards
    only, a low one being tip-in or a cut.
    """
    wrong = np.zeros(values.size, dtype=np.bool_)
    suspects = suspects_of(values, least, share, ends)
    if not suspects.size:
        return wrong
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(values, SPIKE_REACH, constant_values=np.nan), 2 * SPIKE_REACH + 1
    )[suspects]
    median = np.nanmedian(around, axis=1)
    spread = MAD_TO_SD * np.nanmedian(np.abs(around - median[:, np.newaxis]), axis=1)
    limit = np.maximum(np.maximum(SPIKE_SPREADS * spread, least), share * np.abs(median))
    beside = values[np.abs(suspects - 1)], values[values.size - 1 - np.abs(values.size - 2 - suspects)]
    before, after = values[suspects] - beside[0], values[suspects] - beside[1]
    off = (values[suspects] - median) * np.sign(before)
    wrong[suspects] = np.minimum(np.minimum(np.abs(before), np.abs(after)), off) > limit
    return wrong


def suspects_of(values: Floats, least: float, share: float, ends: bool) -> Ints:
    """Rows above both neighbours, or below both, by enough to be spikes."""
    if values.size < 3:
        return np.empty(0, dtype=np.intp)
    steps = values[1:] - values[:-1]
    size = np.abs(steps)
    far = np.maximum(share * np.abs(values), least)
    alone = np.zeros(values.size, dtype=np.bool_)
    alone[1:-1] = (np.minimum(size[:-1], size[1:]) > far[1:-1]) & (steps[:-1] * steps[1:] < 0.0)
    if ends:
        alone[0], alone[-1] = -steps[0] > far[0], steps[-1] > far[-1]
    return np.flatnonzero(alone)
