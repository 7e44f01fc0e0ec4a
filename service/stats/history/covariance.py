"""What rows of one car have in common: the covariance patterns of a platform's block.

Written entry by entry over the pairs of rows of each car: products of sparse matrices would take most of the time that
one changed car costs.
"""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from service.stats.history.fitted import SPREAD_NAMES
from service.stats.mixed.block import FIXED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

PATTERN_THETA: Final[Ints] = np.array(
    [*map(SPREAD_NAMES.index, ("setup", "session", "car", "car_gain", "car_floor")), FIXED], dtype=np.int64
)
"""Variances of a block's patterns; the last is what nobody recorded."""


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Every two rows of one car, a row with itself too: `row` and `column` [e], by row."""

    row: Ints
    column: Ints
    rows: int

    @classmethod
    def of(cls, car: Ints) -> Self:
        """The pairs of rows whose cars [n] are the same; cars are 0, 1, 2, ... and ascending."""
        setups = np.bincount(car)
        first, width = (np.cumsum(setups) - setups)[car], setups[car]
        row = np.repeat(np.arange(len(car)), width)
        before = np.cumsum(width) - width
        return cls(row, np.arange(len(row)) - (before - first)[row], len(car))

    def same(self, label: Ints) -> Bools:
        """Whether both rows of a pair have the same label."""
        same: Bools = label[self.row] == label[self.column]
        return same

    def both(self, which: Bools) -> Bools:
        """Whether both rows of a pair are of these."""
        both: Bools = which[self.row] & which[self.column]
        return both

    def pattern(self, value: Floats | Bools) -> csr_array:
        """The covariance [n, n] that has these values [e]."""
        kept = np.flatnonzero(value)
        starts = np.concatenate(([0], np.cumsum(np.bincount(self.row[kept], minlength=self.rows))))
        entries = (value[kept].astype(np.float64), self.column[kept], starts)
        return csr_array(entries, shape=(self.rows, self.rows))


def diagonal(variance: Floats) -> csr_array:
    """What each row has of its own."""
    rows = len(variance)
    return csr_array((variance, np.arange(rows), np.arange(rows + 1)), shape=(rows, rows))


def shared_by(row: Ints, member: Ints, variance: Floats, rows: int) -> csr_array:
    """Covariance of rows that share unknowns of these variances: one entry for each row and unknown, by row."""
    starts = np.concatenate(([0], np.cumsum(np.bincount(row, minlength=rows))))
    shape = (rows, len(variance))
    has = csr_array((np.ones(len(member)), member, starts), shape=shape)
    return csr_array((variance[member], member, starts), shape=shape) @ has.T
