"""How far the bays agree: each one's level against the mean of all, its noise, its drift, and its check car.

Only cars that were measured in more than one bay tell bays apart; a bay that shares none is said to be not compared, and its
offset, which then rests on its cars being like others of their kind, is not given.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import NormalDist

import numpy as np

from service.answers.behind import Worked
from service.answers.car_levels import stretches_of
from service.answers.model import PEAK, Live, ModelState
from service.answers.odd_bays import steps_of
from service.domain.history import History, Ints, moment_of
from service.stats.history.bays import Estimate, Step, drift_columns, estimate
from service.stats.history.cells import BayLevel
from service.stats.history.check_car import CheckReading, check_readings
from service.stats.history.noise_study import BayNoise, repeatability_by_bay, round_robin, shop_noise
from service.stats.history.repeats import Quarter, Trend, repeats_by_quarter, sd_interval, trend_of
from service.stats.history.shared_cars import shared_cars
from service.stats.history.system import System
from service.stats.iso5725 import Crossed, Precision
from service.store.db import Connection
from service.store.model_questions import (
    BayEvent,
    BayPost,
    SetupPlace,
    bay_events,
    last_posts,
    places_of_setups,
)
from service.store.past import past

FEWEST_DAYS = 180.0
"""Days that a bay's readings of one level must span before its drift is told (our choice)."""


FEWEST_SHARED = 3
"""Cars of a bay that were in another, under which its level is said to rest on few (our choice)."""


@dataclass(frozen=True, slots=True)
class CheckCar:
    """A check car in a bay: its readings, oldest first, each with where it stands."""

    vehicle: str
    readings: tuple[tuple[CheckReading, SetupPlace], ...]

    @property
    def is_inside(self) -> bool:
        """Whether its newest reading is inside its own limits."""
        return self.readings[-1][0].state != "outside"


@dataclass(frozen=True, slots=True)
class Repeats:
    """How well a bay repeats [ln]: sd and interval None where it has no repeats; by quarter, and whether it grows."""

    sd: float | None
    interval: tuple[float, float] | None
    pulls: int
    setups: int
    quarters: tuple[Quarter, ...]
    trend: Trend | None


NO_REPEATS = Repeats(None, None, 0, 0, (), None)


@dataclass(frozen=True, slots=True)
class BayPair:
    """Two bays and the cars measured in both, by tag; linked: a chain of shared cars leads from one to the other."""

    slugs: tuple[str, str]
    names: tuple[str, str]
    vehicles: tuple[str, ...]
    linked: bool


@dataclass(frozen=True, slots=True)
class BayAgreement:
    """One bay [ln]; level None: not compared with any other; interval, of its mean."""

    post: BayPost
    level: BayLevel | None
    interval: tuple[float, float] | None
    cars: int
    cars_shared: int
    repeatability: float | None
    repeats: Repeats
    reproducibility: float
    drift: Estimate | None
    drift_interval: tuple[float, float] | None
    steps: tuple[Step, ...]
    events: tuple[BayEvent, ...]
    check_cars: tuple[CheckCar, ...]


@dataclass(frozen=True, slots=True)
class Agreement:
    """All bays, by slug, every two of them, and the shop's noise; study: the same from check cars alone, where they were in
    every bay."""

    bays: tuple[BayAgreement, ...]
    pairs: tuple[BayPair, ...]
    shop: BayNoise | None
    study: Precision | Crossed | None
    level: float
    cautions: tuple[str, ...]


def agreed(level: float, live: Live, state: ModelState) -> Worked[Agreement] | None:
    """How far the bays agree: in a large history in the state that was worked out last, None where none was yet."""
    return live.worked_out(state, ("agreement", level), partial(bay_agreement, level=level))


def nothing_yet(level: float) -> Agreement:
    """The answer where nothing can be said yet."""
    return Agreement((), (), None, None, level, ())


def bay_agreement(conn: Connection, state: ModelState, level: float) -> Agreement:
    """Answer how far the bays agree."""
    posts = last_posts(conn)
    history = past(conn, PEAK, state.standard).history
    levels = {bay: stretches[-1] for bay, stretches in stretches_of(state.system.bays).items()}
    noise = shop_noise(state.system.fit, list(levels.values()))
    repeats = repeatability_by_bay(history, state.system.fit.pull_spread)
    checked, stepped = check_cars(conn, state, history), steps_of(conn, state)
    events, drifting = bay_events(conn), drifts(state.system)
    bays = tuple(
        agreement_of(
            post,
            levels.get(post.bay_id),
            repeats.get(post.bay_id),
            repeats_of(history, post.bay_id, level),
            noise,
            checked.get(post.bay_id, ()),
            tuple(stepped.get(post.bay_id, ())),
            tuple(event for event in events if event.bay_id == post.bay_id),
            drifting.get(post.bay_id),
            level,
        )
        for post in posts
    )
    cautions = tuple(agreement_cautions(bays))
    return Agreement(bays, pairs_of(state), noise, study_of(history, state), level, cautions)


def repeats_of(history: History, bay_id: int, level: float) -> Repeats:
    """How well a bay repeats, and whether that changes."""
    own = np.flatnonzero(
        (history.bay_id == bay_id) & (history.spread_df > 0) & np.isfinite(history.spread_ss)
    )
    if not own.size:
        return NO_REPEATS
    at, ss, df = history.at[own], history.spread_ss[own], history.spread_df[own]
    squares, free = float(ss.sum()), int(df.sum())
    quarters = repeats_by_quarter(at, ss, df, level)
    return Repeats(
        sd=(squares / free) ** 0.5,
        interval=sd_interval(squares, free, level),
        pulls=free + len(own),
        setups=len(own),
        quarters=quarters,
        trend=trend_of(quarters, level),
    )


def pairs_of(state: ModelState) -> tuple[BayPair, ...]:
    """Every two bays in which something was measured."""
    setups, catalogue = state.system.setups(), state.system.catalogue
    return tuple(
        BayPair(
            slugs=(catalogue.bays[one.bays[0]].slug, catalogue.bays[one.bays[1]].slug),
            names=(catalogue.bays[one.bays[0]].name, catalogue.bays[one.bays[1]].name),
            vehicles=tuple(catalogue.cars[car].tag for car in one.vehicles),
            linked=one.linked,
        )
        for one in shared_cars(setups.bay_id, setups.vehicle_id)
    )


def agreement_of(
    post: BayPost,
    level: BayLevel | None,
    repeatability: float | None,
    repeats: Repeats,
    noise: BayNoise,
    check: tuple[CheckCar, ...],
    steps: tuple[Step, ...],
    events: tuple[BayEvent, ...],
    drift: Estimate | None,
    wanted: float,
) -> BayAgreement:
    """One bay."""
    compared = level if level is not None and level.identifiable else None
    return BayAgreement(
        post=post,
        level=compared,
        interval=about(compared.mean, compared.variance, wanted) if compared else None,
        cars=level.cars if level else 0,
        cars_shared=level.cars_shared if level else 0,
        repeatability=repeatability,
        repeats=repeats,
        reproducibility=noise.levelled,
        drift=drift,
        drift_interval=about(drift.mean, drift.variance, wanted) if drift else None,
        steps=steps,
        events=events,
        check_cars=check,
    )


def about(mean: float, variance: float, level: float) -> tuple[float, float]:
    """An interval of a figure that is as good as normal."""
    half = NormalDist().inv_cdf(0.5 + level / 2.0) * variance**0.5
    return mean - half, mean + half


def drifts(system: System) -> Mapping[int, Estimate]:
    """How bays' levels move with time [ln a year]; those are left out whose readings span too short a time to tell."""
    setups = system.setups()
    long = [
        bay
        for bay in np.unique(setups.bay_id).tolist()
        if np.ptp(setups.at[setups.bay_id == bay]) >= FEWEST_DAYS
    ]
    columns = drift_columns(setups.at, setups.bay_id, long)
    score, information = system.columns_against(columns, np.arange(len(long) + 1))
    found = {
        bay: estimate(float(of_bay), float(known[0, 0]))
        for bay, of_bay, known in zip(long, score, information, strict=True)
    }
    return {bay: drift for bay, drift in found.items() if drift is not None}


def study_of(history: History, state: ModelState) -> Precision | Crossed | None:
    """What check cars that were measured in every bay say of precision, by the standard's own tables."""
    rows = np.concatenate(
        [np.empty(0, dtype=np.int64), *map(partial(same_state, history), checked_in(history, state))]
    )
    if set(history.bay_id[rows].tolist()) != set(np.unique(history.bay_id).tolist()):
        return None
    return round_robin(history.bay_id[rows], history.vehicle_id[rows], history.value[rows])


def checked_in(history: History, state: ModelState) -> list[int]:
    """The check cars in a history."""
    cars = state.system.catalogue.cars
    return [key for key in np.unique(history.vehicle_id).tolist() if key in cars and cars[key].check_car]


def check_cars(conn: Connection, state: ModelState, history: History) -> Mapping[int, tuple[CheckCar, ...]]:
    """Every bay's check cars with their readings: of otherwise the same state, at the common standard."""
    cars = state.system.catalogue.cars
    found: dict[int, list[CheckCar]] = {}
    for vehicle in checked_in(history, state):
        rows = same_state(history, vehicle)
        places = places_of_setups(conn, history.setup_id[rows].tolist())
        for bay in np.unique(history.bay_id[rows]).tolist():
            own = rows[history.bay_id[rows] == bay]
            events = state.system.catalogue.bays[bay].events
            readings = check_readings(history.at[own], history.value[own], events)
            in_order = own[np.argsort(history.at[own], kind="stable")]
            shown = [
                (reading, places[int(setup)])
                for reading, setup in zip(readings, history.setup_id[in_order], strict=True)
                if int(setup) in places
            ]
            if shown:
                found.setdefault(bay, []).append(CheckCar(cars[vehicle].tag, tuple(shown)))
    return {bay: tuple(checks) for bay, checks in found.items()}


def same_state(history: History, vehicle: int) -> Ints:
    """The rows of a car in the state it was measured in most often, with a figure at the standard."""
    rows = np.flatnonzero(
        (history.vehicle_id == vehicle) & history.levelled & history.complete & np.isfinite(history.value)
    )
    states = [history.parts_of(int(row)) for row in rows]
    if not states:
        return rows
    usual = max(states, key=states.count)
    return rows[[state == usual for state in states]]


def agreement_cautions(bays: Sequence[BayAgreement]) -> Iterator[str]:
    """What must be said beside it."""
    alone = [bay.post.name for bay in bays if bay.cars and bay.level is None]
    if alone:
        yield (
            f"Not compared: {' and '.join(alone)} share{plural_verb(alone)} no car with another bay; measure one car in "
            "both (a check car is best)."
        )
    for bay in bays:
        outside = [check.vehicle for check in bay.check_cars if not check.is_inside]
        if outside:
            yield f"The check car {outside[0]} read outside its limits in {bay.post.name}: have the bay looked at before relying on it."
        if bay.steps:
            yield (
                f"{bay.post.name} seems to have stepped on {moment_of(bay.steps[-1].at):%Y-%m-%d} with nothing recorded: if "
                f"something was done to it, record it (POST /v1/bays/{bay.post.slug}/events)."
            )
    few = [bay for bay in bays if bay.level is not None and bay.cars_shared < FEWEST_SHARED]
    for changed in (False, True):
        named = [bay.post.name for bay in few if was_changed(bay) is changed]
        if named:
            since = " since anything was last recorded about it" if changed else ""
            yield f"{' and '.join(named)}: compared by fewer than three cars{since}."


def was_changed(bay: BayAgreement) -> bool:
    """Whether the bay's level holds only since something was recorded about it."""
    return bay.level is not None and np.isfinite(bay.level.since).item()


def plural_verb(named: Sequence[str]) -> str:
    """The letter that a verb takes beside one."""
    return "s" if len(named) == 1 else ""
