"""Cars, their own gains and single setups, each judged by what all others say.

With P of service/stats/mixed/rows.py, a term z (rows of a car, of a car with a part, or one row) that is freed of its
prior has the estimate z'Py / z'Pz; that estimate's variance is 1 / z'Pz with the term's own spread inside, and
1 / z'Pz - s^2 / w of its error alone (deletion residuals; Cook & Weisberg 1982, from memory). The weight w of the
term itself cancels, so a car that the fit already mistrusts is still seen.
"""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from service.stats.history.assembly import Assembly
from service.stats.history.baylevels import BayLevels
from service.stats.history.cells import CarEffects, CarGains, SetupResiduals
from service.stats.history.contrast import Contrast
from service.stats.history.design import PlatformDesign
from service.stats.history.fitted import SPREAD_NAMES, gain_key, part_of_key
from service.stats.history.place import platform_spread, shop_spread
from service.stats.history.weights import own_scale, own_terms
from service.stats.mixed.rows import Rows, rows
from service.stats.mixed.solve import Solution

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Columns = tuple[NDArray[Any], ...]

SMALLEST: Final = 1e-12  # variance [ln^2]

_THETA: Final = {name: i for i, name in enumerate(SPREAD_NAMES)}


def effects_of(solved: Assembly, levels: BayLevels) -> tuple[CarEffects, CarGains, SetupResiduals]:
    """Every car against its platform, its own gain from each of its parts, every setup against its prediction without itself.

    Of all three at once, since what they are read from (`rows`) is what takes the time.
    """
    cars, gains, setups = [_no_cars()], [_no_gains()], [_no_setups()]
    for i, design in enumerate(solved.designs):
        seen, every = rows(solved.solution, i), np.ones(len(design.car), dtype=bool)
        cars.append(_cars_of(solved, design, seen, levels, every))
        gains.append(_gains_of(solved, design, seen))
        setups.append(_setups_of(solved, design, seen))
    return _car_effects(solved, cars), CarGains(*_joined(gains)), SetupResiduals(*_joined(setups))


def car_effects(
    solved: Assembly, solution: Solution, levels: BayLevels, pieces: Sequence[tuple[int, Bools]]
) -> CarEffects:
    """Every car against its platform, of the first right side of a solution whose blocks are these designs' rows."""
    found = [_no_cars()]
    for i, (block, had) in enumerate(pieces):
        found.append(_cars_of(solved, solved.designs[block], rows(solution, i), levels, had))
    return _car_effects(solved, found)


def _cars_of(solved: Assembly, design: PlatformDesign, seen: Rows, levels: BayLevels, had: Bools) -> Columns:
    """Cars of a platform that have a value: ids, platform, own level and its error, the bays' share, setups."""
    kept, car = np.unique(design.car[had], return_inverse=True)
    prior = float(solved.theta[_THETA["car"]]) / design.car_weight[kept]
    terms = csr_array((np.ones(len(car)), (np.flatnonzero(had), car)), shape=(len(had), len(kept)))
    own, error = _freed(seen, terms, prior)
    setups = np.bincount(car)
    shift = np.bincount(car, weights=levels.of_rows(design, solved.solution)[had]) / setups
    return design.vehicles[kept], np.full(len(kept), design.platform), own, error, shift, setups


def _car_effects(solved: Assembly, pieces: Sequence[Columns]) -> CarEffects:
    nominal = float(solved.theta[_THETA["car"]])
    ids, here, own, error, shift, setups = _joined(pieces)
    spread = _spreads_on(here, own, error, math.sqrt(nominal))
    keep = spread**2 / (spread**2 + error)
    return CarEffects(
        nominal_variance=nominal,
        vehicle_id=ids,
        platform_id=here,
        own=own,
        own_variance=error,
        shrunk=keep * own,
        shrunk_variance=keep * error,
        spread_on=spread,
        bay_shift=shift,
        setups=setups,
    )


def _spreads_on(platform: Ints, own: Floats, error: Floats, start: float) -> Floats:
    """The spread of each car's platform, drawn to the shop's; what is wrong with odd cars left out of both."""
    shop, spread = shop_spread(own, error, start), np.empty(len(own))
    for one in np.unique(platform):
        there = platform == one
        spread[there] = platform_spread(own[there], error[there], shop)
    return spread


def _gains_of(solved: Assembly, design: PlatformDesign, seen: Rows) -> Columns:
    """Own gains of a platform's cars, in the order of CarGains."""
    scale = own_scale(design, solved.theta)
    own, error = _freed(seen, own_terms(design), scale / design.own_weight)
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
    return whole, whole, real, real, real, whole


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


def _freed(seen: Rows, terms: csr_array, prior: Floats) -> tuple[Floats, Floats]:
    """Estimates of terms freed of their priors, and the variances of their errors."""
    information = np.maximum(seen.forms(terms), SMALLEST)
    estimate = (terms.T @ seen.py[:, 0]) / information
    return estimate, np.maximum(1.0 / information - prior, SMALLEST)


def _joined(pieces: Sequence[Columns]) -> list[NDArray[Any]]:
    """Columns of all pieces, one after the other."""
    return [np.concatenate(column) for column in zip(*pieces, strict=True)]
