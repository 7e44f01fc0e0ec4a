"""Cars and setups against the truth: odd cars, heat-soaked setups, joint changes divided, and a car's place."""

from collections import defaultdict
from itertools import pairwise

import numpy as np
from scipy.special import ndtr

from service.stats.history.outliers import car_scores, setup_scores
from service.stats.history.place import place, platform_spread
from tests.calibration.direct import rows_by_car
from tests.calibration.solved import Found, Solved, columns


def odd_car_scores(solved: Solved) -> Found:
    """Scores of the cars that were tested stock, at weight 1, whether something was really wrong with them, and the score
    that one would give them who knew every car's true level and its kind's true spread."""
    cars = solved.system.cars()
    found = car_scores(cars)
    stock, truth = tested_stock(solved), solved.simulated.truth
    kind = dict(zip(cars.vehicle_id.tolist(), cars.platform_id.tolist(), strict=True))
    spread = {v: solved.world.platforms[p].stock for v, p in kind.items()}
    rows = [
        (
            abs(float(score)),
            bool(believed),
            int(vehicle) in truth.odd_cars,
            abs(truth.levels[int(vehicle)]) / spread[int(vehicle)],
        )
        for vehicle, score, believed in zip(cars.vehicle_id, found.score, found.believed, strict=True)
        if int(vehicle) in stock and np.isfinite(score)
    ]
    return columns(rows, "score", "believed", "odd", "oracle")


def tested_stock(solved: Solved) -> set[int]:
    """Cars with a setup known to be stock."""
    history = solved.simulated.history
    return set(history.vehicle_id[history.stock].tolist())


def heat_soak_scores(solved: Solved) -> Found:
    """Setups of three pulls or more: called heat-soaked, and whether they were."""
    history, soaked = solved.simulated.history, solved.simulated.truth.faults.soaked
    setups = solved.system.setups()
    called = dict(zip(setups.setup_id.tolist(), setups.heat_soaked.tolist(), strict=True))
    rows = [
        (called[setup], bool(soaked[row]))
        for row, setup in enumerate(history.setup_id.tolist())
        if history.pulls[row] >= 3 and setup in called
    ]
    return columns(rows, "called", "soaked")


def faulty_setup_scores(solved: Solved) -> Found:
    """Setups of cars with two or more: the score of each, and whether a figure or a part of it was wrong."""
    setups, faults = solved.system.setups(), solved.simulated.truth.faults
    found = setup_scores(setups)
    at = dict(zip(solved.simulated.history.setup_id.tolist(), range(len(faults.soaked)), strict=True))
    rows = [
        (abs(float(score)), bool(faults.wrong_factor[at[setup]]), bool(faults.mis_keyed[at[setup]]))
        for setup, score in zip(setups.setup_id.tolist(), found.score, strict=True)
        if np.isfinite(score)
    ]
    return columns(rows, "score", "wrong_factor", "mis_keyed")


def joint_change_scores(solved: Solved) -> Found:
    """Every change of two parts or more at once: what each of them gave that car."""
    history, truth = solved.simulated.history, solved.simulated.truth
    rows = []
    for car in rows_by_car(history):
        for before, after in pairwise(car):
            new = sorted(set(history.parts_of(after)) - set(history.parts_of(before)))
            sound = history.complete[after] and not truth.faults.mis_keyed[[before, after]].any()
            if len(new) < 2 or not sound:
                continue
            vehicle = int(history.vehicle_id[after])
            means, covariance = solved.system.car_shares(vehicle, new)
            true = [truth.own_gains[vehicle, part] for part in new]
            rise = float(history.value[after] - history.value[before])
            for part, mean, variance, given in zip(new, means, np.diag(covariance), true, strict=True):
                typical = solved.system.gain(part, int(history.platform_id[after])).mean
                rows.append((given, float(mean), float(variance) ** 0.5, rise / len(new), typical))
    return columns(rows, "truth", "mean", "sd", "equal", "typical")


def place_scores(solved: Solved) -> Found:
    """Cars tested stock: their place among the cars of their platform, truly, as told, and by the rank of best pulls."""
    world, truth = solved.world, solved.simulated.truth
    cars, stock, raw = solved.system.cars(), tested_stock(solved), raw_places(solved)
    tested = np.isin(cars.vehicle_id, list(stock)) & np.isfinite(cars.own)
    rows = []
    for platform in world.platforms.values():
        here = np.flatnonzero(tested & (cars.platform_id == platform.platform_id))
        spread = platform_spread(cars.own[here], cars.own_variance[here], solved.system.shop_spread)
        for at in here:
            vehicle = int(cars.vehicle_id[at])
            told = place(float(cars.own[at]), float(cars.own_variance[at]), spread)
            true = 100.0 * float(ndtr(truth.levels[vehicle] / platform.stock))
            rows.append((len(here), true, told.percentile, *told.interval, 100.0 * raw[vehicle]))
    return columns(rows, "peers", "truth", "told", "low", "high", "raw")


def raw_places(solved: Solved) -> dict[int, float]:
    """Share of stock cars of the kind whose best stock pull is below a car's [0..1], half of it among equals."""
    history = solved.simulated.history
    best: dict[int, dict[int, float]] = defaultdict(dict)
    for row in np.flatnonzero(history.stock):
        kind = best[int(history.platform_id[row])]
        vehicle = int(history.vehicle_id[row])
        kind[vehicle] = max(kind.get(vehicle, -np.inf), float(solved.simulated.best[row]))
    return {
        vehicle: (sum(other < value for other in kind.values()) + 0.5) / len(kind)
        for kind in best.values()
        for vehicle, value in kind.items()
    }
