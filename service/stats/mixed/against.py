"""What the rows say of columns that the model does not have, without putting them in.

Of columns D, with P of rows.py: the score D'Py and the information D'PD. Added to the model without a prior they would be
estimated by information^-1 score, with covariance information^-1. In the absorbed form of solve.py, with K^-1 D of each group,

    D'PD = (K^-1 D)'(K^-1 D) - H'H - T'T        H = L^-1 s W_l'K^-1 D        T = L_S^-1 s sum(W_s'K^-1 D - Y'H)

so it comes from sums over the rows: D stays as sparse as it is, and what a row costs does not depend on how many columns
there are.
"""

from itertools import pairwise

import numpy as np
from scipy.sparse import coo_array, csr_array

from service.stats.mixed.block import Floats, Ints
from service.stats.mixed.rows import weighted_residuals
from service.stats.mixed.solve import Reduced, Solution, forward


def against(solution: Solution, columns: csr_array, starts: Ints) -> tuple[Floats, list[Floats]]:
    """Score [k] and information of columns, for the solution's first right side.

    columns [n, k] over the rows of all blocks, one after the other; starts [g + 1]: columns starts[i] to starts[i + 1]
    are asked about together, and get one matrix of information.
    """
    score, found = np.zeros(columns.shape[1]), _Found(starts)
    shared = np.zeros((len(solution.border_sd), columns.shape[1]))
    first = 0
    for i, part in enumerate(solution.reduced):
        own = columns[first : first + len(part.block.noise)]
        first += len(part.block.noise)
        used, place = np.unique(own.indices, return_inverse=True)
        if len(used):
            own = csr_array((own.data, place, own.indptr), shape=(own.shape[0], len(used)))
            score[used] += own.T @ weighted_residuals(solution, i)[:, 0]
            _absorb(part, own, used, found, shared)
    found.take_out(
        forward(solution.border_chol, solution.border_sd[:, np.newaxis] * shared), np.arange(len(score))
    )
    return score, found.groups


def _absorb(part: Reduced, own: csr_array, used: Ints, found: "_Found", shared: Floats) -> None:
    """Add what a block's rows say of its columns `own` [n, u], which are `used` [u] of all."""
    whitened = part.block.packing.matrix(part.inverse_factors) @ own
    met = (whitened.T @ part.whitened).toarray().T
    local = len(part.sd)
    taken = forward(part.chol, part.sd[:, np.newaxis] * met[:local])
    shared[np.ix_(part.block.border, used)] += met[local:] - part.coupling.T @ taken
    found.add((whitened.T @ whitened).tocoo(), used)
    found.take_out(taken, used)


class _Found:
    """The groups' matrices of information, which lie side by side in one flat array."""

    def __init__(self, starts: Ints) -> None:
        sizes = np.diff(starts)
        self._group = np.repeat(np.arange(len(sizes)), sizes)
        self._place = np.arange(len(self._group)) - starts[self._group]
        self._width, ends = sizes[self._group], np.cumsum([0, *sizes**2])
        self._row = ends[self._group] + self._place * self._width
        self._flat = np.zeros(ends[-1])
        pieces = pairwise(ends.tolist())
        self.groups = [
            self._flat[a:b].reshape(k, k) for (a, b), k in zip(pieces, sizes.tolist(), strict=True)
        ]

    def add(self, every: coo_array, used: Ints) -> None:
        """Add products of two columns each, those of one group."""
        row, column = used[every.row], used[every.col]
        alike = np.flatnonzero(self._group[row] == self._group[column])
        self._flat[self._row[row[alike]] + self._place[column[alike]]] += every.data[alike]

    def take_out(self, taken: Floats, used: Ints) -> None:
        """Subtract the products of `taken`'s columns [m, u], which are `used` [u] of all, ascending."""
        groups, first = np.unique(self._group[used], return_index=True)
        for group, (a, b) in zip(groups.tolist(), pairwise([*first.tolist(), len(used)]), strict=True):
            at = self._place[used[a:b]]
            self.groups[group][np.ix_(at, at)] -= taken[:, a:b].T @ taken[:, a:b]
