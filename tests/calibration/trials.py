"""Every score of one shop, and the scores of many shops pooled."""

import time
from collections.abc import Callable, Iterable

import numpy as np

from tests.calibration.bay_scores import bay_scores, step_scores
from tests.calibration.car_scores import (
    faulty_setup_scores,
    heat_soak_scores,
    joint_change_scores,
    odd_car_scores,
    place_scores,
)
from tests.calibration.choice_scores import choice_scores
from tests.calibration.curve_scores import curve_scores
from tests.calibration.gain_scores import gain_scores, held_out_scores
from tests.calibration.rows import Pool
from tests.calibration.solved import Found, Solved, columns, solve_shop, with_alarms_recorded
from tests.calibration.speed_scores import speed_scores

SUBJECTS: dict[str, Callable[[Solved], Found]] = {
    "gains": gain_scores,
    "held": held_out_scores,
    "bays": bay_scores,
    "steps": step_scores,
    "bays recorded": lambda solved: bay_scores(with_alarms_recorded(solved)),
    "odd": odd_car_scores,
    "setups": faulty_setup_scores,
    "soak": heat_soak_scores,
    "places": place_scores,
    "places recorded": lambda solved: place_scores(with_alarms_recorded(solved)),
    "joint": joint_change_scores,
    "choice": choice_scores,
    "curves": curve_scores,
    "speed": speed_scores,
}


def try_shop(seed: int, size: str, subjects: Iterable[str] = tuple(SUBJECTS)) -> Pool:
    """All scores of a seed's shop; the time the fit took among them."""
    begun = time.process_time()
    solved = solve_shop(seed, size)
    took = time.process_time() - begun
    found = {subject: SUBJECTS[subject](solved) for subject in subjects}
    spreads = solved.fit.spreads
    found["fit"] = columns(
        [(took, *(getattr(spreads, name) for name in spreads.__slots__))], "took", *spreads.__slots__
    )
    return found


def pooled(shops: Iterable[Pool]) -> Pool:
    """The scores of many shops in one."""
    every = list(shops)
    subjects = {subject: None for shop in every for subject in shop}
    return {
        subject: {
            name: np.concatenate([shop[subject][name] for shop in every if subject in shop])
            for name in next(shop[subject] for shop in every if subject in shop)
        }
        for subject in subjects
    }
