"""The mixed model's equations, absorbed from the inside out: groups, then each block's columns, then the border.

For y = X u + e, var e = V, prior u ~ N(0, D) (D infinite where flat), Henderson's (1975) equations are (X'V^-1
X + D^-1) u = X'V^-1 y; u is the best linear unbiased predictor and the inverse C of the matrix its error
covariance (Robinson 1991). With u = s b, s the prior sd (1 where flat), they read A b = s X'V^-1 y, A = s
X'V^-1 X s + I (0 for I where flat): nothing is divided by a prior variance, so it may be 0 (the relative factor
of Bates et al. 2015).

V is block-diagonal by group: with V_g = K K', every K^-1 is found at once for groups of a size, W = K^-1 X, w =
K^-1 y, X'V^-1 X = W'W. Columns of a block meet only each other and the border. Per block p:
    L L' = A_ll      Y = L^-1 s W_l'W_s      S_p = W_s'W_s - Y'Y      f = L^-1 s W_l'w
and S = s (sum of S_p) s + I is the border's matrix, with right side s sum(W_s'w - Y'f). A contrast c has
variance |L^-1 s c_l|^2 + |L_S^-1 s (c_s - Y'L^-1 s c_l)|^2, the two columns of its own Cholesky solve.

Restricted likelihood (Patterson & Thompson 1971): -2 l = log|V| + log|A| + y'Py + (n - p) log 2 pi, p flat
columns, y'Py = |w - W u|^2 + |b|^2 over columns with a prior. Blocks add up: one is replaced without touching
the others.

References from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from scipy.linalg import cho_solve
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.sparse import csr_array

from service.stats.mixed.block import Block, Bools, Floats, Prior

CHUNK: Final = 4096  # rows made dense at once; bounds memory, our choice
DETERMINED: Final = 1e-11  # of a flat column's information left beside the columns before it, our choice


class Singular(ValueError):
    """The data do not determine what has no prior, or a covariance is not positive definite."""


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """A block with its groups and its own columns absorbed, at one theta.

    inverse_factors, packed: K^-1 of each group; whitened, [n, l + b]: W; sd, [l]: prior sd of local columns; chol,
    [l, l]: L; coupling, [l, b]: Y; schur, [b, b]: S_p; log_det: log|V| + log|A_ll|; whitened_y [n, r], right_local
    [l, r]: w and f; right_border, [b, r]. rows: how many are not left out; those that are have K^-1 = 0.
    """

    block: Block
    rows: int
    inverse_factors: Floats
    whitened: csr_array
    sd: Floats
    chol: Floats
    coupling: Floats
    schur: Floats
    log_det: float
    whitened_y: Floats
    right_local: Floats
    right_border: Floats

    def with_values(self, y: Floats) -> "Reduced":
        """The same rows with other right sides [n, r], which `block.y` then is not; nothing is factored anew.

        y must be finite; in rows that are left out it does not count.
        """
        whitened_y = self.block.packing.matrix(self.inverse_factors) @ y
        right = self.whitened.T @ whitened_y
        own = len(self.sd)
        right_local = forward(self.chol, self.sd[:, np.newaxis] * right[:own])
        return replace(
            self,
            whitened_y=whitened_y,
            right_local=right_local,
            right_border=right[own:] - self.coupling.T @ right_local,
        )

    def residuals(self, u: Floats) -> Floats:
        """w - W u of the block's columns' u [l + b, r]: [n, r]."""
        residuals: Floats = self.whitened_y - self.whitened @ u
        return residuals


@dataclass(frozen=True, eq=False)
class Solution:
    """Estimates (predictors where there is a prior) and their error covariance.

    border [b, r], local [l, r] each block: u; border_scaled, local_scaled: u over its prior sd (b); border_sd [b],
    border_chol [b, b]: s and L_S; residual_form [r]: y'Py, whose expectation is degrees_of_freedom where the variances
    are right, so their ratio is a residual scale for each right side; log_det: log|V| + log|A|.
    """

    reduced: tuple[Reduced, ...]
    border_prior: Prior
    border_sd: Floats
    border_chol: Floats
    border_scaled: Floats
    local_scaled: tuple[Floats, ...]
    residual_form: Floats
    degrees_of_freedom: int
    log_det: float

    @cached_property
    def border(self) -> Floats:
        """u of the border's columns [b, r]."""
        return self.border_sd[:, np.newaxis] * self.border_scaled

    @cached_property
    def local(self) -> tuple[Floats, ...]:
        """u of each block's own columns [l, r]."""
        pairs = zip(self.reduced, self.local_scaled, strict=True)
        return tuple(part.sd[:, np.newaxis] * scaled for part, scaled in pairs)

    @cached_property
    def border_inverse(self) -> Floats:
        """Error covariance of the border's scaled columns [b, b]."""
        inverse: Floats = cho_solve((self.border_chol, True), np.eye(len(self.border_sd)), check_finite=False)
        return inverse

    @property
    def criterion(self) -> Floats:
        """-2 restricted log-likelihood, for each right side [r]."""
        constant = self.degrees_of_freedom * math.log(2.0 * math.pi)
        return self.residual_form + (self.log_det + constant)

    def mean(self, i: int, c_local: Floats, c_border: Floats) -> Floats:
        """Contrasts of block i's columns [k, l] or [l] and the whole border's [k, b] or [b]: [k, r] or [r]."""
        means: Floats = c_local @ self.local[i] + c_border @ self.border
        return means

    def covariance(self, i: int, c_local: Floats, c_border: Floats) -> Floats:
        """Error covariance [k, k] of such contrasts; the same for all right sides."""
        own, shared = self._halves(i, c_local, c_border)
        covariance: Floats = own.T @ own + shared.T @ shared
        return covariance

    def variance(self, i: int, c_local: Floats, c_border: Floats) -> Floats:
        """The diagonal of `covariance` [k]."""
        own, shared = self._halves(i, c_local, c_border)
        variance: Floats = (own**2).sum(axis=0) + (shared**2).sum(axis=0)
        return variance

    def border_covariance(self, c_border: Floats) -> Floats:
        """Error covariance of contrasts of the border alone [k, k]."""
        half = forward(self.border_chol, (c_border * self.border_sd).T)
        covariance: Floats = half.T @ half
        return covariance

    def _halves(self, i: int, c_local: Floats, c_border: Floats) -> tuple[Floats, Floats]:
        part = self.reduced[i]
        own = forward(part.chol, (c_local * part.sd).T)
        rest = np.array(c_border.T, dtype=np.float64)
        rest[part.block.border] -= part.coupling.T @ own
        return own, forward(self.border_chol, (rest.T * self.border_sd).T)

    def whitened_residuals(self, i: int) -> Floats:
        """K^-1 (y - X u) of block i [n, r]: residuals without the covariance of their groups."""
        part = self.reduced[i]
        return part.residuals(np.concatenate((self.local[i], self.border[part.block.border])))

    def with_values(self, reduced: Sequence[Reduced]) -> "Solution":
        """The same blocks with other right sides (`Reduced.with_values`); nothing is factored anew."""
        return _solved(reduced, self.border_prior, self.border_sd, self.border_chol)


def reduce(block: Block, theta: Floats, had: Bools | None = None, y: Floats | None = None) -> Reduced:
    """Absorb a block's groups and its own columns.

    theta, the variances [y's unit, squared]; had, [n]: rows that are not left out, None for all; y, [n, r]: other right
    sides than the block's. Raises Singular where a column without a prior is not determined by these rows, or where
    the covariance of a group is not positive definite.
    """
    inverse_factors, log_det_v = _inverse_factors(block, theta, had)
    whitened = block.packing.matrix(inverse_factors) @ block.x
    gram, own, sd = _gram(whitened), len(block.prior_local), block.prior_local.sd(theta)
    chol = _factor(sd[:, np.newaxis] * gram[:own, :own] * sd, block.prior_local, "a block")
    coupling = forward(chol, sd[:, np.newaxis] * gram[:own, own:])
    empty = np.empty((0, 0))
    return Reduced(
        block=block,
        rows=len(block.noise) if had is None else int(had.sum()),
        inverse_factors=inverse_factors,
        whitened=whitened,
        sd=sd,
        chol=chol,
        coupling=coupling,
        schur=gram[own:, own:] - coupling.T @ coupling,
        log_det=log_det_v + _log_det(chol),
        whitened_y=empty,
        right_local=empty,
        right_border=empty,
    ).with_values(block.y if y is None else y)


def solve(reduced: Sequence[Reduced], border_prior: Prior, theta: Floats) -> Solution:
    """Put the blocks together at the border and substitute back; Singular as in `reduce`."""
    sd = border_prior.sd(theta)
    schur = np.zeros((len(sd), len(sd)))
    for part in reduced:
        schur[np.ix_(part.block.border, part.block.border)] += part.schur
    chol = _factor(sd[:, np.newaxis] * schur * sd, border_prior, "the border")
    return _solved(reduced, border_prior, sd, chol)


def _solved(reduced: Sequence[Reduced], border_prior: Prior, sd: Floats, chol: Floats) -> Solution:
    right = np.zeros((len(sd), reduced[0].right_local.shape[1]))
    for part in reduced:
        right[part.block.border] += part.right_border
    scaled = _backward(chol, forward(chol, sd[:, np.newaxis] * right))
    border = sd[:, np.newaxis] * scaled
    local_scaled, form = [], (scaled[~border_prior.flat] ** 2).sum(axis=0)
    for part in reduced:
        at_border = border[part.block.border]
        own = _backward(part.chol, part.right_local - part.coupling @ at_border)
        local_scaled.append(own)
        left = part.residuals(np.concatenate((part.sd[:, np.newaxis] * own, at_border)))
        form = form + (left**2).sum(axis=0) + (own[~part.block.prior_local.flat] ** 2).sum(axis=0)
    flat = int(border_prior.flat.sum()) + sum(int(part.block.prior_local.flat.sum()) for part in reduced)
    return Solution(
        reduced=tuple(reduced),
        border_prior=border_prior,
        border_sd=sd,
        border_chol=chol,
        border_scaled=scaled,
        local_scaled=tuple(local_scaled),
        residual_form=form,
        degrees_of_freedom=sum(part.rows for part in reduced) - flat,
        log_det=sum(part.log_det for part in reduced) + _log_det(chol),
    )


def _inverse_factors(block: Block, theta: Floats, had: Bools | None) -> tuple[Floats, float]:
    """K^-1 of every group, packed, and log|V|.

    A row that is left out is cut off with variance 1, which adds nothing to log|V|, and then given K^-1 = 0.
    """
    covariance, inverse = block.covariance(theta), np.empty(len(block.packing.indices))
    if had is not None:
        covariance[block.packing.apart(had)] = 0.0
        covariance[block.packing.diagonal[~had]] = 1.0
    for rows, where in block.packing.batches:
        size = rows.shape[1]
        try:
            factor = np.linalg.cholesky(covariance[where].reshape(-1, size, size))
        except np.linalg.LinAlgError as error:
            raise Singular(
                f"theta: {theta} leaves the covariance of a group of {size} rows not positive definite; "
                "give its rows noise"
            ) from error
        inverse[where] = np.linalg.inv(factor).reshape(-1)
    log_det = -2.0 * float(np.log(inverse[block.packing.diagonal]).sum())
    if had is not None:
        inverse[block.packing.diagonal[~had]] = 0.0
    return inverse, log_det


def _gram(whitened: csr_array) -> Floats:
    rows, columns = whitened.shape
    gram = np.zeros((columns, columns))
    for start in range(0, rows, CHUNK):
        dense = whitened[start : start + CHUNK].toarray()
        gram += dense.T @ dense
    return gram


def _factor(scaled: Floats, prior: Prior, whose: str) -> Floats:
    """L of A, from s M s."""
    scaled[np.diag_indices_from(scaled)] += ~prior.flat
    factor, stopped_at = dpotrf(scaled, lower=1, clean=1)
    kept = np.diagonal(factor) ** 2 > DETERMINED * np.diagonal(scaled)
    lost = [int(stopped_at) - 1] if stopped_at else np.flatnonzero(prior.flat & ~kept).tolist()
    if lost:
        raise Singular(
            f"prior: columns {lost} of {whose} have none, and the data do not determine them beside the columns "
            "before them; give them a prior variance or leave them out"
        )
    return np.asarray(factor)


def _log_det(chol: Floats) -> float:
    return 2.0 * float(np.log(np.diagonal(chol)).sum())


def forward(chol: Floats, right: Floats) -> Floats:
    """L^-1 right."""
    return _substituted(chol, right, 0)


def _backward(chol: Floats, right: Floats) -> Floats:
    return _substituted(chol, right, 1)


def _substituted(chol: Floats, right: Floats, transposed: int) -> Floats:
    """L^-1 right, or L'^-1 right; LAPACK itself, as scipy's wrapper takes longer than a small system."""
    if not right.size:
        return right.copy()
    solved: Floats = dtrtrs(chol, right, lower=1, trans=transposed)[0]
    return solved.reshape(right.shape)
