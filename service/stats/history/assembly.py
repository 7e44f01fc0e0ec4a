"""All platforms' designs, put together and solved at one set of spreads, weights and points."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.history import Catalogue, History
from service.stats.history.contrast import View
from service.stats.history.design import PlatformDesign, aspiration_of, platform_design
from service.stats.history.fitted import Fit
from service.stats.history.layout import NO_BORDER, Border, Linear, border_prior, theta_of
from service.stats.history.values import PullNoise, SetupValues, setup_values
from service.stats.mixed.block import Prior
from service.stats.mixed.solve import Reduced, Solution, reduce, solve

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Assembly:
    """A history, solved: the platforms' designs (ascending), reduced and put together; slots_seen: with which aspiration."""

    fit: Fit
    catalogue: Catalogue
    linear: Linear
    theta: Floats
    border: Border
    designs: tuple[PlatformDesign, ...]
    reduced: tuple[Reduced, ...]
    solution: Solution
    block_of: Mapping[int, int]
    slots_seen: frozenset[tuple[str, str]]

    def view(self, platform: int, solution: Solution | None = None) -> View:
        """The solution (or another of the same designs) from one platform."""
        block = self.block_of.get(platform)
        return View(
            platform=platform,
            aspiration=aspiration_of(platform, self.catalogue),
            design=None if block is None else self.designs[block],
            block=block,
            solution=solution or self.solution,
            border=self.border,
            linear=self.linear,
            theta=self.theta,
            weights=self.fit.weights,
            slots_seen=self.slots_seen,
        )


def usable(history: History) -> History:
    """The rows that have a value."""
    good = np.isfinite(history.value)
    return history if good.all() else history.take(np.flatnonzero(good))


def by_platform(history: History) -> list[History]:
    """A history's platforms, ascending."""
    order = np.argsort(history.platform_id, kind="stable")
    cuts = np.flatnonzero(np.diff(history.platform_id[order])) + 1
    return [history.take(rows) for rows in np.split(order, cuts)] if len(history) else []


def values_of(history: History, catalogue: Catalogue, fit: Fit) -> SetupValues:
    """The setups' values at a fit's noise."""
    return setup_values(history, catalogue, PullNoise(fit.pull_spread, fit.heat))


def designs_of(
    histories: Sequence[History], catalogue: Catalogue, fit: Fit, border: Border = NO_BORDER
) -> tuple[list[PlatformDesign], Border]:
    """Designs of platforms' histories (none empty), and the border that they need."""
    linear, designs = Linear(fit.points, catalogue), []
    for history in histories:
        values = values_of(history, catalogue, fit)
        design, border = platform_design(history, values, catalogue, fit, linear, border)
        designs.append(design)
    return designs, border


def assembled(
    designs: Sequence[PlatformDesign],
    reduced: Sequence[Reduced],
    border: Border,
    catalogue: Catalogue,
    fit: Fit,
) -> Assembly:
    """Designs that are reduced already, put together."""
    theta = theta_of(fit.spreads)
    order = np.argsort([design.platform for design in designs])
    designs, reduced = [designs[i] for i in order], [reduced[i] for i in order]
    return Assembly(
        fit=fit,
        catalogue=catalogue,
        linear=Linear(fit.points, catalogue),
        theta=theta,
        border=border,
        designs=tuple(designs),
        reduced=tuple(reduced),
        solution=_solved(reduced, border_prior(border, fit.weights), theta),
        block_of={design.platform: i for i, design in enumerate(designs)},
        slots_seen=frozenset(
            (gain.slot, design.aspiration) for design in designs for gain in design.fitted.gains
        ),
    )


def assemble(histories: Sequence[History], catalogue: Catalogue, fit: Fit) -> Assembly:
    """Everything from the platforms' histories on."""
    designs, border = designs_of(histories, catalogue, fit)
    return reduced_anew(designs, border, catalogue, fit)


def reduced_anew(
    designs: Sequence[PlatformDesign], border: Border, catalogue: Catalogue, fit: Fit
) -> Assembly:
    """Designs made at the fit's weights and points, reduced at its spreads and put together."""
    theta = theta_of(fit.spreads)
    return assembled(designs, [reduce(design.block, theta) for design in designs], border, catalogue, fit)


def _solved(reduced: Sequence[Reduced], prior: Prior, theta: Floats) -> Solution:
    """`solve`, and for a history without setups what the priors alone say."""
    if reduced:
        return solve(reduced, prior, theta)
    return Solution(
        reduced=(),
        border_prior=prior,
        border_sd=prior.sd(theta),
        border_chol=np.eye(len(prior)),
        border_scaled=np.zeros((len(prior), 1)),
        local_scaled=(),
        residual_form=np.zeros(1),
        degrees_of_freedom=0,
        log_det=0.0,
    )
