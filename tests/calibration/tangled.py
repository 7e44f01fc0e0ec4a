"""A shop of one platform where a calibration and a down-pipe were changed together: on a third of the cars, or always."""

from itertools import count

import numpy as np

from tests.calibration.readings import Simulated, measure
from tests.calibration.stories import Car, Parts, Visit, tell_stories
from tests.calibration.world import DAYS, FIRST_DAY, Size, World, make_world

CARS = 24
BESIDE = Size("beside", 60, 3, 3, 3)
"""The rest of the shop."""
STOCK: Parts = frozenset()


def tangled_shop(seed: int, together: float) -> tuple[Simulated, int, int]:
    """A shop's history beside CARS cars of its commonest platform, and the calibration and the down-pipe they got.

    together: the share of these cars whose calibration came with the down-pipe; the down-pipe was never fitted otherwise.
    """
    world = make_world(seed, BESIDE, kind="usual")
    rng = np.random.default_rng([seed, 7])
    calibration, down_pipe, platform = tangled_parts(world)
    cars = [
        *others(world, {calibration, down_pipe}, rng),
        *(
            tested(vehicle, platform, changed(calibration, down_pipe, place < together * CARS), world, rng)
            for place, vehicle in enumerate(range(1001, 1001 + CARS))
        ),
    ]
    return measure(world, numbered(cars), rng), calibration, down_pipe


def tangled_parts(world: World) -> tuple[int, int, int]:
    """A calibration and a down-pipe that exist for one boosted platform, and that platform."""
    for platform in world.platforms.values():
        fitting = world.fitting(platform.platform_id)
        of = {
            slot: [part for part in fitting if world.parts[part].slot == slot]
            for slot in ("calibration", "down-pipe")
        }
        if platform.boosted and of["calibration"] and of["down-pipe"]:
            return of["calibration"][0], of["down-pipe"][0], platform.platform_id
    raise ValueError(f"seed: {world.seed} has no boosted platform with both parts; take another")


def changed(calibration: int, down_pipe: int, together: bool) -> Parts:
    """What goes on a car at once."""
    return frozenset((calibration, down_pipe)) if together else frozenset((calibration,))


def tested(vehicle: int, platform: int, parts: Parts, world: World, rng: np.random.Generator) -> Car:
    """A car measured stock and then with its parts, in one strap-down."""
    at = FIRST_DAY + DAYS * float(rng.random())
    visit = Visit(vehicle, vehicle, int(rng.integers(len(world.bays))) + 1, at, (STOCK, parts))
    return Car(vehicle, platform, STOCK, (visit,))


def others(world: World, without: set[int], rng: np.random.Generator) -> list[Car]:
    """The shop's other cars, those left out that had one of these parts."""
    return [
        car
        for car in tell_stories(world, rng)
        if not any(state & without for visit in car.visits for state in visit.states)
    ]


def numbered(cars: list[Car]) -> list[Car]:
    """The same cars with ids that run from 1, strap-downs likewise."""
    sessions = count(1)
    return [
        Car(
            vehicle,
            car.platform,
            car.arrived,
            tuple(Visit(vehicle, next(sessions), v.bay, v.at, v.states) for v in car.visits),
        )
        for vehicle, car in enumerate(cars, start=1)
    ]
