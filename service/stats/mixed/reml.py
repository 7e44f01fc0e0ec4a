"""Variances by restricted maximum likelihood (Patterson & Thompson 1971), with exact gradient and average information.

With P and u of `rows` and `solve`, V_all = V + X D X' over columns with a prior, V_q = d V_all / d theta_q
(Harville 1977):
    d(-2 l)/d theta_q = tr(P V_q) - (Py)' V_q (Py)
Where theta_q is the variance of a pattern K inside groups, both terms need P and Py of pairs of rows in one
group only: the sum over the entries of K of K (P - Py Py'). Where it is the prior of columns j, z_j'Py = b_j /
s_j and z_j'P z_j = (1 - C_jj) / s_j^2 in scaled columns (s_j^2 = theta_q scale_j, C the error covariance of b),
so the sum is (1 - C_jj - b_j^2) / theta_q. The curvature is taken as (V_q Py)' P (V_r Py), the mean of observed
and expected information (Gilmour, Thompson & Cullis 1995): one more solve, with the V_q Py for right sides;
never negative.

Standard deviations are sought in logs by damped Newton steps (Levenberg 1944, Marquardt 1963): no bound is in
the way, and one that is 0 runs to its floor, where the likelihood no longer changes. By log sd x the curvature has
another term, 2 dL/dx, which is added where it is positive: where a variance shrinks, steps would be too long without it. A weak normal prior on a
log sd, where given, adds ((x - centre) / sd)^2: a small shop cannot lose a spread that shops are known to have
(cf. Chung et al. 2013).

References from memory.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.stats.mixed.block import Block, Floats, Prior
from service.stats.mixed.rows import Rows, rows, weighted_residuals
from service.stats.mixed.solve import Singular, Solution, reduce, solve

GRADIENT: Final = 1e-6  # slope of -2 log-likelihood by log sds at which the search ends, our choice
MOST_STEPS: Final = 200  # published examples need 5 to 25
LONGEST_STEP: Final = 3.0  # of any log sd, our choice: a factor of 20
DAMPING: Final = 1.0  # of the curvature at first, our choice: one observation of a log sd adds 2
EASED, TIGHTENED = 0.1, 10.0  # what the damping is multiplied by after a good step and a bad one, our choice
MOST_DAMPING: Final = 1e12
ROUNDING: Final = 1e-11  # of the criterion, relative: below it a smaller slope decides which place is better
NEGLIGIBLE: Final = 0.05  # an sd that fell below this share of its start is tried at its floor, our choice
FLOOR: Final = 1e-7  # an sd this small, relative to where its search began, is 0: our choice

Map = Callable[[Floats], tuple[Floats, Floats]]
"""From free parameters [p] to theta [t] and its derivative [t, p]."""


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """-2 restricted log-likelihood, its gradient by theta [t], and its average information [t, t]."""

    criterion: float
    gradient: Floats
    information: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """Where a search ended.

    theta, the variances, and the parameters they come from (log sds unless a map was given); criterion, -2 restricted
    log-likelihood there, prior not included; curvature, [p, p]: of -2 log-likelihood less log prior by the parameters,
    so that about twice its inverse is their error covariance; evaluations, how many likelihoods; converged, whether
    the search ended of itself.
    """

    theta: Floats
    parameters: Floats
    criterion: float
    curvature: Floats
    evaluations: int
    converged: bool


def reml(blocks: Sequence[Block], border_prior: Prior, theta: Floats) -> tuple[float, Floats]:
    """-2 restricted log-likelihood of the right side at theta and its gradient; see `likelihood`."""
    found = likelihood(blocks, border_prior, theta)
    return found.criterion, found.gradient


def likelihood(blocks: Sequence[Block], border_prior: Prior, theta: Floats) -> Likelihood:
    """The restricted likelihood of the right side at theta; a theta that columns are scaled by must be above 0."""
    solution = solve([reduce(block, theta) for block in blocks], border_prior, theta)
    excess = 1.0 - np.diagonal(solution.border_inverse) - solution.border_scaled[:, 0] ** 2
    gradient = border_prior.over_theta(excess, theta).sum(axis=0)
    moved = []
    for i, block in enumerate(blocks):
        seen = rows(solution, i)
        excess = 1.0 - seen.shrunk[: len(block.prior_local)] - solution.local_scaled[i][:, 0] ** 2
        gradient += block.prior_local.over_theta(excess, theta).sum(axis=0)
        estimated = block.pattern_theta >= 0
        slopes = block.packed_patterns @ _less_squares(seen)
        np.add.at(gradient, block.pattern_theta[estimated], slopes[estimated])
        moved.append(_moved(solution, seen, i, theta))
    return Likelihood(float(solution.criterion[0]), gradient, _information(solution, moved))


def fit_reml(
    blocks: Sequence[Block],
    border_prior: Prior,
    start: Floats,
    log_sd_prior: tuple[Floats, Floats] | None = None,
    to_theta: Map | None = None,
    gradient_tolerance: float = GRADIENT,
    most_steps: int = MOST_STEPS,
) -> Fitted:
    """Variances at which the restricted likelihood (times the prior) is largest.

    start, [p]: log standard deviations to begin at, or the parameters of `to_theta`. log_sd_prior, ([p], [p]): centres
    and standard deviations of normal priors on them, an sd of inf for none. An sd that the data want 0 ends at its
    floor, 1e-7 of its start, unless `to_theta` is given. most_steps: places looked at, at most. Raises Singular where the
    start is.
    """
    floor = start + np.log(FLOOR) if to_theta is None else np.full_like(start, -np.inf)
    centre, spread = log_sd_prior or (np.zeros_like(start), np.full_like(start, np.inf))
    target = _Target(blocks, border_prior, to_theta or variances, centre, spread, floor)
    found, evaluations, converged = _search(target, start, gradient_tolerance, most_steps)
    vanishing = found.parameters < start + np.log(NEGLIGIBLE)
    vanished = target.tried(np.where(vanishing, floor, found.parameters)) if vanishing.any() else None
    if vanished is not None and vanished.value <= found.value:
        found = vanished
    return Fitted(found.theta, found.parameters, found.criterion, found.curvature, evaluations, converged)


def variances(log_sds: Floats) -> tuple[Floats, Floats]:
    """Variances from log standard deviations, and their derivative."""
    theta = np.exp(2.0 * log_sds)
    return theta, np.diag(2.0 * theta)


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A place of the search, and what is minimised there: value, slope and curvature by the parameters."""

    parameters: Floats
    theta: Floats
    criterion: float
    value: float
    gradient: Floats
    curvature: Floats

    def better_than(self, other: "_Place") -> bool:
        """Lower; or level, as far as rounding lets it be told, and with less slope."""
        gain = other.value - self.value
        level = abs(gain) <= ROUNDING * (1.0 + abs(self.value))
        return gain > 0.0 if not level else bool(_length(self.gradient) < _length(other.gradient))


@dataclass(frozen=True, slots=True, eq=False)
class _Target:
    """What the search minimises: -2 restricted log-likelihood less the log prior."""

    blocks: Sequence[Block]
    border_prior: Prior
    to_theta: Map
    centre: Floats
    spread: Floats
    floor: Floats

    def at(self, parameters: Floats) -> _Place:
        theta, derivative = self.to_theta(parameters)
        found = likelihood(self.blocks, self.border_prior, theta)
        slope = derivative.T @ found.gradient
        bend = 2.0 * np.maximum(slope, 0.0) if self.to_theta is variances else np.zeros_like(slope)
        away = (parameters - self.centre) / self.spread
        return _Place(
            parameters=parameters,
            theta=theta,
            criterion=found.criterion,
            value=found.criterion + float(away @ away),
            gradient=slope + 2.0 * away / self.spread,
            curvature=derivative.T @ found.information @ derivative + np.diag(2.0 / self.spread**2 + bend),
        )

    def tried(self, parameters: Floats) -> _Place | None:
        """None where a covariance is not positive definite."""
        try:
            return self.at(np.maximum(parameters, self.floor))
        except Singular:
            return None


def _search(target: _Target, start: Floats, tolerance: float, most_steps: int) -> tuple[_Place, int, bool]:
    """Where the slope is no longer than the tolerance, after how many places, and whether that was reached."""
    here, damping, places = target.at(start), DAMPING, 1
    while _length(here.gradient) > tolerance and places < most_steps and damping < MOST_DAMPING:
        places += 1
        step = -np.linalg.solve(here.curvature + damping * np.eye(len(start)), here.gradient)
        step *= min(1.0, LONGEST_STEP / float(np.abs(step).max()))
        there = target.tried(here.parameters + step)
        if there is not None and there.better_than(here):
            here, damping = there, damping * EASED
        else:
            damping *= TIGHTENED
    return here, places, _length(here.gradient) <= tolerance


def _length(gradient: Floats) -> float:
    return float(np.sqrt(gradient @ gradient))


def _less_squares(seen: Rows) -> Floats:
    """P - Py Py' of the pairs of rows in one group, packed."""
    less = seen.packed.copy()
    for group_rows, where in seen.reduced.block.packing.batches:
        py = seen.py[group_rows, 0]
        less[where] -= (py[:, :, np.newaxis] * py[:, np.newaxis, :]).reshape(-1)
    return less


def _moved(solution: Solution, seen: Rows, i: int, theta: Floats) -> Floats:
    """V_q P y of block i for every theta [n, t]; z_j'Py = u_j / (theta_q scale_j) for columns."""
    block = seen.reduced.block
    local = block.prior_local.over_theta(solution.local[i][:, 0], theta)
    shared = solution.border_prior.over_theta(solution.border[:, 0], theta)[block.border]
    moved: Floats = block.x @ np.vstack((local, shared))
    for index, pattern in zip(block.pattern_theta, block.patterns, strict=True):
        if index >= 0:
            moved[:, index] += pattern @ seen.py[:, 0]
    return moved


def _information(solution: Solution, moved: list[Floats]) -> Floats:
    """(V_q Py)' P (V_r Py) [t, t]."""
    pairs = zip(solution.reduced, moved, strict=True)
    projected = solution.with_values([part.with_values(right) for part, right in pairs])
    thetas = moved[0].shape[1]
    information = np.zeros((thetas, thetas))
    for i, right in enumerate(moved):
        information += right.T @ weighted_residuals(projected, i)
    return information
