"""Typical gains, one more car's gains and their chances against the truth; gains of cars that were held out."""

import numpy as np

from service.domain.history import History
from service.stats.history.fit import fit
from service.stats.history.gains import (
    chance_of_at_least,
    measured_variance,
    next_car_intervals,
    typical_bounds,
)
from service.stats.history.system import build
from tests.calibration.direct import Pair
from tests.calibration.solved import Found, Solved, columns
from tests.calibration.world import Floats, draw

ASKED = (0.0, 0.01, 0.02, 0.03, 0.05, 0.10)
"""Chances of at least so much are asked [ln]; the first is of no loss."""
NEXT_CARS = 400
HELD_OUT = 0.15
NOT_SEEN_HERE, MIXED_ONLY, NEVER_SEEN = -1.0, 0.0, -2.0
"""Cells without a clean pair: part seen on other platforms only; here in mixed changes only; nowhere."""


def gain_scores(solved: Solved) -> Found:
    """Every part on every platform that it exists for."""
    rng = np.random.default_rng([solved.world.seed, 3])
    rows = [gain_row(solved, part, platform, rng) for part, platform in solved.world.gains]
    asked = [f"{name}_{place}" for name in ("chance", "came") for place in range(len(ASKED))]
    names = ("kind", "truth", "mean", "low", "high", "next", "next_width", "naive", "known", "elsewhere")
    return columns(rows, *names, *asked)


def gain_row(solved: Solved, part: int, platform: int, rng: np.random.Generator) -> tuple[float, ...]:
    """One part on one platform: its truth and all that is told of it, naive and known gains of its cars beside."""
    truth, cell = solved.world.gains[part, platform], solved.system.gain(part, platform)
    low, high = typical_bounds(cell, 0.9)
    next_low, next_high = next_car_intervals(cell, solved.fit)
    cars = next_cars(solved, truth, rng)
    return (
        kind_of(solved, part, platform),
        truth,
        cell.mean,
        float(low),
        float(high),
        float(np.mean((cars >= next_low) & (cars <= next_high))),
        float(next_high - next_low),
        solved.naive.get((part, platform), np.nan),
        known_cars(solved, part, platform),
        solved.world.elsewhere[part, platform],
        *(chance_of_at_least(cell, solved.fit, least) for least in ASKED),
        *(float(np.mean(cars >= least)) for least in ASKED),
    )


def kind_of(solved: Solved, part: int, platform: int) -> float:
    """Cars with a clean pair; without any, what else there is."""
    if (part, platform) in solved.direct:
        return solved.direct[part, platform]
    if (part, platform) in solved.fitted_on:
        return MIXED_ONLY
    return NOT_SEEN_HERE if any(part == one for one, _ in solved.fitted_on) else NEVER_SEEN


def known_cars(solved: Solved, part: int, platform: int) -> float:
    """Mean true gain of the cars measured with and without a part: what no noise, fault or other part would leave [ln]."""
    cars = {pair.vehicle for pair in solved.pairs if (pair.part, pair.platform) == (part, platform)}
    own = solved.simulated.truth.own_gains
    known = [own[vehicle, part] for vehicle in cars if (vehicle, part) in own]
    return float(np.mean(known)) if known else np.nan


def next_cars(solved: Solved, gain: float, rng: np.random.Generator) -> Floats:
    """True gains of further cars [ln]."""
    spreads = solved.world.spreads
    sd = float(np.hypot(spreads.car * gain, spreads.floor))
    return gain + draw(rng, sd, solved.world.heavy_tails, NEXT_CARS)


def held_out_scores(solved: Solved) -> Found:
    """Hold out some of the cars that made pairs, fit anew, and foretell what their tests will read, faults and all."""
    rng = np.random.default_rng([solved.world.seed, 4])
    history = solved.simulated.history
    cars = sorted({pair.vehicle for pair in solved.pairs})
    out = set(rng.choice(cars, max(1, round(HELD_OUT * len(cars))), replace=False).tolist())
    kept = history.take(np.flatnonzero(~np.isin(history.vehicle_id, list(out))))
    fitted = fit(kept, solved.simulated.catalogue, seed=solved.world.seed)
    system = build(fitted, kept, solved.simulated.catalogue)
    rows = []
    for pair in first_pairs(solved.pairs, out, history):
        beside = dict.fromkeys(history.parts_of(pair.without), 1.0)
        cell = system.gain(pair.part, pair.platform, beside=beside)
        before, after = int(history.pulls[pair.without]), int(history.pulls[pair.with_])
        noise = measured_variance(fitted, before, after, pair.same_session)
        low, high = next_car_intervals(cell, fitted, noise=noise)
        read = float(history.value[pair.with_] - history.value[pair.without])
        rows.append((cell.cars, read, cell.mean, float(low), float(high)))
    return columns(rows, "cars", "read", "mean", "low", "high")


def first_pairs(pairs: list[Pair], cars: set[int], history: History) -> list[Pair]:
    """One pair of each car and part, of one strap-down, both of them means of pulls."""
    found: dict[tuple[int, int], Pair] = {}
    for pair in pairs:
        plain = history.best_of[pair.with_] == 0 == history.best_of[pair.without]
        if pair.vehicle in cars and pair.same_session and plain:
            found.setdefault((pair.vehicle, pair.part), pair)
    return list(found.values())
