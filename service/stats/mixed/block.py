"""What the mixed model is asked to solve: blocks of rows that only a shared border of columns ties together.

Words: row, one observation; group, rows that share unknowns of their own (a car); block, groups that share columns of
their own (a platform); border, the columns shared by all blocks; pattern, a covariance inside groups, known up to its
variance; theta, the variances, one vector for the whole model.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, hstack

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FLAT: Final = -1
"""In `Prior.theta`: nothing is known of the column before the data (a fixed effect)."""
FIXED: Final = -2
"""In `Prior.theta` and `Block.pattern_theta`: a variance that is not estimated."""


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Prior variances of columns [y's unit, squared, over the column's, squared].

    theta, shape [p]: which of theta the variance is a multiple of, or FLAT, or FIXED. scale, shape [p]: the variance is
    theta[index] * scale, or scale itself where FIXED; not read where FLAT. A variance may be 0.
    """

    theta: Ints
    scale: Floats

    def __len__(self) -> int:
        return len(self.theta)

    @property
    def flat(self) -> Bools:
        """Which columns have no prior."""
        flat: Bools = self.theta == FLAT
        return flat

    def sd(self, theta: Floats) -> Floats:
        """Prior standard deviations; 1 where flat."""
        estimated = self.theta >= 0
        variance = np.where(self.flat, 1.0, self.scale)
        variance[estimated] *= theta[self.theta[estimated]]
        return np.sqrt(variance)

    def over_theta(self, values: Floats, theta: Floats) -> Floats:
        """Values of columns [p] over their theta, each where its theta is [p, t]; 0 where none is estimated."""
        spread, estimated = np.zeros((len(self), len(theta))), np.flatnonzero(self.theta >= 0)
        at = self.theta[estimated]
        spread[estimated, at] = values[estimated] / theta[at]
        return spread


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One platform: y = x_local u_local + x_border u_border + e, e independent between groups.

    Inside a group e has covariance diag(noise) + sum of theta[pattern_theta[q]] * patterns[q] (a factor 1 where FIXED).
    x_local, [n, l]; x_border, [n, b]: the columns `border` [b] of the shared border, ascending; group_start, [g + 1]:
    rows are sorted by group, group k has rows group_start[k] to group_start[k + 1], none is empty; noise, [n]: known
    variances; patterns, [n, n] each: symmetric, 0 between groups, weights and scales already inside, each alone may
    be indefinite (a covariance); y, [n, r]: right sides, no NaN; prior_local, of l columns. x: both kinds of columns.
    """

    x_local: csr_array
    x_border: csr_array
    border: Ints
    group_start: Ints
    noise: Floats
    patterns: tuple[csr_array, ...]
    pattern_theta: Ints
    y: Floats
    prior_local: Prior
    x: csr_array = field(init=False, repr=False)
    packing: "Packing" = field(init=False, repr=False)
    packed_patterns: csr_array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        rows = len(self.noise)
        shapes = (self.x_local.shape, self.x_border.shape, self.y.shape[:1], (int(self.group_start[-1]),))
        wanted = ((rows, len(self.prior_local)), (rows, len(self.border)), (rows,), (rows,))
        if shapes != wanted or len(self.patterns) != len(self.pattern_theta):
            raise ValueError(
                f"block: x_local, x_border, y, groups have shapes {shapes}, must have {wanted}; "
                f"{len(self.patterns)} patterns have {len(self.pattern_theta)} variances"
            )
        if not (np.isfinite(self.y).all() and (self.noise >= 0.0).all() and np.isfinite(self.noise).all()):
            raise ValueError("block: y must be finite, and noise finite and 0 or more; leave such rows out")
        packing = pack(self.group_start)
        object.__setattr__(self, "x", hstack([self.x_local, self.x_border], format="csr"))
        object.__setattr__(self, "packing", packing)
        object.__setattr__(self, "packed_patterns", packing.pack(self.patterns))

    def covariance(self, theta: Floats) -> Floats:
        """The packed covariances of all groups."""
        packed: Floats = self.packed_patterns.T @ self.pattern_factors(theta)
        packed[self.packing.diagonal] += self.noise
        return packed

    def pattern_factors(self, theta: Floats) -> Floats:
        """What each pattern is multiplied by."""
        factors = np.ones(len(self.pattern_theta))
        estimated = self.pattern_theta >= 0
        factors[estimated] = theta[self.pattern_theta[estimated]]
        return factors


@dataclass(frozen=True, slots=True, eq=False)
class Packing:
    """Where the square matrix of each group lies in one flat array of length E, groups of one size side by side.

    offset, size, start, [g]: of each group in the flat array, its rows, its first row; group, [n]: of each row;
    diagonal, [n]: where the diagonal lies; batches: rows [g_k, k] and the slice of the g_k groups of one size k;
    indptr [n + 1], indices [E], gather [E]: the same entries as a block-diagonal matrix by rows.
    """

    offset: Ints
    size: Ints
    start: Ints
    group: Ints
    diagonal: Ints
    batches: tuple[tuple[Ints, slice], ...]
    indptr: Ints
    indices: Ints
    gather: Ints

    def pack(self, patterns: tuple[csr_array, ...]) -> csr_array:
        """Matrices [n, n] with nothing between groups as rows of one matrix [q, E]."""
        row = _joined([np.repeat(np.arange(len(self.group)), np.diff(one.indptr)) for one in patterns])
        column = _joined([one.indices for one in patterns])
        if (self.group[row] != self.group[column]).any():
            raise ValueError("patterns: an entry lies between two groups; leave it out or join the groups")
        data = np.concatenate([np.empty(0), *(one.data for one in patterns)])
        starts = np.cumsum([0, *(len(one.data) for one in patterns)])
        return csr_array((data, self.position(row, column), starts), shape=(len(patterns), len(self.indices)))

    def apart(self, had: Bools) -> Ints:
        """Where the entries lie that meet a row which is not had [n]."""
        both = np.repeat(had, np.diff(self.indptr)) & had[self.indices]
        apart: Ints = self.gather[~both]
        return apart

    def position(self, row: Ints, column: Ints) -> Ints:
        """Where the entry of two rows of one group lies."""
        group = self.group[row]
        start = self.start[group]
        where: Ints = self.offset[group] + (row - start) * self.size[group] + (column - start)
        return where

    def matrix(self, packed: Floats) -> csr_array:
        """The block-diagonal matrix [n, n] of packed entries."""
        rows = len(self.group)
        return csr_array((packed[self.gather], self.indices, self.indptr), shape=(rows, rows))


def pack(group_start: Ints) -> Packing:
    """The packing of consecutive groups of rows."""
    start, size = group_start[:-1], np.diff(group_start)
    order = np.argsort(size, kind="stable")
    ends = np.cumsum(size[order] ** 2)
    offset = np.empty_like(size)
    offset[order] = ends - size[order] ** 2
    group = np.repeat(np.arange(len(size)), size)
    width, row = size[group], np.arange(len(group))
    indptr = np.concatenate(([0], np.cumsum(width)))
    along = np.arange(indptr[-1]) - np.repeat(indptr[:-1], width)
    first = offset[group] + (row - start[group]) * width
    return Packing(
        offset=offset,
        size=size,
        start=start,
        group=group,
        diagonal=first + row - start[group],
        batches=tuple(_batch(order[size[order] == k], start, offset, int(k)) for k in np.unique(size)),
        indptr=indptr,
        indices=np.repeat(start[group], width) + along,
        gather=np.repeat(first, width) + along,
    )


def _batch(groups: Ints, start: Ints, offset: Ints, size: int) -> tuple[Ints, slice]:
    first = int(offset[groups[0]])
    return start[groups][:, np.newaxis] + np.arange(size), slice(first, first + len(groups) * size**2)


def _joined(parts: list[Ints]) -> Ints:
    return np.concatenate([part.astype(np.int64) for part in parts]) if parts else np.empty(0, np.int64)
