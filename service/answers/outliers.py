"""What lies apart from the rest: cars, what parts did on a car, single setups and pulls, steps of a bay; and why.

Which are listed is decided for all of a kind together, so that no larger share than FALSE_SHARE of a kind is there by
chance; what is asked for is then picked out of these. A deviation is from what the whole history says of the figure when it
is left out. Reasons are what was recorded beside it; they never say what is wrong with a car.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial

import numpy as np

from service.answers.bay_days import Asked, DayShown, bay_named, shown_days
from service.answers.behind import Worked
from service.answers.measured import Solved, solved_for
from service.answers.model import PEAK, Live, ModelState
from service.answers.odd_bays import odd_bays
from service.answers.odd_looked import (
    Looked,
    counts,
    looked_at_bays,
    looked_at_cars,
    looked_at_gains,
    looked_at_pulls,
    looked_at_setups,
)
from service.answers.odd_pulls import odd_pulls
from service.answers.odd_shown import Company, OddOne, company_of, shown_odd
from service.domain.history import day_number
from service.domain.measures import PEAK_TORQUE, Measure
from service.stats.history.bay_days import days_of
from service.stats.history.outliers import FALSE_SHARE, Odd, odd_cars, odd_gains, odd_setups
from service.store.db import Connection
from service.store.past import past


@dataclass(frozen=True, slots=True)
class OutliersAsked:
    """Which of the odd ones are asked for; slugs, None: all."""

    measure: Measure
    standard: str
    platform: str | None
    bay: str | None
    since: datetime | None


@dataclass(frozen=True, slots=True)
class Outliers:
    """Odd ones, most surprising first, and how many of each kind were found and looked at, as far as asked for;
    nothing_since: nothing at all was measured since the asked day."""

    odd: tuple[OddOne, ...]
    looked_at: Mapping[str, int]
    false_share: float
    nothing_since: bool = False

    @property
    def found(self) -> Mapping[str, int]:
        """How many of each kind that was looked at lie apart."""
        odd = Counter(one.among for one in self.odd)
        return {kind: odd[kind] for kind in self.looked_at}


@dataclass(slots=True)
class Search:
    """Everything that lies apart in one state of the model, and everything that was looked at."""

    odd: list[OddOne] = field(default_factory=list)
    looked: dict[str, Looked] = field(default_factory=dict)


def searched(measure: Measure, standard: str, live: Live, state: ModelState) -> Worked[Search] | None:
    """All that lies apart in a state of the model: of a large history in the state that was searched last, None where none
    was yet."""
    key, recipe = ("outliers", measure, standard), partial(look, measure=measure, standard=standard)

    def once(conn: Connection, state: ModelState) -> Search:
        return state.kept(conn, key, recipe, again=False)

    return live.worked_out(state, key, once)


def outliers(conn: Connection, asked: OutliersAsked, worked: Worked[Search]) -> Outliers:
    """What is asked for of all that lies apart."""
    found, state = worked.give(conn), worked.state
    wanted = tuple(one for one in found.odd if is_asked(one, asked))
    looked_at = counts(found.looked, state, asked.platform, asked.bay, asked.since)
    return Outliers(wanted, looked_at, FALSE_SHARE, is_after_all(asked.since, state))


def is_after_all(since: datetime | None, state: ModelState) -> bool:
    """Whether everything in the history was measured before this."""
    at = state.system.setups().at
    return since is not None and len(at) > 0 and day_number(since) > float(at.max())


def is_asked(one: OddOne, asked: OutliersAsked) -> bool:
    """Whether it is of the platform, bay and time that were asked for."""
    return (
        (asked.platform is None or one.where.platform == asked.platform)
        and (asked.bay is None or one.where.bay == asked.bay)
        and (asked.since is None or one.where.at >= asked.since)
    )


def look(conn: Connection, state: ModelState, measure: Measure, standard: str) -> Search:
    """Look at everything: cars in the asked measure, pulls in its peak; gains, setups and bays in the model's own."""
    solved, system = solved_for(conn, state, measure, standard), state.system
    cars, setups, search = solved.cars(), system.setups(), Search()
    odd: list[Odd] = odd_cars(cars)
    search.looked["cars"] = looked_at_cars(cars, setups)
    if measure == PEAK and standard == state.standard:
        gains = system.car_gains()
        odd += odd_gains(gains) + odd_setups(setups)
        search.odd += odd_bays(conn, state)
        history = past(conn, PEAK, standard).history
        search.looked |= {
            "gains": looked_at_gains(gains, history, setups),
            "setups": looked_at_setups(setups),
            "bays": looked_at_bays(setups),
        }
    other = other_peak(conn, state, measure, standard) if any(one.kind == "car" for one in odd) else {}
    company: Company = company_of(conn, state, standard, odd, other)
    search.odd += [shown for one in odd if (shown := shown_odd(one, company, solved)) is not None]
    pulls, setup_of_pull = odd_pulls(conn, measure, state)
    search.odd += pulls
    search.odd.sort(key=lambda one: -abs(one.score))
    search.looked["pulls"] = looked_at_pulls(setup_of_pull, setups)
    return search


def other_peak(conn: Connection, state: ModelState, measure: Measure, standard: str) -> Mapping[int, float]:
    """What each car's torque is off by where power was asked, and the other way round [ln]."""
    other = PEAK_TORQUE if measure.quantity == "power" else PEAK
    solved: Solved = solved_for(conn, state, other, standard)
    cars = solved.cars()
    known = zip(cars.vehicle_id.tolist(), cars.own.tolist(), strict=True)
    return {car: own for car, own in known if own == own}  # NaN is not


def days_of_odd(conn: Connection, state: ModelState, odd: Sequence[OddOne]) -> list[DayShown | None]:
    """For each odd one the bay's day it was measured on, without the car itself; None for a bay."""
    by_tag = {car.tag: key for key, car in state.system.catalogue.cars.items()}
    asked = [day_asked(state, one, by_tag) for one in odd]
    found = iter(shown_days(conn, state, [one for one in asked if one is not None]))
    return [None if one is None else next(found) for one in asked]


def day_asked(state: ModelState, one: OddOne, by_tag: Mapping[str, int]) -> Asked | None:
    """The bay and day of the setup that is to be looked at."""
    if one.record is None:
        return None
    bay = bay_named(state, one.record.bay)
    if bay is None:
        return None
    day = int(days_of(np.array([day_number(one.record.started_at)]))[0])
    return Asked(bay, day, by_tag.get(one.record.vehicle))
