"""The check car: a car kept to be measured in every bay, whose readings should stay where they are.

A chart of single readings with warning and action limits at two and three standard deviations (Shewhart; NIST e-Handbook
6.3.2.2): the standard deviation from the mean moving range, which a step in the middle hardly moves. Until enough readings
stand behind it the limits are 1 % and 2 % (common practice, no source). Every reading is judged by those before it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MOVING_RANGE_OF_TWO: Final = 1.128  # d_2 of two values: mean range over standard deviation (NIST 6.3.2.2)
FIRST_LIMITS: Final = (0.01, 0.02)
"""Warning and action limit [ln] until ENOUGH readings (common practice, no source)."""
ENOUGH: Final = 8  # readings; our choice
LEAST_SD: Final = 0.001  # ln: no car repeats better than 0.1 %; our choice
WARNING_SDS: Final = 2.0
ACTION_SDS: Final = 3.0


@dataclass(frozen=True, slots=True)
class CheckReading:
    """A reading against those before it [ln]: deviation from their mean, the two limits, 'first', 'inside', 'warning' or
    'outside'. The first reading of a stretch has nothing to be held against."""

    at: float
    deviation: float
    warning: float
    action: float
    state: str


def check_readings(
    at: ArrayLike, value: ArrayLike, events: tuple[float, ...] = ()
) -> tuple[CheckReading, ...]:
    """Judge the check car's readings in one bay, in order of time.

    Parameters: at [days]; value, ln of the measure at the common standard; events, dates from which the bay's level may be
    another: readings are held against those of the same stretch only.
    """
    when, values = np.asarray(at, dtype=np.float64), np.asarray(value, dtype=np.float64)
    order = np.argsort(when, kind="stable")
    when, values = when[order], values[order]
    stretch = np.searchsorted(np.asarray(events, dtype=np.float64), when, side="right")
    return tuple(
        _judged(float(when[i]), float(values[i]), values[:i][stretch[:i] == stretch[i]])
        for i in range(len(when))
    )


def _judged(at: float, value: float, earlier: Floats) -> CheckReading:
    """A reading against the earlier ones of its stretch."""
    warning, action = limits(earlier)
    if not earlier.size:
        return CheckReading(at, 0.0, warning, action, "first")
    deviation = value - float(earlier.mean())
    outside, warned = abs(deviation) > action, abs(deviation) > warning
    return CheckReading(
        at, deviation, warning, action, "outside" if outside else "warning" if warned else "inside"
    )


def limits(readings: Floats) -> tuple[float, float]:
    """Warning and action limit of the next reading's deviation from the mean of these [ln]."""
    if len(readings) < ENOUGH:
        return FIRST_LIMITS
    sd = max(LEAST_SD, moving_range_sd(readings))
    return WARNING_SDS * sd, ACTION_SDS * sd


def moving_range_sd(values: ArrayLike) -> float:
    """Standard deviation by the mean difference of neighbouring values [unit of the values]."""
    return float(np.abs(np.diff(np.asarray(values, dtype=np.float64))).mean()) / MOVING_RANGE_OF_TWO
