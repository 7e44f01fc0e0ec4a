"""Is it the car or the bay today: all cars of one bay's day against what every other day lets expect of them.

Of each car of the day one more column d of the model, 1 for its setups of that day there: all of them put in together leave
the whole day out of what is expected, the car's own other visits and its platform's other cars in. With the columns D of a
day, P as in bays.py,

    deviations = (D'PD)^-1 D'Py        covariance = (D'PD)^-1

so a car seen before is held against its own history and tells more than one never seen. The day is their median: one odd
car does not move it. The median of n cars has its own error; a day is called off beyond DAY_ERRORS of it.

A median's variance over that of one value: of normal values, integrated numerically (David & Nagaraja, Order Statistics,
2003, give the density), above LARGEST_TABLED pi / 2 / (n + pi / 2 - 1), whose error there is within 4 % (our choice).
Where cars are known unequally well it stands on the harmonic mean of their errors: a median goes by the density at its place.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import csr_array

from service.domain.history import Bools, Floats, Ints

DAY_ERRORS: Final = 2.6
"""Errors of its median beyond which a day is off: an ordinary day in 100 is (normal law, two-sided)."""
CALLED_OFF: Final = 0.01
"""Share of ordinary days that are called off: 2 (1 - Phi(2.6)) = 0.0093, said as this."""
FEWEST_CARS: Final = 3
"""Cars from which a median can be told from one odd car (common practice, no source)."""
VAGUE: Final = 0.10
"""A car of which no more is known than this [ln] says nothing of a day (our choice)."""
WEAK_PRIOR: Final = 1.0
"""Standard deviation [ln] of a day's deviation before anything is known: what cannot be known keeps it, and is left out."""
LARGEST_TABLED: Final = 20

# fmt: off
_MEDIAN_VARIANCE: Final = (
    1.0, 0.5, 0.4486711, 0.2981996, 0.2868337, 0.2147427, 0.2104469, 0.1681809, 0.1661013, 0.1383264,
    0.1371624, 0.1175162, 0.1167990, 0.1021678, 0.1016947, 0.0903752, 0.0900466, 0.0810285, 0.0807910, 0.0734370,
)
# fmt: on


@dataclass(frozen=True, slots=True)
class CarOfDay:
    """A car on one day in one bay [ln]: deviation from what is expected of it without that day, and its error."""

    vehicle_id: int
    deviation: float
    error: float
    seen_before: bool


@dataclass(frozen=True, slots=True)
class BayDay:
    """A bay's day [ln]: the median of its cars and the limit that so many cars allow; both None where there are none."""

    day: int
    median: float | None
    limit: float | None
    cars: tuple[CarOfDay, ...]

    @property
    def state(self) -> str:
        """'inside', 'outside', or 'too-few' cars to tell the bay from a car."""
        if self.median is None or self.limit is None or len(self.cars) < FEWEST_CARS:
            return "too-few"
        return "outside" if abs(self.median) > self.limit else "inside"


def days_of(at: Floats) -> Ints:
    """The day of each time, in UTC [days since 1970-01-01]."""
    return np.floor(at).astype(np.int64)


def car_columns(vehicle_id: Ints, days: Sequence[Ints]) -> tuple[list[Ints], csr_array]:
    """The cars of each day, whose rows are given, and a column for each of them, day after day [n, k], 1 for its rows of
    that day."""
    cars, rows, columns, first = [], [np.empty(0, dtype=np.int64)], [np.empty(0, dtype=np.int64)], 0
    for on_day in days:
        own, place = np.unique(vehicle_id[on_day], return_inverse=True)
        cars.append(own)
        rows.append(on_day)
        columns.append(first + place)
        first += len(own)
    row, column = np.concatenate(rows), np.concatenate(columns)
    return cars, csr_array((np.ones(len(row)), (row, column)), shape=(len(vehicle_id), first))


def estimated(score: Floats, information: Floats) -> tuple[Floats, Floats]:
    """Deviations of a day's cars and their covariance, each beside the others [ln].

    Parameters: score D'Py [k] and information D'PD [k, k] of their columns.
    """
    covariance = np.linalg.inv(information + np.eye(len(score)) / WEAK_PRIOR**2)
    return np.asarray(covariance @ score), np.asarray(covariance, dtype=np.float64)


def bay_day(day: int, vehicles: Ints, deviation: Floats, covariance: Floats, seen: Bools) -> BayDay:
    """One day of a bay.

    Parameters: day [days since 1970-01-01]; vehicles, their deviations [ln], covariance and whether they were seen on an
    earlier day. A car known no better than VAGUE is left out.
    """
    known = np.flatnonzero(np.sqrt(covariance.diagonal()) < VAGUE)
    cars = tuple(
        CarOfDay(int(vehicles[i]), float(deviation[i]), float(math.sqrt(covariance[i, i])), bool(seen[i]))
        for i in known
    )
    if not cars:
        return BayDay(day, None, None, ())
    error = median_error(covariance[np.ix_(known, known)])
    return BayDay(day, float(np.median(deviation[known])), DAY_ERRORS * error, cars)


def median_error(covariance: Floats) -> float:
    """Standard error of the median of values of this covariance [their unit]: what they share is in it whole."""
    n = len(covariance)
    shared = 0.0
    if n > 1:
        shared = max(0.0, float((covariance.sum() - covariance.trace()) / (n * (n - 1))))
    own = np.sqrt(np.maximum(covariance.diagonal() - shared, 0.0))
    if not own.all():
        return math.sqrt(shared)
    typical = n / float((1.0 / own).sum())
    return math.sqrt(shared + typical**2 * median_variance(n))


def median_variance(n: int) -> float:
    """Variance of the median of n equal normal values over that of one."""
    if n < 1:
        raise ValueError(f"n: {n} values have no median; give 1 or more")
    if n <= LARGEST_TABLED:
        return _MEDIAN_VARIANCE[n - 1]
    return math.pi / 2.0 / (n + math.pi / 2.0 - 1.0)
