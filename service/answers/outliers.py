"""What lies apart from the rest: cars, what parts did on a car, single setups and pulls, steps of a bay; and why.

Which are listed is decided for all of a kind together, so that no larger share than FALSE_SHARE of a kind is there by
chance; what is asked for is then picked out of these. A deviation is from what the whole history says of the figure when it
is left out. Reasons are what was recorded beside it; they never say what is wrong with a car.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial

import numpy as np

from service.answers.measured import solved_for
from service.answers.model import PEAK, ModelState
from service.answers.odd_bays import odd_bays
from service.answers.odd_pulls import odd_pulls
from service.answers.odd_shown import Company, OddOne, company_of, shown_odd
from service.domain.measures import Measure
from service.stats.history.outliers import FALSE_SHARE, Odd, odd_cars, odd_gains, odd_setups
from service.store.db import Connection


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
    """Odd ones, most surprising first, and how many of each kind were looked at."""

    odd: tuple[OddOne, ...]
    looked_at: Mapping[str, int]
    false_share: float


def outliers(conn: Connection, asked: OutliersAsked, state: ModelState) -> Outliers:
    """What lies apart in this history, as asked for; all of it is looked at once for each state of the model."""
    key = ("outliers", asked.measure, asked.standard)
    found = state.kept(conn, key, partial(look, measure=asked.measure, standard=asked.standard))
    assert isinstance(found, Outliers)
    wanted = tuple(one for one in found.odd if is_asked(one, asked))
    return Outliers(wanted, found.looked_at, found.false_share)


def is_asked(one: OddOne, asked: OutliersAsked) -> bool:
    """Whether it is of the platform, bay and time that were asked for."""
    return (
        (asked.platform is None or one.where.platform == asked.platform)
        and (asked.bay is None or one.where.bay == asked.bay)
        and (asked.since is None or one.where.at >= asked.since)
    )


def look(conn: Connection, state: ModelState, measure: Measure, standard: str) -> Outliers:
    """Look at everything: cars in the asked measure, pulls in its peak; gains, setups and bays in the model's own."""
    solved, system = solved_for(conn, state, measure, standard), state.system
    cars = solved.cars()
    odd: list[Odd] = odd_cars(cars)
    looked_at = {"cars": int(np.isfinite(cars.own).sum())}
    stepped: list[OddOne] = []
    if measure == PEAK and standard == state.standard:
        gains, setups = system.car_gains(), system.setups()
        odd += odd_gains(gains) + odd_setups(setups)
        stepped = list(odd_bays(conn, state))
        looked_at |= {
            "gains": int(np.isfinite(gains.own).sum()),
            "setups": len(setups.setup_id),
            "bays": len(system.catalogue.bays),
        }
    company: Company = company_of(conn, state, standard, odd)
    shown = [shown_odd(one, company, solved) for one in odd]
    pulls, looked_at["pulls"] = odd_pulls(conn, measure, state)
    every = [*(one for one in shown if one is not None), *pulls, *stepped]
    return Outliers(tuple(sorted(every, key=lambda one: -abs(one.score))), looked_at, FALSE_SHARE)
