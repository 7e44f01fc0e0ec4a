"""Parts that were changed together: told apart where the history allows it, said to be inseparable where it does not."""

from functools import cache

import numpy as np
import pytest

from service.stats.history.gains import typical_interval
from tests.calibration.solved import Solved, solve
from tests.calibration.tangled import tangled_shop

SEEDS = range(200, 208)


@cache
def shop(seed: int, together: float) -> tuple[Solved, int, int, int]:
    simulated, calibration, down_pipe = tangled_shop(seed, together)
    history = simulated.history
    platform = int(history.platform_id[-1])
    return solve(simulated), calibration, down_pipe, platform


@pytest.mark.slow
def test_a_calibration_that_came_with_a_down_pipe_on_a_third_of_the_cars_and_each_gain_is_recovered() -> None:
    inside, errors = [], []
    for seed in SEEDS:
        solved, *parts, platform = shop(seed, 1 / 3)
        for part in parts:
            truth = solved.world.gains[part, platform]
            told = typical_interval(solved.system.gain(part, platform))
            inside.append(told.low <= truth <= told.high)
            errors.append(told.typical - truth)
    # At 90 % each, 12 or fewer of 16 come once in 15 times; 11 or fewer once in 60 (binomial).
    assert sum(inside) >= 12
    # An equal split of the joint gain would be some 5 % off for each.
    assert float(np.sqrt(np.mean(np.square(errors)))) < 0.025


def test_what_came_together_on_a_third_of_the_cars_is_not_called_inseparable() -> None:
    for seed in SEEDS[:2]:
        solved, calibration, down_pipe, platform = shop(seed, 1 / 3)
        assert solved.system.gain(calibration, platform).entangled == ()
        assert calibration not in solved.system.gain(down_pipe, platform).entangled


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_two_parts_that_were_never_apart_are_said_to_be_inseparable(seed: int) -> None:
    solved, calibration, down_pipe, platform = shop(seed, 1.0)
    assert down_pipe in solved.system.gain(calibration, platform).entangled
    assert calibration in solved.system.gain(down_pipe, platform).entangled


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_their_sum_is_known_far_better_than_either(seed: int) -> None:
    solved, calibration, down_pipe, platform = shop(seed, 1.0)
    alone = [solved.system.gain(part, platform).variance ** 0.5 for part in (calibration, down_pipe)]
    together = solved.system.build_of(platform, (calibration, down_pipe))
    truth = solved.world.together(platform, frozenset((calibration, down_pipe)))
    assert together.variance**0.5 < 0.5 * min(alone)
    assert abs(together.mean - truth) < 3.5 * together.variance**0.5
