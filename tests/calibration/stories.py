"""What was done with every car: when it came, to which bay, and what was fitted in each setup."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.calibration.world import DAYS, FIRST_DAY, POPULARITY, World

Parts = frozenset[int]

ARRIVES_MODIFIED = 0.2
COMES_AGAIN = 0.35
OTHER_BAY = 0.3
CHANGED_BETWEEN_VISITS = 0.55
TESTED_IN_A_VISIT = 0.45
SEVERAL_AT_ONCE = 0.25
REPEATED_LAST = 0.12
"""Tests whose first state is measured again at the end."""
TANGLED = 1 / 3
MOST_PARTS = 6


@dataclass(frozen=True)
class Visit:
    """One strap-down of one car and the states measured in it, in order."""

    vehicle: int
    session: int
    bay: int
    at: float
    states: tuple[Parts, ...]


@dataclass(frozen=True)
class Car:
    """A car: what it is, what it came with, and its visits."""

    vehicle: int
    platform: int
    arrived: Parts
    visits: tuple[Visit, ...]


def tell_stories(world: World, rng: np.random.Generator) -> list[Car]:
    """All cars of a shop; some platforms are common, most are rare."""
    count = world.size.cars
    weights = np.array([1.0 / (place + 1.0) ** 0.8 for place in range(len(world.platforms))])
    platforms = rng.choice(list(world.platforms), count, p=weights / weights.sum())
    sessions = iter(range(1, 100 * count))
    return [
        tell_story(world, vehicle, int(platform), sessions, rng)
        for vehicle, platform in enumerate(platforms, start=1)
    ]


def tell_story(
    world: World, vehicle: int, platform: int, sessions: Iterator[int], rng: np.random.Generator
) -> Car:
    """One car from its first visit to its last."""
    state: Parts = frozenset()
    if rng.random() < ARRIVES_MODIFIED:
        for _ in range(int(rng.integers(1, 4))):
            state = fit_one(world, platform, state, rng)
    arrived, home = state, int(rng.integers(len(world.bays))) + 1
    at = FIRST_DAY + DAYS * float(rng.random())
    visits: list[Visit] = []
    while True:
        if visits and rng.random() < CHANGED_BETWEEN_VISITS:
            state = changed(world, platform, state, rng)
        bay = int(rng.integers(len(world.bays))) + 1 if rng.random() < OTHER_BAY else home
        states = measured_in_a_visit(world, platform, state, rng)
        visits.append(Visit(vehicle, next(sessions), bay, at, states))
        state, at = states[-1], at + float(rng.exponential(150.0)) + 1.0
        if rng.random() > COMES_AGAIN or at > FIRST_DAY + DAYS:
            return Car(vehicle, platform, arrived, tuple(visits))


def measured_in_a_visit(
    world: World, platform: int, state: Parts, rng: np.random.Generator
) -> tuple[Parts, ...]:
    """The states of one strap-down: often one, else a test of one or more steps, at times ending where it began."""
    states = [state]
    while rng.random() < TESTED_IN_A_VISIT and len(states) < 4:
        states.append(changed(world, platform, states[-1], rng))
    if len(states) == 2 and states[0] != states[1] and rng.random() < REPEATED_LAST:
        states.append(states[0])
    return tuple(states)


def changed(world: World, platform: int, state: Parts, rng: np.random.Generator) -> Parts:
    """One change of the work a shop does: mostly one part, at times several at once."""
    count = int(rng.integers(2, 4)) if rng.random() < SEVERAL_AT_ONCE else 1
    for _ in range(count):
        state = fit_one(world, platform, state, rng)
    return state


def fit_one(world: World, platform: int, state: Parts, rng: np.random.Generator) -> Parts:
    """Fit a part, in place of what was in its slots; the tangled down-pipe only comes along with its calibration."""
    calibration, down_pipe = world.tangled or (0, 0)
    choices = [part for part in world.fitting(platform) if part not in state and part != down_pipe]
    if not choices or len(state) >= MOST_PARTS:
        return state
    weights = np.array([POPULARITY.get(world.parts[part].slot, 1.0) for part in choices])
    new = int(rng.choice(choices, p=weights / weights.sum()))
    state = put(world, state, new)
    if new == calibration and (down_pipe, platform) in world.gains and rng.random() < TANGLED:
        state = put(world, state, down_pipe)
    return state


def put(world: World, state: Parts, new: int) -> Parts:
    """A part put in; whatever shares a slot with it comes out."""
    slots = world.parts[new].slots
    return frozenset(part for part in state if not world.parts[part].slots & slots) | {new}


def setups_of(cars: Sequence[Car]) -> Iterator[tuple[Car, Visit, int]]:
    """Every setup in the order of a history: by car, strap-down, place in it."""
    for car in cars:
        for visit in car.visits:
            for place in range(len(visit.states)):
                yield car, visit, place
