"""Other measures of the same setups: the same matrix and spreads, other right sides.

Columns that lack the same rows are solved together; rows without a value are left out of the platforms' blocks. A
measure may be noisier than the fit's own: each column's residual quadratic form over its degrees of freedom, against
the fit's own, scales its variances. Residuals of the columns are correlated row by row, for bands over a whole curve.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.stats.history.asked import car_spread_variance
from service.stats.history.assembly import Assembly
from service.stats.history.cells import Cell, CellColumns
from service.stats.history.contrast import Contrast, View
from service.stats.history.counting import rows_with
from service.stats.history.design import PlatformDesign
from service.stats.history.effects import Cars
from service.stats.history.layout import border_prior
from service.stats.mixed.solve import Reduced, Solution, reduce, solve

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

PSEUDO: Final = 4.0
"""Degrees of freedom at the spreads' own size that stand beside a solution's, our choice: residuals of a few setups that
happen to be nought do not make a measure exact, or all others endlessly noisy."""


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """Columns that lack the same rows, solved: which columns, the blocks that have rows, and which of theirs have a value."""

    columns: Ints
    solution: Solution
    designs: tuple[int, ...]
    rows: tuple[Bools, ...]

    def view(self, solved: Assembly, platform: int) -> View:
        """This solution from one platform."""
        whole = solved.view(platform)
        if whole.block in self.designs:
            return replace(whole, solution=self.solution, block=self.designs.index(whole.block))
        return replace(whole, solution=self.solution, block=None, design=None)


@dataclass(frozen=True, eq=False)
class Solved:
    """Other measures of an assembly, solved: values [n, r] in the order of its rows, NaN where not had."""

    assembly: Assembly
    shares: tuple[Share, ...]
    values: Floats

    @cached_property
    def scale(self) -> Floats:
        """Residual variance of each column relative to the fit's own measure [r]; 1 where it has no rows."""
        reference = _spread(self.assembly.solution)[0]
        scale = np.ones(self.values.shape[1])
        for share in self.shares:
            scale[share.columns] = _spread(share.solution) / reference
        return scale

    @cached_property
    def correlation(self) -> Floats:
        """Correlation of the columns' residuals over the rows that both have [r, r]; 1 on the diagonal."""
        left = np.full(self.values.shape, np.nan)
        for share in self.shares:
            for i, (block, had) in enumerate(zip(share.designs, share.rows, strict=True)):
                rows = self._first(block) + np.flatnonzero(had)
                left[np.ix_(rows, share.columns)] = share.solution.whitened_residuals(i)[had]
        had = np.isfinite(left)
        filled = np.where(had, left, 0.0)
        cross = filled.T @ filled
        squares = (filled**2).T @ had
        bound = np.sqrt(np.maximum(squares * squares.T, 1e-300))
        correlation: Floats = np.clip(cross / bound, -1.0, 1.0)
        np.fill_diagonal(correlation, 1.0)
        return correlation

    def moments(self, platform: int, contrasts: Sequence[Contrast]) -> tuple[Floats, Floats]:
        """Means [k, r] and covariance [k, k, r]; NaN and inf in columns that no row has."""
        k, r = len(contrasts), self.values.shape[1]
        means, covariance = np.full((k, r), np.nan), np.full((k, k, r), np.inf)
        for share in self.shares:
            mean, spread = share.view(self.assembly, platform).moments(contrasts)
            means[:, share.columns] = mean
            covariance[:, :, share.columns] = spread[:, :, np.newaxis] * self.scale[share.columns]
        return means, covariance

    def means(self, platform: int, contrasts: Sequence[Contrast]) -> Floats:
        """The means of `moments` alone [k, r]."""
        means = np.full((len(contrasts), self.values.shape[1]), np.nan)
        for share in self.shares:
            means[:, share.columns] = share.view(self.assembly, platform).means(contrasts)
        return means

    def columns(self, view: View, asked: Contrast, own: Sequence[int], cell: Cell) -> CellColumns:
        """The answer to a contrast in every column. own: parts whose spread from car to car counts; cell: the answer in
        the fit's own measure."""
        means, covariance = self.moments(view.platform, [asked, *(view.gain(part) for part in own)])
        alike = view.weights.alike.of(np.asarray(own, dtype=np.int64))
        floor = np.maximum(self.scale, 1.0)
        return CellColumns(
            mean=means[0],
            variance=covariance[0, 0],
            car_spread_variance=car_spread_variance(view.theta, means[1:], alike, floor),
            scale=self.scale,
            cell=cell,
        )

    @cached_property
    def cars(self) -> Cars:
        """Every car that has a value in the first column, against its platform."""
        for share in self.shares:
            if 0 in share.columns:
                platforms = [self.assembly.designs[block].platform for block in share.designs]
                return Cars(
                    self.assembly,
                    share.solution,
                    dict(zip(platforms, enumerate(share.rows), strict=True)),
                )
        return Cars(self.assembly, self.assembly.solution, {})

    def cars_at(self, part: int, platform: int) -> Ints:
        """Cars of the platform measured with the part, by column [r]."""
        block = self.assembly.block_of.get(platform)
        if block is None:
            return np.zeros(self.values.shape[1], dtype=np.int64)
        design, first = self.assembly.designs[block], self._first(block)
        rows = rows_with(design, part)
        had = np.isfinite(self.values[first + rows])
        cars = np.unique(design.car[rows], return_inverse=True)[1]
        counted = np.zeros((int(cars.max(initial=-1)) + 1, had.shape[1]), dtype=bool)
        np.logical_or.at(counted, cars, had)
        cars_at: Ints = counted.sum(axis=0)
        return cars_at

    def _first(self, block: int) -> int:
        return sum(len(design.car) for design in self.assembly.designs[:block])


def _spread(solution: Solution) -> Floats:
    """Residual variance of each column, 1 where it is what the spreads say [r]."""
    return (solution.residual_form + PSEUDO) / (solution.degrees_of_freedom + PSEUDO)


def solved_for(assembly: Assembly, values: Floats) -> Solved:
    """Solve for other values [n, r] in the order of the assembly's rows, NaN where not had."""
    masks, alike = np.isfinite(values), dict[bytes, list[int]]()
    for column in np.flatnonzero(masks.any(axis=0)).tolist():
        alike.setdefault(masks[:, column].tobytes(), []).append(column)
    shares = [_share(assembly, values, np.array(columns), masks[:, columns[0]]) for columns in alike.values()]
    return Solved(assembly, tuple(shares), values)


def _share(assembly: Assembly, values: Floats, columns: Ints, mask: Bools) -> Share:
    reduced: list[Reduced] = []
    places: list[int] = []
    rows: list[Bools] = []
    first = 0
    for i, (design, whole) in enumerate(zip(assembly.designs, assembly.reduced, strict=True)):
        last = first + len(design.car)
        had, own = mask[first:last], values[first:last][:, columns]
        first = last
        if had.any():
            y = own - design.centre - design.offset[:, np.newaxis] + _taken_out(design)
            if had.all():
                reduced.append(whole.with_values(y))
            else:
                y[~had] = 0.0
                reduced.append(reduce(design.block, assembly.theta, had, y))
            places.append(i)
            rows.append(had)
    solution = solve(reduced, border_prior(assembly.border, assembly.fit.weights), assembly.theta)
    return Share(columns, solution, tuple(places), tuple(rows))


def _taken_out(design: PlatformDesign) -> Floats:
    """What heat and best-of added to each row's own value, taken out of its other values too [n, 1]."""
    return np.asarray((design.values.value - design.history.value)[:, np.newaxis], dtype=np.float64)
