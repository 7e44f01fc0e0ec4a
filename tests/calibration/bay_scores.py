"""Bays against the truth: their levels, and the recalibration that nobody wrote down."""

from itertools import pairwise

import numpy as np

from tests.calibration.solved import Found, Solved, alarms, columns
from tests.calibration.world import Floats, Ints


def bay_scores(solved: Solved) -> Found:
    """Every stretch of a bay: its level as told and truly, both against the mean of all; stepped: it holds an unrecorded step."""
    world, told = solved.world, solved.system.bays
    ends = {(a.bay_id, a.since): b.since for a, b in pairwise(told) if a.bay_id == b.bay_id}
    truth = np.array(
        [true_level(solved, bay.bay_id, bay.since, ends.get((bay.bay_id, bay.since), np.inf)) for bay in told]
    )
    mean = np.array([bay.mean for bay in told])
    naive = naive_levels(
        solved, [(bay.bay_id, bay.since, ends.get((bay.bay_id, bay.since), np.inf)) for bay in told]
    )
    stepped = [bool(world.bays[bay.bay_id].step) and not world.bays[bay.bay_id].recorded for bay in told]
    rows = zip(
        truth - truth.mean(),
        mean - mean.mean(),
        [bay.variance**0.5 for bay in told],
        naive - np.nanmean(naive),
        stepped,
        [bay.cars_shared for bay in told],
        strict=True,
    )
    return columns(list(rows), "truth", "mean", "sd", "naive", "stepped", "shared")


def in_stretch(solved: Solved, bay: int, since: float, until: float) -> Ints:
    """The rows of a stretch."""
    history = solved.simulated.history
    return np.flatnonzero((history.bay_id == bay) & (history.at >= since) & (history.at < until))


def true_level(solved: Solved, bay: int, since: float, until: float) -> float:
    """What a bay truly read over the mean bay, over the setups it measured in a stretch [ln]."""
    times = solved.simulated.history.at[in_stretch(solved, bay, since, until)]
    return float(np.mean([solved.world.bays[bay].at(time) for time in times])) if len(times) else 0.0


def naive_levels(solved: Solved, stretches: list[tuple[int, float, float]]) -> Floats:
    """Mean of a stretch's stock setups against the mean of all stock setups of their kinds [ln]."""
    history = solved.simulated.history
    apart = np.full(len(history), np.nan)
    for platform in solved.world.platforms:
        rows = history.stock & (history.platform_id == platform)
        apart[rows] = history.value[rows] - history.value[rows].mean() if rows.any() else np.nan
    found = []
    for stretch in stretches:
        values = apart[in_stretch(solved, *stretch)]
        found.append(float(np.nanmean(values)) if np.isfinite(values).any() else np.nan)
    return np.array(found)


def step_scores(solved: Solved) -> Found:
    """Every bay without a recorded event: its true step (0: none), the steps found, the size of the nearest and the days it is off."""
    found = alarms(solved)
    rows = []
    for bay in solved.world.bays.values():
        own = [step for step in found if step.bay_id == bay.bay_id]
        near = min(own, key=lambda step: abs(step.at - bay.stepped_at), default=None)
        if not bay.recorded:
            off = (near.size, abs(near.at - bay.stepped_at)) if near else (0.0, np.nan)
            rows.append((bay.step, len(own), *off))
    return columns(rows, "truth", "found", "size", "days")
