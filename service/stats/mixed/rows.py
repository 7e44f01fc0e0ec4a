"""What the solution says inside groups: the rows of V^-1 (y - X u), and the blocks of P by group.

P = V^-1 - V^-1 X C X'V^-1 gives y'Py of the restricted likelihood and P y = V^-1 (y - X u). A random term z of
a group, variance t, is any part of V: V = ... + t z z'. Then its predictor is t z'Py, with error variance t -
t^2 z'P z (Henderson 1975; Robinson 1991; from memory). Freed of its prior it is estimated by z'Py / z'P z, with
variance 1 / z'P z, of which t is the term's own spread and the rest error: outliers are tested by that
(deletion residuals; Cook & Weisberg 1982, from memory).

Only blocks of P by group are made. With K^-1 and W of `solve`, C = F F' of the columns that meet the block, P_g
= K^-1' (I - T_g T_g') K^-1, T = W F, and in scaled columns
F = [[L^-T, -L^-T Y s H], [0, H]], H H' the block's part of the border's error covariance.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import solve_triangular
from scipy.sparse import csr_array

from service.stats.mixed.block import Floats, Ints
from service.stats.mixed.solve import Reduced, Solution

CHUNK_ENTRIES: Final = 1 << 20  # of T made at once, 8 MiB; bounds memory, our choice


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """One block's rows: py, [n, r]: P y; packed, [E]: the groups' blocks of P (`Block.packing`); shrunk, [l + b]: error
    variance of each scaled column over its prior's, local then border as the block uses it."""

    reduced: Reduced
    py: Floats
    packed: Floats
    shrunk: Floats

    @property
    def p(self) -> csr_array:
        """The groups' blocks of P [n, n]."""
        return self.reduced.block.packing.matrix(self.packed)

    def forms(self, terms: csr_array) -> Floats:
        """z'Pz of the columns z of terms [n, m], each inside one group: the information on it alone [m]."""
        return np.asarray((self.p @ terms).multiply(terms).sum(axis=0), dtype=np.float64).reshape(-1)

    def predict(self, terms: csr_array, variance: Floats | float) -> tuple[Floats, Floats]:
        """Predictors [m, r] and error variances [m] of terms [n, m] whose prior variances [m] are part of V."""
        prior = np.broadcast_to(np.asarray(variance, dtype=np.float64), terms.shape[1:])
        predictor = prior[:, np.newaxis] * (terms.T @ self.py)
        return predictor, prior - prior**2 * self.forms(terms)


def rows(solution: Solution, i: int) -> Rows:
    """The rows of block i."""
    part = solution.reduced[i]
    block = part.block
    root = _error_root(solution, part)
    projected, spread = np.empty(len(block.packing.indices)), _spread(solution, part, root)
    for group_rows, where in block.packing.batches:
        _project(part, spread, group_rows, projected[where], part.inverse_factors[where])
    return Rows(
        reduced=part,
        py=weighted_residuals(solution, i),
        packed=projected,
        shrunk=(root**2).sum(axis=1),
    )


def information(solution: Solution, i: int, terms: csr_array) -> Floats:
    """z'Pz of the columns z of terms [n, m] over block i's rows [m]: `Rows.forms` without making the groups' blocks of P."""
    part = solution.reduced[i]
    spread = _spread(solution, part, _error_root(solution, part))
    whitened = part.block.packing.matrix(part.inverse_factors) @ terms
    met = csr_array((part.whitened.T @ whitened).T)
    found = np.asarray(whitened.multiply(whitened).sum(axis=0), dtype=np.float64).reshape(-1)
    step = max(1, CHUNK_ENTRIES // (len(spread) + 1))
    for first in range(0, len(found), step):
        some = slice(first, first + step)
        found[some] -= ((met[some] @ spread) ** 2).sum(axis=1)
    return found


def weighted_residuals(solution: Solution, i: int) -> Floats:
    """P y = V^-1 (y - X u) of block i [n, r]."""
    part = solution.reduced[i]
    whitening = part.block.packing.matrix(part.inverse_factors)
    residuals: Floats = whitening.T @ solution.whitened_residuals(i)
    return residuals


def _spread(solution: Solution, part: Reduced, root: Floats) -> Floats:
    """The error root of the block's columns themselves, local then border [l + b, l + b]."""
    sd = np.concatenate((part.sd, solution.border_sd[part.block.border]))
    spread: Floats = sd[:, np.newaxis] * root
    return spread


def _error_root(solution: Solution, part: Reduced) -> Floats:
    """F: a root of the error covariance of the block's scaled columns, local then border [l + b, l + b]."""
    own, border = len(part.sd), part.block.border
    error = solution.border_inverse[np.ix_(border, border)]
    # Taken out first: error sds of columns lie many powers of ten apart
    sd = np.sqrt(np.diagonal(error))[:, np.newaxis]
    shared = sd * np.linalg.cholesky(error / (sd * sd.T))
    root = np.zeros((own + len(border), own + len(border)))
    root[:own, :own] = np.eye(own)
    root[:own, own:] = -part.coupling @ (solution.border_sd[border, np.newaxis] * shared)
    root[:own] = solve_triangular(part.chol, root[:own], lower=True, trans="T", check_finite=False)
    root[own:, own:] = shared
    return root


def _project(part: Reduced, spread: Floats, group_rows: Ints, out: Floats, inverse: Floats) -> None:
    """Write the blocks of P of the groups of one size into `out`, packed; a bounded number of groups at once."""
    groups, size = group_rows.shape
    step = max(1, CHUNK_ENTRIES // (size * len(spread) + 1))
    blocks, inverses = out.reshape(-1, size, size), inverse.reshape(-1, size, size)
    for first in range(0, groups, step):
        some = slice(first, first + step)
        seen = (part.whitened[group_rows[some].reshape(-1)] @ spread).reshape(-1, size, len(spread))
        kept = np.eye(size) - seen @ seen.transpose(0, 2, 1)
        blocks[some] = inverses[some].transpose(0, 2, 1) @ kept @ inverses[some]
