"""Cars, their own gains and single setups, each judged by what all others say.

With P of service/stats/mixed/rows.py, a term z (rows of a car, of a car with a part, or one row) that is freed of its
prior has the estimate z'Py / z'Pz; that estimate's variance is 1 / z'Pz with the term's own spread inside, and
1 / z'Pz - s^2 / w of its error alone (deletion residuals; Cook & Weisberg 1982, from memory). The weight w of the
term itself cancels, so a car that the fit already mistrusts is still seen.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from service.stats.history.assembly import Assembly
from service.stats.history.cells import CarEffects, CarGains, SetupResiduals
from service.stats.history.contrast import Contrast
from service.stats.history.design import PlatformDesign
from service.stats.history.fitted import SPREAD_NAMES, Fit, gain_key, part_of_key
from service.stats.history.place import shop_spread
from service.stats.history.weights import own_scale, own_terms
from service.stats.mixed.rows import Rows, information, rows, weighted_residuals
from service.stats.mixed.solve import Solution

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Columns = tuple[NDArray[Any], ...]

SMALLEST: Final = 1e-12  # variance [ln^2]

_THETA: Final = {name: i for i, name in enumerate(SPREAD_NAMES)}


@dataclass(frozen=True, eq=False)
class Cars:
    """The cars that have a value in a solution's first right side; a platform's own are worked out when they are asked for.

    blocks: by platform, its place in the solution, and which rows of its design have a value.
    """

    solved: Assembly
    solution: Solution
    blocks: Mapping[int, tuple[int, Bools]]
    _found: dict[int, Columns] = field(default_factory=dict)

    @cached_property
    def all(self) -> CarEffects:
        """Of all platforms."""
        return self._effects(self.blocks)

    def on(self, platform: int) -> CarEffects:
        """Of one platform, from its block alone."""
        return self._effects([platform] if platform in self.blocks else [])

    def _effects(self, platforms: Iterable[int]) -> CarEffects:
        pieces = [_no_cars(), *(self._columns(platform) for platform in platforms)]
        return CarEffects(float(self.solved.theta[_THETA["car"]]), *_joined(pieces))

    def _columns(self, platform: int) -> Columns:
        """Cars of a platform, in the order of CarEffects."""
        if platform not in self._found:
            design = self.solved.designs[self.solved.block_of[platform]]
            place, had = self.blocks[platform]
            kept, car = np.unique(design.car[had], return_inverse=True)
            terms = csr_array((np.ones(len(car)), (np.flatnonzero(had), car)), shape=(len(had), len(kept)))
            score = terms.T @ weighted_residuals(self.solution, place)[:, 0]
            prior = float(self.solved.theta[_THETA["car"]]) / design.car_weight[kept]
            own, error = _freed(score, information(self.solution, place, terms), prior)
            self._found[platform] = design.vehicles[kept], np.full(len(kept), platform), own, error
        return self._found[platform]


def cars_of(solved: Assembly) -> Cars:
    """Every car against its platform."""
    whole = ((d.platform, (i, np.ones(len(d.car), dtype=bool))) for i, d in enumerate(solved.designs))
    return Cars(solved, solved.solution, dict(whole))


def shop_spread_of(cars: Cars, fit: Fit) -> float:
    """Spread of true levels between cars of one platform, over all platforms [ln] (place.py)."""
    return shop_spread(cars.all.own, cars.all.own_variance, fit.spreads.car)


def gains_and_setups(solved: Assembly) -> tuple[CarGains, SetupResiduals]:
    """Every car's own gain from each of its parts, and every setup against its prediction without itself.

    Of both at once, since what they are read from (`rows`) is what takes the time.
    """
    gains, setups = [_no_gains()], [_no_setups()]
    for i, design in enumerate(solved.designs):
        seen = rows(solved.solution, i)
        gains.append(_gains_of(solved, design, seen))
        setups.append(_setups_of(solved, design, seen))
    return CarGains(*_joined(gains)), SetupResiduals(*_joined(setups))


def _gains_of(solved: Assembly, design: PlatformDesign, seen: Rows) -> Columns:
    """Own gains of a platform's cars, in the order of CarGains."""
    scale, terms = own_scale(design, solved.theta), own_terms(design)
    own, error = _freed(terms.T @ seen.py[:, 0], seen.forms(terms), scale / design.own_weight)
    return design.own_key >> 31, part_of_key(design.own_key), own, error, scale


def _setups_of(solved: Assembly, design: PlatformDesign, seen: Rows) -> Columns:
    """A platform's setups, in the order of SetupResiduals."""
    nominal, history = float(solved.theta[_THETA["setup"]]), design.history
    information = np.maximum(seen.packed[design.block.packing.diagonal], SMALLEST)
    error = np.maximum(1.0 / information - nominal / design.setup_weight, SMALLEST)
    return (
        history.setup_id,
        history.vehicle_id,
        history.platform_id,
        history.bay_id,
        history.at,
        seen.py[:, 0] / information,
        error + nominal,
        design.setup_weight,
        design.values.heat_soaked,
    )


def _no_cars() -> Columns:
    whole, real = np.empty(0, dtype=np.int64), np.empty(0)
    return whole, whole, real, real


def _no_gains() -> Columns:
    whole, real = np.empty(0, dtype=np.int64), np.empty(0)
    return whole, whole, real, real, real


def _no_setups() -> Columns:
    whole, real = np.empty(0, dtype=np.int64), np.empty(0)
    return whole, whole, whole, whole, real, real, real, real, real > 0


def shares_of_car(
    solved: Assembly, vehicle: int, parts: Sequence[int], contrasts: Sequence[Contrast]
) -> tuple[Floats, Floats]:
    """What parts gave this very car: contrasts of typical gains and the car's own, means [k] and covariance [k, k].

    With Z the rows that have each part, T the own gains' variances and D = Z'V^-1 X: mean c'u + T Z'Py and covariance
    c C c' + T - T Z'PZ T - c C D' T - T D C c'. Raises KeyError for a car or a part of it that is not in the history.
    """
    design, i = _design_of(solved, vehicle)
    view, solution = solved.view(design.platform), solved.solution
    reduced = solution.reduced[i]
    car = int(np.searchsorted(design.vehicles, vehicle))
    first, last = design.block.group_start[car : car + 2].tolist()
    own = _own_places(design, vehicle, parts)
    has = own_terms(design)[first:last][:, own].toarray()
    size = last - first
    offset = int(design.block.packing.offset[car])
    factor = reduced.inverse_factors[offset : offset + size**2].reshape(size, size)
    whitened, seen = reduced.whitened[first:last].toarray(), factor @ has
    known = seen.T @ whitened
    spread = own_scale(design, solved.theta)[own] / design.own_weight[own]
    c_local, c_border, _ = view.vectors(contrasts)
    d_border = np.zeros((len(parts), len(solved.border)))
    width = len(reduced.sd)
    d_border[:, design.block.border] = known[:, width:]
    covariance = solution.covariance(
        i, np.vstack((c_local, known[:, :width])), np.vstack((c_border, d_border))
    )
    k = len(parts)
    left = seen.T @ reduced.whitened_y[first:last, 0] - solution.mean(i, known[:, :width], d_border)[:, 0]
    typical = view.moments(contrasts)[0][:, 0]
    cross = covariance[:k, k:] * spread
    projected = seen.T @ seen - covariance[k:, k:]
    spreads = np.diag(spread) - spread[:, np.newaxis] * projected * spread
    return typical + spread * left, covariance[:k, :k] + spreads - cross - cross.T


def _own_places(design: PlatformDesign, vehicle: int, parts: Sequence[int]) -> Ints:
    keys = gain_key(np.full(len(parts), vehicle, dtype=np.int64), np.array(parts, dtype=np.int64))
    at = np.minimum(np.searchsorted(design.own_key, keys), max(0, len(design.own_key) - 1))
    if not len(design.own_key) or (design.own_key[at] != keys).any():
        raise KeyError(f"parts: {list(parts)} were not all measured on vehicle {vehicle}")
    return at


def _design_of(solved: Assembly, vehicle: int) -> tuple[PlatformDesign, int]:
    for i, design in enumerate(solved.designs):
        at = int(np.searchsorted(design.vehicles, vehicle))
        if at < len(design.vehicles) and design.vehicles[at] == vehicle:
            return design, i
    raise KeyError(f"vehicle: {vehicle} has no setup in the history")


def _freed(score: Floats, told: Floats, prior: Floats) -> tuple[Floats, Floats]:
    """Estimates of terms freed of their priors, and the variances of their errors; score: z'Py, told: z'Pz."""
    told = np.maximum(told, SMALLEST)
    return score / told, np.maximum(1.0 / told - prior, SMALLEST)


def _joined(pieces: Sequence[Columns]) -> list[NDArray[Any]]:
    """Columns of all pieces, one after the other."""
    return [np.concatenate(column) for column in zip(*pieces, strict=True)]
