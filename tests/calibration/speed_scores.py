"""What the solved system costs, in seconds of one core, and that one car changed equals all built anew."""

import time
from collections.abc import Callable

import numpy as np

from service.stats.history.system import build
from tests.calibration.solved import Found, Solved, columns

ASKED, CARS_CHANGED = 60, 8


def speed_scores(solved: Solved) -> Found:
    """An answer, one car put in anew, a whole build [s]; largest difference of a gain after that to a build [ln]."""
    rng = np.random.default_rng([solved.world.seed, 6])
    history, catalogue = solved.simulated.history, solved.simulated.catalogue
    cells = sorted(solved.fitted_on)
    asked = [cells[i] for i in rng.integers(0, len(cells), ASKED)]
    answer = seconds(lambda: [solved.system.gain(*cell) for cell in asked]) / ASKED
    cars = rng.choice(np.unique(history.vehicle_id), CARS_CHANGED)
    gone = history.take(np.flatnonzero(history.vehicle_id != cars[0]))
    for car in cars:  # warm
        solved.system.replaced(
            np.array([car]), history.take(np.flatnonzero(history.vehicle_id == car)), catalogue
        )
    update = seconds(
        lambda: [
            solved.system.replaced(
                np.array([car]), history.take(np.flatnonzero(history.vehicle_id == car)), catalogue
            )
            for car in cars
        ]
    ) / len(cars)
    anew = build(solved.fit, gone, catalogue)
    without = solved.system.replaced(cars[:1], gone.take(np.arange(0)), catalogue)
    apart = max(abs(anew.gain(*cell).mean - without.gain(*cell).mean) for cell in asked)
    whole = seconds(lambda: build(solved.fit, history, catalogue))
    return columns([(answer, update, whole, apart)], "answer", "update", "build", "apart")


def seconds(work: Callable[[], object]) -> float:
    """Time of one core that some work takes [s]."""
    begun = time.process_time()
    work()
    return time.process_time() - begun
