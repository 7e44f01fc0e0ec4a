"""Gains over the rev range against their truth: at each speed, over the whole curve, and for one more car."""

import numpy as np

from service.stats.history.curves import curve
from tests.calibration.gain_scores import next_cars
from tests.calibration.solved import Found, Solved, columns
from tests.calibration.world import KNOTS

MOST_CELLS = 60
NEXT_CURVES = 40
RPM = np.linspace(2000.0, 7000.0, KNOTS)


def curve_scores(solved: Solved) -> Found:
    """Curves of a part on a platform where at least one car had it; a random choice of them."""
    rng = np.random.default_rng([solved.world.seed, 5])
    cells = sorted(cell for cell in solved.fitted_on if cell in solved.world.gains)
    others = solved.system.solve_for(solved.simulated.history.setup_id, solved.simulated.curves)
    rows = []
    for place in rng.permutation(len(cells))[:MOST_CELLS]:
        part, platform = cells[place]
        truth = solved.world.gains[part, platform] * solved.world.shapes[part, platform]
        got = curve(RPM, others.gain(part, platform), others.correlation, solved.fit)
        at = (got.low <= truth) & (truth <= got.high)
        whole = bool(np.all((got.band_low <= truth) & (truth <= got.band_high)))
        own = next_cars(solved, float(solved.world.gains[part, platform]), rng)[:NEXT_CURVES]
        curves = own[:, np.newaxis] * solved.world.shapes[part, platform]
        inside = (got.next_low <= curves) & (curves <= got.next_high)
        error = float(np.sqrt(np.mean((got.typical - truth) ** 2)))
        rows.append((solved.direct.get((part, platform), 0), at.mean(), whole, inside.mean(), error))
    return columns(rows, "cars", "pointwise", "whole", "next", "error")
