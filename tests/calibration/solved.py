"""A simulated shop with the model that was fitted to it: what every score is taken from."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from service.stats.history.bays import Step, find_steps
from service.stats.history.fit import fit
from service.stats.history.fitted import Fit
from service.stats.history.system import System, build
from tests.calibration.direct import Pair, best_after_minus_best_before, direct_cars, pairs_of
from tests.calibration.readings import Simulated, simulate
from tests.calibration.world import SIZES, Floats, World, make_world

Found = dict[str, Floats]
"""Scores of one shop, by name; a row of the report pools them over shops."""


@dataclass(frozen=True)
class Solved:
    """One shop, measured and fitted."""

    simulated: Simulated
    fit: Fit
    system: System

    @property
    def world(self) -> World:
        """Its truth."""
        return self.simulated.truth.world

    @cached_property
    def pairs(self) -> list[Pair]:
        """Its pairs as the records say."""
        return pairs_of(self.simulated.history)

    @cached_property
    def direct(self) -> dict[tuple[int, int], int]:
        """Cars measured with and without, by (part, platform)."""
        return direct_cars(self.pairs)

    @cached_property
    def naive(self) -> dict[tuple[int, int], float]:
        """Best after minus best before [ln]."""
        return best_after_minus_best_before(self.simulated, self.pairs)

    @cached_property
    def fitted_on(self) -> set[tuple[int, int]]:
        """(part, platform) that some setup's record names."""
        history = self.simulated.history
        counts = np.diff(history.part_start)
        return set(
            zip(history.part_id.tolist(), np.repeat(history.platform_id, counts).tolist(), strict=True)
        )


def solve_shop(seed: int, size: str) -> Solved:
    """The shop of a seed."""
    return solve(simulate(make_world(seed, SIZES[size])))


def solve(simulated: Simulated) -> Solved:
    """Fit the model to a history and solve it."""
    fitted = fit(simulated.history, simulated.catalogue, seed=simulated.truth.world.seed)
    return Solved(simulated, fitted, build(fitted, simulated.history, simulated.catalogue))


def alarms(solved: Solved) -> tuple[Step, ...]:
    """The steps of bays that the model says nobody recorded."""
    setups = solved.system.setups()
    return find_steps(setups.at, setups.bay_id, setups.vehicle_id, solved.system.columns_against)


def with_alarms_recorded(solved: Solved) -> Solved:
    """The same fit once the shop has entered every alarm as an event of its bay."""
    bays = dict(solved.simulated.catalogue.bays)
    for step in alarms(solved):
        bays[step.bay_id] = replace(
            bays[step.bay_id], events=tuple(sorted((*bays[step.bay_id].events, step.at)))
        )
    catalogue = replace(solved.simulated.catalogue, bays=bays)
    system = build(solved.fit, solved.simulated.history, catalogue)
    return Solved(replace(solved.simulated, catalogue=catalogue), solved.fit, system)


def columns(rows: Collection[tuple[float, ...]], *names: str) -> Found:
    """Rows of figures as columns."""
    table = np.array(list(rows), dtype=np.float64).reshape(len(rows), len(names))
    return dict(zip(names, table.T, strict=True))
