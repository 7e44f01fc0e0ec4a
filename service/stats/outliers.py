"""Which values lie apart from their fellows: robust scores, the generalized ESD test, false discoveries held.

Vocabulary: a `score` is a deviation in standard deviations that the outliers themselves hardly move; `masking` is an
outlier hiding others by what it does to the mean and the standard deviation; the `false discovery rate` is the expected
share of good values among those declared outlying.

References: Rosner 1983 (Technometrics 25:165) as in NIST's e-Handbook 1.3.5.17.3; Iglewicz & Hoaglin 1993 as in
1.3.5.17; Benjamini & Hochberg 1995 (J. R. Stat. Soc. B 57:289).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, stdtrit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MAD_OF_NORMAL: Final = (
    0.6745  # median absolute deviation over standard deviation, normal values, as published
)
MEAN_DEVIATION_OF_NORMAL: Final = float(np.sqrt(2.0 / np.pi))
NEARLY: Final = 1e-6
"""Share by which a sum in another order may differ, and far more (our choice)."""
FEWEST: Final = 3
"""Values of which one can lie apart: of two, neither is nearer to anything."""


@dataclass(frozen=True, slots=True)
class EsdStep:
    """One step of the generalized ESD test: which value was furthest out, its statistic and its critical value."""

    index: int
    statistic: float
    critical: float


@dataclass(frozen=True, slots=True)
class Esd:
    """The steps in order, and the values declared outlying, the furthest first."""

    steps: tuple[EsdStep, ...]
    outliers: tuple[int, ...]


def generalized_esd(values: ArrayLike, most: int, alpha: float = 0.05) -> Esd:
    """Rosner's test for up to `most` outliers among nearly normal values.

    In each step the value furthest from the mean, in standard deviations of what is left, is taken out. As many are
    outlying as the last step that exceeds its critical value, also where earlier steps do not (masking).
    Parameters: values [any unit], finite; most, at least 1, below the number of values less 1; alpha, the chance of
    declaring any among good values [0..1].
    """
    group = _group(values)
    if not 1 <= most <= group.size - 2:
        raise ValueError(
            f"most: {most} of {group.size} values; give 1..{group.size - 2}, so that two are left"
        )
    left = np.arange(group.size)
    steps: list[EsdStep] = []
    for _ in range(most):
        rest = group[left]
        sd = float(rest.std(ddof=1))
        apart = np.abs(rest - rest.mean())
        furthest = int(apart.argmax())
        statistic = float(apart[furthest]) / sd if sd > 0.0 else 0.0
        steps.append(EsdStep(int(left[furthest]), statistic, esd_critical(left.size, group.size, alpha)))
        left = np.delete(left, furthest)
    found = max((i + 1 for i, step in enumerate(steps) if step.statistic > step.critical), default=0)
    return Esd(tuple(steps), tuple(step.index for step in steps[:found]))


def esd_exceeds(groups: Floats, most: int, alpha: float = 0.05) -> Bools:
    """In which of many groups of n values [g, n] `generalized_esd` declares any outlying [g].

    Where a statistic is as good as equal to its critical value, True: whoever needs to know asks that one.
    """
    n, left = groups.shape[1], np.ones(groups.shape, dtype=np.bool_)
    exceeds = np.zeros(len(groups), dtype=np.bool_)
    for size in range(n, n - most, -1):
        apart = np.abs(groups - groups.mean(axis=1, where=left)[:, np.newaxis])
        apart[~left] = -1.0
        furthest = apart.argmax(axis=1, keepdims=True)
        sd = groups.std(axis=1, ddof=1, where=left)
        reached = np.take_along_axis(apart, furthest, axis=1)[:, 0]
        exceeds |= (sd > 0.0) & (reached >= (1.0 - NEARLY) * esd_critical(size, n, alpha) * sd)
        np.put_along_axis(left, furthest, False, axis=1)
    return exceeds


def esd_critical(left: int, n: int, alpha: float = 0.05) -> float:
    """Critical value where `left` of n values are still there."""
    if not 3 <= left <= n:
        raise ValueError(f"left: {left} of {n} values; give 3..{n}")
    t = float(stdtrit(left - 2, 1.0 - alpha / (2.0 * left)))
    return (left - 1) * t / float(np.sqrt((left - 2 + t * t) * left))


def robust_scale(values: ArrayLike) -> float:
    """Standard deviation by the median absolute deviation from the median [unit of the values].

    A deviation from the median over it is Iglewicz & Hoaglin's modified z. Where more than half of the values are equal
    the mean absolute deviation stands in (their rule, from memory); nought where all are the same.
    """
    group = _group(values)
    apart = np.abs(group - np.median(group))
    mad = float(np.median(apart))
    return mad / MAD_OF_NORMAL if mad > 0.0 else float(apart.mean()) / MEAN_DEVIATION_OF_NORMAL


def two_sided_chance(scores: ArrayLike) -> Floats:
    """Chance that a good value scores so far out, on either side [0..1]."""
    return np.asarray(2.0 * ndtr(-np.abs(np.asarray(scores, dtype=np.float64))))


def discoveries(chances: ArrayLike, rate: float = 0.05) -> Bools:
    """Which of many tests to believe, so that in expectation no larger share than `rate` of the believed ones is false.

    Benjamini & Hochberg's step-up rule: the i smallest of m chances, i the largest with p_(i) <= i rate / m.
    """
    p = np.asarray(chances, dtype=np.float64)
    if p.size == 0:
        return np.zeros(0, dtype=np.bool_)
    ordered = np.sort(p)
    held = np.flatnonzero(ordered <= rate * np.arange(1, p.size + 1) / p.size)
    return np.asarray(p <= (ordered[held[-1]] if held.size else -1.0))


def _group(values: ArrayLike) -> Floats:
    group = np.asarray(values, dtype=np.float64)
    if group.ndim != 1 or group.size < FEWEST:
        raise ValueError(f"values: shape {group.shape}; give a list of {FEWEST} or more")
    if not np.isfinite(group).all():
        raise ValueError("values: every value must be finite; leave unknown ones out")
    return group
