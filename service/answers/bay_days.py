"""Is it the car or the bay today: a bay's days, each by its cars against what all other days let expect of them.

Where a day has too few cars for a verdict the days around it are taken in, no further than WIDEST and no further than
anything recorded about the bay.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Final

import numpy as np

from service.answers.model import ModelState
from service.domain.history import Floats, Ints
from service.stats.history.bay_days import (
    FEWEST_CARS,
    BayDay,
    CarOfDay,
    bay_day,
    car_columns,
    days_of,
    estimated,
)
from service.store.db import Connection
from service.store.model_questions import SetupPlace, places_of_setups

MOST_COLUMNS: Final = 2_000
"""Columns asked about together: 16 kB for each column of a platform and of what platforms share (our choice)."""
WIDEST: Final = 14
"""Days before and after a day that may stand in for it (our choice: a machine or probe that moved stays so)."""
EPOCH: Final = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class Asked:
    """One day of one bay, and so many days before and after it; without one car where that is given."""

    bay_id: int
    day: int
    without: int | None = None
    reach: int = 0


@dataclass(frozen=True, slots=True)
class CarShown:
    """A car of a day: where its first setup of that day stands."""

    car: CarOfDay
    place: SetupPlace
    check_car: bool


@dataclass(frozen=True, slots=True)
class DayShown:
    """A bay's day; reach: how many days before and after it were taken in."""

    bay: str
    found: BayDay
    reach: int
    cars: tuple[CarShown, ...]

    @property
    def day(self) -> date:
        """The day, in UTC."""
        return EPOCH + timedelta(days=self.found.day)


def days_with_posts(state: ModelState, bay_id: int) -> list[int]:
    """The days on which cars were measured in a bay, newest first [days since 1970-01-01]."""
    setups = state.system.setups()
    days: list[int] = np.unique(days_of(setups.at[setups.bay_id == bay_id])).tolist()
    return days[::-1]


def bay_named(state: ModelState, slug: str | None) -> int | None:
    """A bay's id in the model; None where nothing was measured in it."""
    return next((key for key, bay in state.system.catalogue.bays.items() if bay.slug == slug), None)


def shown_days(conn: Connection, state: ModelState, asked: Sequence[Asked]) -> list[DayShown]:
    """These days, with their cars by name."""
    wide = [widened(state, one) for one in asked]
    found = bay_days(state, wide)
    firsts = [first_setups(state, one, day) for one, day in zip(wide, found, strict=True)]
    places = places_of_setups(conn, [setup for first in firsts for setup in first.values()])
    cars, bays = state.system.catalogue.cars, state.system.catalogue.bays
    return [
        DayShown(
            bays[one.bay_id].slug,
            day,
            one.reach,
            tuple(
                CarShown(car, places[first[car.vehicle_id]], cars[car.vehicle_id].check_car)
                for car in day.cars
                if first[car.vehicle_id] in places
            ),
        )
        for one, day, first in zip(wide, found, firsts, strict=True)
    ]


def widened(state: ModelState, asked: Asked) -> Asked:
    """The day with so many days around it as give a verdict; all that may be taken where none do."""
    setups = state.system.setups()
    whole = replace(asked, reach=WIDEST)
    rows = on_day(state, whole)
    away = np.abs(days_of(setups.at[rows]) - asked.day)
    cars, place = np.unique(setups.vehicle_id[rows], return_inverse=True)
    nearest = np.full(len(cars), WIDEST, dtype=np.int64)
    np.minimum.at(nearest, place, away)
    if len(cars) < FEWEST_CARS:
        return whole
    return replace(asked, reach=int(np.sort(nearest)[FEWEST_CARS - 1]))


def first_setups(state: ModelState, asked: Asked, day: BayDay) -> Mapping[int, int]:
    """The first setup of each car of a day."""
    setups, rows = state.system.setups(), on_day(state, asked)
    first: dict[int, int] = {}
    for row in rows:
        first.setdefault(int(setups.vehicle_id[row]), int(setups.setup_id[row]))
    return {car.vehicle_id: first[car.vehicle_id] for car in day.cars}


def bay_days(state: ModelState, asked: Sequence[Asked]) -> list[BayDay]:
    """These days, from the solved history."""
    setups = state.system.setups()
    rows = [on_day(state, one) for one in asked]
    first_day = first_days(setups.vehicle_id, setups.at)
    found: list[BayDay] = []
    for some in batches([len(own) for own in rows]):
        cars, columns = car_columns(setups.vehicle_id, rows[some])
        ends = np.cumsum([0, *map(len, cars)])
        score, information = state.system.columns_against(columns, ends)
        found += [
            one_day(one.day, of_day, score[start:end], known, first_day)
            for one, of_day, known, (start, end) in zip(
                asked[some], cars, information, pairwise(ends.tolist()), strict=True
            )
        ]
    return found


def one_day(day: int, cars: Ints, score: Floats, information: Floats, first_day: Mapping[int, int]) -> BayDay:
    """One day from its own part of the columns."""
    if not len(cars):
        return BayDay(day, None, None, ())
    seen = np.array([first_day[int(car)] < day for car in cars])
    return bay_day(day, cars, *estimated(score, information), seen)


def on_day(state: ModelState, asked: Asked) -> Ints:
    """The setups of that bay and day, and of the days around it with nothing recorded between: their rows."""
    setups, events = state.system.setups(), np.asarray(state.system.catalogue.bays[asked.bay_id].events)
    rows = np.flatnonzero(setups.bay_id == asked.bay_id)
    away = np.abs(days_of(setups.at[rows]) - asked.day)
    own, here = rows[away == 0], rows[away <= asked.reach]
    if events.size and own.size:
        of_day = np.searchsorted(events, setups.at[own], side="right")
        here = here[np.isin(np.searchsorted(events, setups.at[here], side="right"), of_day)]
    return here if asked.without is None else here[setups.vehicle_id[here] != asked.without]


def first_days(vehicle_id: Ints, at: Floats) -> dict[int, int]:
    """The day on which each car was first measured."""
    cars, place = np.unique(vehicle_id, return_inverse=True)
    first = np.full(len(cars), np.inf)
    np.minimum.at(first, place, at)
    return dict(zip(cars.tolist(), days_of(first).tolist(), strict=True))


def batches(sizes: Sequence[int]) -> Iterator[slice]:
    """Neighbours taken together while they are no more than MOST_COLUMNS columns."""
    start = held = 0
    for i, size in enumerate(sizes):
        if i > start and held + size > MOST_COLUMNS:
            yield slice(start, i)
            start, held = i, 0
        held += size
    if start < len(sizes):
        yield slice(start, len(sizes))
