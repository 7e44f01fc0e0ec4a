"""Stock cars at the common level of the bays, and each one's place among its kind with what is not known of it.

A value is the mean of a car's stock setups, each without its bay's offset; a car's place is that of its shrunk level: a
reading far out is partly noise.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.answers.car_levels import level_at, stretches_of
from service.answers.measured import Solved
from service.answers.model import ModelState
from service.domain.history import Floats
from service.stats.history.cells import BayLevel
from service.stats.history.place import Place, Places, place, places, platform_spread
from service.stats.spread import MIN_FOR_PERCENTILE

USUAL_PULLS = 3
"""Pulls behind a figure that somebody asks about (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StockCar:
    """One car's value [kW or N.m]: the mean of its stock setups as they read, with its newest session.

    readings: bay and time [days since 1970-01-01] of each of its setups.
    """

    vehicle_id: int
    vehicle: str
    session: str
    value: float
    readings: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class LevelledCar:
    """One car: its value at the common level of the bays, and as it reads [kW or N.m]; `session`: the id of its newest."""

    vehicle_id: int
    vehicle: str
    session: str
    value: float
    raw: float
    setups: int
    bays: tuple[int, ...]


def levelled(cars: Sequence[StockCar], state: ModelState | None) -> tuple[LevelledCar, ...]:
    """The cars without their bays' offsets, lowest first; as they read where there is no model."""
    bays = stretches_of(() if state is None else state.system.bays)
    found = [
        LevelledCar(
            vehicle_id=car.vehicle_id,
            vehicle=car.vehicle,
            session=car.session,
            value=car.value * math.exp(-mean_offset(car.readings, bays)),
            raw=car.value,
            setups=len(car.readings),
            bays=tuple(sorted({bay for bay, _ in car.readings})),
        )
        for car in cars
    ]
    return tuple(sorted(found, key=lambda car: (car.value, car.vehicle)))


def mean_offset(readings: Sequence[tuple[int, float]], bays: Mapping[int, Sequence[BayLevel]]) -> float:
    """Mean of the offsets that a car's readings were made at [ln]; nought where a bay is not known."""
    at = [level_at(bays.get(bay, ()), when) for bay, when in readings]
    return sum(level.mean for level in at if level is not None) / len(at)


@dataclass(frozen=True, slots=True)
class PlacesAmong:
    """What places a platform's stock cars: each one's own level with its error [ln], NaN where not known, the spread
    between them, the typical car [kW or N.m], the error of one reading [ln^2]."""

    own: Floats
    variance: Floats
    spread: float
    typical: float
    error: float

    def of_cars(self, level: float) -> Places | None:
        """The measured cars' places; None under ten cars."""
        if len(self.own) < MIN_FOR_PERCENTILE:
            return None
        return places(self.own, self.variance, self.spread, level)

    def of_one_reading(self, value: float, level: float) -> Place | None:
        """The place of a car of which one figure is told, from an unnamed bay; None under ten cars."""
        if len(self.own) < MIN_FOR_PERCENTILE:
            return None
        return place(math.log(value / self.typical), self.error, self.spread, level)


def places_among(
    cars: Sequence[LevelledCar], solved: Solved, state: ModelState, platform: int
) -> PlacesAmong | None:
    """What places these cars; None where the model knows no typical stock car."""
    typical = solved.stock(platform)
    if typical is None:
        return None
    effects = solved.cars(platform)
    here = np.flatnonzero(np.isfinite(effects.own) & np.isfinite(effects.own_variance))
    row_of = dict(zip(effects.vehicle_id[here].tolist(), here.tolist(), strict=True))
    rows = np.array([row_of.get(car.vehicle_id, -1) for car in cars])
    own, variance = (
        np.where(rows >= 0, column[rows], np.nan) for column in (effects.own, effects.own_variance)
    )
    fit = state.system.fit
    noise = fit.spreads
    return PlacesAmong(
        own=own,
        variance=variance,
        spread=platform_spread(own, variance, solved.shop_spread()),
        typical=typical,
        error=noise.session**2 + noise.setup**2 + fit.pull_spread**2 / USUAL_PULLS + noise.bay**2,
    )


def about_levels(cars: Sequence[LevelledCar], state: ModelState | None) -> Iterator[str]:
    """Whether these values can be held against each other across bays."""
    bays = {bay for car in cars for bay in car.bays}
    if len(bays) < 2:
        return
    if state is None:
        yield "The bays are not levelled against each other yet: two bays can read a few percent apart."
        return
    compared = {level.bay_id for level in state.system.bays if level.identifiable}
    alone = [state.system.catalogue.bays[bay].slug for bay in sorted(bays - compared)]
    if alone:
        yield (
            f"Some cars were measured in {' and '.join(alone)} only, which shares no car with another bay: its level is "
            "guessed from its cars being like others of their kind."
        )
