"""What the checks of an engine look along: means of a setup over engine speed, and its platform's stock cars beside it.

Everything is on GRID_RPM, NaN where it is not known. A setup is known where all its pulls that count are. Of the
platform only a median over `LEAST_CARS` stock cars and more speaks; with fewer, or none, the answer is None and the
check is silent.
"""

from collections.abc import Sequence
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.domain.checks.case import Case, Grid, PullCase, StockReference
from service.domain.curve import GRID_RPM, GRID_STEP_RPM
from service.domain.derive import ANY_STANDARD
from service.domain.records import PostedSetup
from service.domain.restriction import pressure_fall

LEAST_CARS: Final = 8
"""No verdict under so many stock cars: among n values none lies further than (n - 1) / sqrt(n) spreads from their mean
(Shiffler 1988, from memory), so that three spreads need eleven and eight is a compromise (our choice)."""
LEAST_KNOTS: Final = 15
"""A third of fewer knots than this says little about a shape (our choice)."""
DEAD_SPREAD: Final = 0.002
FREE_AIR: Final = 3.0
FREE_AIR_SHARE: Final = 0.05
"""When a lambda channel says nothing: the defaults of `lambda-dead`, by which the other checks of lambda go too."""
ENDS_APART: Final = (2.0 * len(GRID_RPM)) ** 0.5
"""Among n values whose ends lie this often a spread apart the standard deviation is no less than it (each end alone
gives (range / 2)^2 / n twice): a living probe is known by its ends, without its spread."""


class Thirds(NamedTuple):
    """Something in the lower, middle and upper third of where it is known."""

    low: float
    middle: float
    top: float


class Breathing(NamedTuple):
    """A setup's manifold pressure beside its platform's: how far the middle third lies above it [kPa], how much more it
    falls from low speed to the top [kPa], its own fall [kPa], and which the middle third is."""

    above_kpa: float
    falls_more_kpa: float
    falls_kpa: float
    middle: slice


class Along:
    """One setup along engine speed; each figure is made once, when the first check asks for it."""

    def __init__(self, case: Case, setup: PostedSetup) -> None:
        self.setup = setup
        self.stock = case.stock(setup)
        self.pulls: Sequence[PullCase] = case.pulls(setup)
        self.reference: StockReference | None = peers(case)
        self._channels: dict[str, Grid | None] = {}

    def channel(self, name: str) -> Grid | None:
        """Mean of one channel over the pulls; None where one of them did not record it."""
        if name not in self._channels:
            self._channels[name] = channel(self.pulls, name)
        return self._channels[name]

    def usual(self, name: str) -> Grid | None:
        """The same of the platform's stock cars."""
        return None if self.reference is None else self.reference.channels.get(name)

    def above(self, name: str) -> Grid | None:
        """How far a channel lies above the platform's."""
        own = self.channel(name)
        usual = None if own is None else self.usual(name)
        return None if own is None or usual is None else own - usual

    @cached_property
    def live_lambda(self) -> Grid | None:
        """Mean lambda, where the probe lives in every pull."""
        own = self.channel("lambda")
        values = () if own is None else [one.figures.channels["lambda"] for one in self.pulls]
        return None if any(dead(one, DEAD_SPREAD, FREE_AIR) for one in values) else own

    @cached_property
    def torque(self) -> Grid | None:
        """Mean torque as observed."""
        grids = [one.figures.grid for one in self.pulls]
        known = [grid for grid in grids if grid is not None]
        return mean(known) if known and len(known) == len(grids) else None

    @cached_property
    def residual(self) -> Grid | None:
        """ln of corrected torque over the platform's stock median: its mean is the car's and the bay's level."""
        grids = [one.figures.grid for one in self.pulls if one.figures.grid is not None]
        if self.reference is None or not grids or len(grids) < len(self.pulls):
            return None
        factors = np.array([one.figures.factor or 1.0 for one in self.pulls])
        logs = logarithm(np.array(grids) * factors[:, None])
        return np.asarray(logs.sum(axis=0) / len(grids) - logarithm(self.reference.torque_nm))

    @cached_property
    def residual_thirds(self) -> Thirds | None:
        """The means of the residual's thirds."""
        bands = None if self.residual is None else thirds(self.residual)
        if self.residual is None or bands is None:
            return None
        return Thirds(*(mean_over(self.residual, band) for band in bands))

    @cached_property
    def at_level(self) -> bool:
        """Whether torque is corrected in every pull, so that its level can be compared."""
        return all(one.figures.level == ANY_STANDARD for one in self.pulls)

    @cached_property
    def breathing(self) -> Breathing | None:
        """Manifold pressure against the platform's, along the same engine speeds; None where either is not known."""
        own, above = self.channel("map"), self.above("map")
        bands = None if above is None else thirds(above)
        if own is None or above is None or bands is None:
            return None
        more, fall = pressure_fall(above), pressure_fall(np.where(np.isfinite(above), own, np.nan))
        if more is None or fall is None:
            return None
        return Breathing(mean_over(above, bands[1]), more.kpa, fall.kpa, bands[1])


def along(case: Case, setup: PostedSetup) -> Along:
    """A setup of this post along engine speed."""
    return case.once("along", lambda: Along(case, setup), setup.n)


def peers(case: Case) -> StockReference | None:
    """The platform's stock cars, where they are enough to be compared with."""
    reference = case.around.reference
    return reference if reference is not None and reference.cars >= LEAST_CARS else None


def is_boosted(case: Case) -> bool | None:
    """Whether the platform is boosted; None where it is not known."""
    return None if case.platform is None else case.platform.engine.is_boosted


def channel(pulls: Sequence[PullCase], name: str) -> Grid | None:
    """Mean of one channel over some pulls; None where one of them did not record it."""
    if not pulls or any(name not in one.figures.channels for one in pulls):
        return None
    return mean([one.figures.channels[name] for one in pulls])


def dead(values: Grid, spread: float, free_air: float) -> str | None:
    """Why a lambda channel says nothing, in words; None where it does."""
    low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    if high <= free_air and high - low >= spread * ENDS_APART:
        return None
    known = values[np.isfinite(values)]
    if known.size == 0:
        return None
    share = float(np.count_nonzero(known > free_air)) / known.size
    if share > FREE_AIR_SHARE:
        return f"reads free air (above {free_air:g}) over {share:.0%} of the pull"
    apart = known - known.sum() / known.size
    found = float(apart @ apart / known.size) ** 0.5
    return f"stands still at {known[0]:.3f}, with a spread of {found:.4f}" if found < spread else None


def log_torque(one: PullCase) -> Grid | None:
    """ln of a pull's torque, corrected where it can be."""
    grid = one.figures.grid
    return None if grid is None else logarithm(grid * (one.figures.factor or 1.0))


def logarithm(values: Grid) -> Grid:
    """ln of what is above nought, NaN elsewhere."""
    result = np.full(values.shape, np.nan)
    np.log(values, out=result, where=values > 0.0)
    return result


def mean(grids: Sequence[Grid]) -> Grid:
    """Mean of several grids, known where all are."""
    total = grids[0].copy()
    for grid in grids[1:]:
        total += grid
    total /= len(grids)
    return total


def shape(residual: Grid) -> Grid:
    """A residual without its level: what is left when the car's and the bay's own level is taken out."""
    known = residual[np.isfinite(residual)]
    return residual - median_of(known) if known.size else residual


def median_of(values: Grid) -> float:
    """The median that numpy gives, in a sixth of its time for some hundred values; all of them must be known."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2.0)


def knots(width_rpm: float) -> int:
    """Knots that a stretch of this width spans, both ends counted."""
    return round(width_rpm / GRID_STEP_RPM) + 1


def thirds(values: Grid) -> tuple[slice, slice, slice] | None:
    """The lower, middle and upper third of where something is known; None where that is too little or has holes."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size < LEAST_KNOTS or known[-1] - known[0] + 1 != known.size:
        return None
    low, high = int(known[0]), int(known[-1]) + 1
    third = (high - low) // 3
    return slice(low, low + third), slice(low + third, high - third), slice(high - third, high)


def mean_over(values: Grid, band: slice) -> float:
    """Mean over a band; NaN where a knot in it is not known."""
    within = values[band]
    return float(within.sum()) / within.size


def stretches(values: Grid, width_rpm: float) -> Grid:
    """Mean over every stretch of this width, by its first knot; NaN where a knot in it is not known."""
    count = knots(width_rpm)
    return np.asarray(np.correlate(values, np.full(count, 1.0 / count), mode="valid"))


def lowest(values: Grid) -> int | None:
    """Where a grid is lowest; None where nothing is known."""
    at = int(np.where(np.isfinite(values), values, np.inf).argmin())
    return at if np.isfinite(values[at]) else None


def run_of(where: NDArray[np.bool_], width_rpm: float) -> slice | None:
    """The first unbroken stretch of at least this width over which something holds."""
    if not where.any():
        return None
    edges = np.flatnonzero(np.diff(np.concatenate(([False], where, [False])).astype(np.int8)))
    begins, ends = edges[::2], edges[1::2]
    wide = np.flatnonzero(ends - begins >= knots(width_rpm))
    return slice(int(begins[wide[0]]), int(ends[wide[0]])) if wide.size else None


def stretch_at(first: int, width_rpm: float) -> slice:
    """The stretch of this width that begins at a knot."""
    return slice(first, first + knots(width_rpm))


def span(band: slice) -> str:
    """A band in words."""
    return f"{GRID_RPM[band.start]:.0f} to {GRID_RPM[band.stop - 1]:.0f} rpm"
