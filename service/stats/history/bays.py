"""Bays: unrecorded steps of their level, and drift.

A step at date t in a bay is one more column d of the model, 1 for the bay's setups after t, 0 before and elsewhere. With
P = V^-1 - V^-1 X C X' V^-1 (what is left of the precision once all other terms are fitted, bays' levels and cars included)
the size that the whole model would give that column, and its error, are exactly

    size = d'Py / d'Pd        variance = 1 / d'Pd        z = d'Py / sqrt(d'Pd)

so no column has to be added to find it. The scan takes the bay and date with the largest |z| and, while that is over ALARM,
puts the step in: one step of elimination turns the scores and information of all other columns into those beside it. All
bays are scanned together, because a bay that steps makes the others, by the cars they share, look as if they had. Then each
step is moved to its best date beside the others, or dropped, until none moves. Sizes are those of all steps in the model at
once. (A scan of residuals finds sizes a fifth too small: cars' levels have taken up part of the step.) Drift is the column
of years in the bay, in the same way.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.sparse import csr_array

from service.domain.history import Bools, Floats, Ints

ALARM: Final = 3.2
"""Standard errors from which the largest of all dates is called a step: under 5 of 100 bays without one reach it (3.14 where
it may lie anywhere but in the outer twentieths: Andrews 1993, Econometrica 61:821, from memory)."""
FEWEST_CARS: Final = 3
"""Cars on either side of a date that may be one of a step (our choice)."""
MOST_DATES: Final = 60
"""Dates tried in a bay, evenly along its strap-downs (our choice)."""
MOST_COLUMNS: Final = 240
"""Columns tried together; where more bays look as if they had stepped each keeps fewer dates (our choice)."""
MOST_STEPS: Final = 20
"""Steps looked for in all (our choice)."""
ROUNDS: Final = 10
DAYS_A_YEAR: Final = 365.25
LEAST_INFORMATION: Final = 1e-6
"""Share of a column's information below which it says nothing that those put in do not."""


@dataclass(frozen=True, slots=True)
class Step:
    """A bay's level stepped between two strap-downs: `at`, midway [days since 1970-01-01]; size [ln], its standard error."""

    bay_id: int
    at: float
    size: float
    error: float

    @property
    def z(self) -> float:
        """Size in standard errors."""
        return self.size / self.error


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its variance."""

    mean: float
    variance: float

    @property
    def error(self) -> float:
        """Standard error."""
        return float(np.sqrt(self.variance))


def step_dates(at: Floats, vehicle_id: Ints) -> Floats:
    """Dates at which a bay's level may have stepped: midway between strap-downs, FEWEST_CARS cars on either side.

    Parameters: at, start of the strap-down of each of the bay's setups [days]; vehicle_id, their cars.
    """
    days = np.unique(at)
    if len(days) < 2:
        return np.empty(0)
    middles = (days[1:] + days[:-1]) / 2.0
    first, last = _first_and_last(at, vehicle_id)
    before = np.searchsorted(np.sort(first), middles)
    after = len(last) - np.searchsorted(np.sort(last), middles)
    possible = middles[(before >= FEWEST_CARS) & (after >= FEWEST_CARS)]
    return _thinned(possible, MOST_DATES)


def _thinned(dates: Floats, most: int) -> Floats:
    """At most so many of the dates, evenly along them."""
    if len(dates) <= most:
        return dates
    return np.asarray(dates[np.linspace(0, len(dates) - 1, max(most, 1)).round().astype(np.int64)])


def _first_and_last(at: Floats, vehicle_id: Ints) -> tuple[Floats, Floats]:
    """Each car's first and last strap-down."""
    cars, place = np.unique(vehicle_id, return_inverse=True)
    first, last = np.full(len(cars), np.inf), np.full(len(cars), -np.inf)
    np.minimum.at(first, place, at)
    np.maximum.at(last, place, at)
    return first, last


def drift_columns(at: Floats, bay_id: Ints, bays: Sequence[int]) -> csr_array:
    """A column of drift for each of these bays [n, k]: years from the middle of the bay's setups, 0 elsewhere."""
    place, own = _places(bay_id, bays)
    rows, column = np.flatnonzero(own), place[own]
    count = np.maximum(np.bincount(column, minlength=len(bays)), 1)
    middle = np.bincount(column, weights=at[rows], minlength=len(bays)) / count
    years = (at[rows] - middle[column]) / DAYS_A_YEAR
    return csr_array((years, (rows, column)), shape=(len(at), len(bays)))


def _places(bay_id: Ints, bays: Sequence[int]) -> tuple[Ints, Bools]:
    """The place of each row's bay among these, and whether it is one of them."""
    order = np.argsort(bays)
    ordered = np.asarray(bays, dtype=np.int64)[order]
    at = np.minimum(np.searchsorted(ordered, bay_id), max(0, len(ordered) - 1))
    if not len(ordered):
        return np.zeros(len(bay_id), dtype=np.int64), np.zeros(len(bay_id), dtype=np.bool_)
    return order[at], np.asarray(ordered[at] == bay_id)


Against = Callable[[csr_array, Ints], tuple[Floats, list[Floats]]]
"""From columns D [n, k] over the rows of the history, in groups from one of the starts [g + 1] to the next, to their score
D'Py [k] and each group's information D'PD."""
Tried = list[tuple[int, Floats]]
"""Bays and the dates that are tried in each, ascending."""


def find_steps(at: Floats, bay_id: Ints, vehicle_id: Ints, against: Against) -> tuple[Step, ...]:
    """The steps of all bays, by bay and date.

    Parameters: at, start of each row's strap-down [days]; bay_id and vehicle_id of each row; against, the solved model.
    """
    own = {bay: bay_id == bay for bay in np.unique(bay_id).tolist()}
    every = [(bay, step_dates(at[rows], vehicle_id[rows])) for bay, rows in own.items()]
    possible = [(bay, dates) for bay, dates in every if len(dates)]
    found = steps_against(at, bay_id, possible, against)
    tried = [one for one, said in zip(possible, found, strict=True) if _alarms(*said)]
    if not tried:
        return ()
    tried = [(bay, _thinned(dates, MOST_COLUMNS // len(tried))) for bay, dates in tried]
    ((score, information),) = steps_against(at, bay_id, tried, against, together=True)
    bays = np.concatenate([np.full(len(dates), bay) for bay, dates in tried])
    return steps(bays, np.concatenate([dates for _, dates in tried]), score, information)


def steps_against(
    at: Floats, bay_id: Ints, tried: Tried, against: Against, together: bool = False
) -> list[tuple[Floats, Floats]]:
    """Score D'Py [k] and information D'PD [k, k] of the steps at these dates: of each bay by itself, or of all together.

    A step's column is the sum of those of the stretches after its date, of which each row is in one at most. Summed by
    stretch the rows are gone through once, however many dates there are.
    """
    starts = np.cumsum([0, *(len(dates) for _, dates in tried)])
    asked = starts[[0, -1]] if together else starts
    score, information = against(stretch_columns(at, bay_id, tried), asked)
    found = []
    for first, last, pieces in zip(asked[:-1], asked[1:], information, strict=True):
        runs = starts[(starts >= first) & (starts <= last)] - first
        found.append((_after(score[first:last], runs), _after(_after(pieces, runs).T, runs)))
    return found


def stretch_columns(at: Floats, bay_id: Ints, tried: Tried) -> csr_array:
    """For each date a column [n, k], 1 for the bay's rows after it and not after the next."""
    column = np.full(len(at), -1, dtype=np.int64)
    first = 0
    for bay, dates in tried:
        rows = np.flatnonzero(bay_id == bay)
        passed = np.searchsorted(dates, at[rows])
        column[rows] = np.where(passed > 0, first + passed - 1, -1)
        first += len(dates)
    rows = np.flatnonzero(column >= 0)
    return csr_array((np.ones(len(rows)), (rows, column[rows])), shape=(len(at), first))


def _after(values: Floats, runs: Ints) -> Floats:
    """Sums of values along their first axis from each entry to the end of its run."""
    pieces = [values[a:b][::-1].cumsum(axis=0)[::-1] for a, b in pairwise(runs.tolist())]
    return np.concatenate(pieces)


def _alarms(score: Floats, information: Floats) -> bool:
    return bool(np.abs(_scores_beside(score, information, [])).max() > ALARM)


def steps(bays: Ints, dates: Floats, score: Floats, information: Floats) -> tuple[Step, ...]:
    """The steps among columns that were tried together, by bay and date; none where no column reaches ALARM.

    Parameters: bays and dates of the columns [k]; score D'Py [k] and information D'PD [k, k].
    """
    found: list[int] = []
    while len(found) < min(MOST_STEPS, len(dates)):
        z = _scores_beside(score, information, found)
        furthest = int(np.abs(z).argmax())
        if abs(z[furthest]) <= ALARM:
            break
        found = _settled([*found, furthest], bays, score, information)
    covariance = np.linalg.inv(information[np.ix_(found, found)]) if found else np.empty((0, 0))
    sizes, errors = covariance @ score[found], np.sqrt(covariance.diagonal())
    rows = zip(bays[found].tolist(), dates[found].tolist(), sizes.tolist(), errors.tolist(), strict=True)
    return tuple(sorted((Step(*row) for row in rows), key=lambda one: (one.bay_id, one.at)))


def _settled(found: list[int], bays: Ints, score: Floats, information: Floats) -> list[int]:
    """Found columns, each at the best date of its bay beside the others, those that no longer alarm left out."""
    for _ in range(ROUNDS):
        before = list(found)
        for column in before:
            others = [each for each in found if each != column]
            z = np.where(bays == bays[column], _scores_beside(score, information, others), 0.0)
            best = int(np.abs(z).argmax())
            found = [*others, best] if abs(z[best]) > ALARM else others
        if sorted(found) == sorted(before):
            break
    return found


def _scores_beside(score: Floats, information: Floats, found: list[int]) -> Floats:
    """z of every column were it put in beside those found; 0 where it would say nothing that they do not."""
    left, known = score, information.diagonal()
    if found:
        share = np.linalg.solve(information[np.ix_(found, found)], information[found])
        left = score - share.T @ score[found]
        known = known - np.einsum("ij,ij->j", information[found], share)
    says = known > LEAST_INFORMATION * information.diagonal()
    return np.divide(left, np.sqrt(np.maximum(known, 0.0)), out=np.zeros(len(score)), where=says)


def estimate(score: float, information: float) -> Estimate | None:
    """What one more column of the model would be given: of one of `drift_columns`, the drift [ln / year]; None: cannot be known."""
    return Estimate(score / information, 1.0 / information) if information > 0.0 else None
