"""Five years of the invented shop as plans: which car came when, to which bay, in which states, with which faults.

A plan holds no measured number; `pulls.py` turns one plan into one post. Everything follows from one seed.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import numpy as np

from seed import jobs
from seed.effects import Effects
from seed.jobs import Job, State
from seed.oddities import plant_oddities
from seed.parts import PART
from seed.plans import UNSTATED, Car, Fitting, History, SessionPlan
from seed.shop import (
    BAY,
    BAY_EVENTS,
    BAYS,
    CHECK_CAR,
    FIRST_DAY,
    LAST_DAY,
    PLATFORM,
    PLATFORMS,
    SHORT,
    Platform,
)

DEFAULT_SEED = 20260320
TIRED_SHARE = 0.03  # of all cars
OLD_RECORDS_UNTIL = FIRST_DAY + timedelta(days=365)
OLD_RECORD_SHARE, OLD_PAIR_SHARE = (
    0.8,
    0.25,
)  # of the first year's ordinary sessions, and of its pairs, are on paper
CHECK_EVERY_DAYS = 118
FUTURE_CLOCK = datetime(2094, 1, 1, 0, 7, tzinfo=UTC)  # a bay's clock after its battery died


class Diary:
    """Which bay is free on which day: one session a bay and day, later in the week when taken."""

    def __init__(self) -> None:
        self._taken: set[tuple[str, date]] = set()

    def book(self, bay: str, day: date) -> date:
        """The first free weekday from `day` on, now taken."""
        while day.weekday() >= 5 or (bay, day) in self._taken:
            day += timedelta(days=1)
        self._taken.add((bay, day))
        return day


def make_history(cars: int, seed: int) -> History:
    """The past of a shop with about this many cars."""
    effects, rng, diary = Effects(seed), np.random.default_rng([seed, 4]), Diary()
    booked: list[tuple[Platform, Job, list[tuple[str, date]]]] = []
    for platform in PLATFORMS:
        for job in jobs.jobs_of(platform, cars, effects, rng):
            booked.append((platform, job, _book(job, diary, rng)))
    booked.sort(key=lambda entry: entry[2][0][1])
    return _assemble(effects, booked, diary, rng)


def _book(job: Job, diary: Diary, rng: np.random.Generator) -> list[tuple[str, date]]:
    """Bay and day of each visit of one car, in date order."""
    span = (LAST_DAY - FIRST_DAY).days - sum(visit.days_later for visit in job.visits) - 30
    day, bay, booked = FIRST_DAY + timedelta(days=int(rng.integers(0, span))), _any_bay(rng), []
    for visit in job.visits:
        bay = _any_bay(rng, but=bay) if visit.other_bay else bay
        day = diary.book(bay, day + timedelta(days=visit.days_later))
        booked.append((bay, day))
    return booked


def _any_bay(rng: np.random.Generator, but: str | None = None) -> str:
    """A bay as busy as it is, never the one named."""
    choice = [bay for bay in BAYS if bay.slug != but]
    shares = np.array([bay.share for bay in choice])
    return choice[int(rng.choice(len(choice), p=shares / shares.sum()))].slug


def _assemble(
    effects: Effects,
    booked: list[tuple[Platform, Job, list[tuple[str, date]]]],
    diary: Diary,
    rng: np.random.Generator,
) -> History:
    """Cars numbered as they first came, their sessions, what stayed fitted, and the planted faults."""
    cars: list[Car] = []
    plans: list[SessionPlan] = []
    fittings: list[Fitting] = []
    for number, (platform, job, visits) in enumerate(booked):
        car = _make_car(number, platform, sum(c.platform == platform.slug for c in cars) + 1, rng)
        cars.append(car)
        for (bay, day), visit in zip(visits, job.visits, strict=True):
            start = _start(day, visit.states, rng, late=visit.days_later == 0 and visit.other_bay)
            plans.append(_record(SessionPlan(0, car, bay, start, visit.states), job.kind, rng))
        fittings += _fittings(car, job, visits, rng)
    house, checks = _check_car(len(cars), diary, rng)
    plans = _number(plans + checks)
    plans, wrong = _plant(plans, effects, rng)
    history = History(effects, (*cars, house), tuple(plans), tuple(fittings), wrong)
    return plant_oddities(history)


def _make_car(number: int, platform: Platform, count: int, rng: np.random.Generator) -> Car:
    tired = bool(rng.random() < TIRED_SHARE)
    effect = platform.stock_sd * float(np.clip(rng.standard_normal(), -2.4, 2.4))
    if tired:
        effect = -float(rng.uniform(0.065, 0.11))
    year = int(rng.integers(platform.years[0], platform.years[1] + 1))
    return Car(
        number=number,
        tag=f"{SHORT[platform.slug]}-{count:03d}",
        platform=platform.slug,
        model_year=year,
        odometer_km=int((2024 - year + rng.uniform(0.5, 2.0)) * rng.uniform(7000, 17000)) // 100 * 100,
        effect=effect,
        tilt=0.008 * float(rng.standard_normal()) - (0.03 if tired else 0.0),
        tired=tired,
    )


def working_minutes(states: tuple[State, ...]) -> float:
    """How long a session takes: pulls, and the work between states [min]."""
    return sum(5.0 * (state.pulls + state.settling) + 60.0 * state.work_hours + 12.0 for state in states)


def _start(day: date, states: tuple[State, ...], rng: np.random.Generator, late: bool) -> datetime:
    """A start that lets the session end in working hours; after another bay the same day, in the afternoon."""
    latest = max(8.6, min(15.5, 18.5 - working_minutes(states) / 60.0))
    hours = (
        float(rng.uniform(14.0, 15.5)) if late else float(rng.uniform(8.5, latest if latest < 13.0 else 12.5))
    )
    return datetime.combine(day, time(0), UTC) + timedelta(minutes=int(hours * 60.0))


def _record(plan: SessionPlan, kind: str, rng: np.random.Generator) -> SessionPlan:
    """How a session was written down: on paper in the first year, sometimes corrected, sometimes without humidity."""
    dice = rng.random(6)
    known = "verified" if dice[0] < 0.6 else "declared" if dice[0] < 0.9 else "unknown"
    plan = replace(plan, stock_checked=known)
    on_paper = OLD_RECORD_SHARE if kind in jobs.ORDINARY else OLD_PAIR_SHARE
    if plan.started_at.date() < OLD_RECORDS_UNTIL and dice[1] < on_paper:
        doubtful = "partial" if dice[2] < 0.25 else "unknown" if dice[2] < 0.32 else "complete"
        basis = UNSTATED if dice[4] < 0.2 else "observed"
        humidity = "none" if dice[3] < 0.4 else "humidity"
        return replace(plan, form="peaks", parts_known=doubtful, humidity=humidity, basis=basis)
    if dice[4] < 0.05:
        return replace(plan, basis=BAY[plan.bay].standard)
    if dice[4] < 0.08:
        return replace(plan, basis=BAY[plan.bay].standard, basis_factor=False)
    if dice[5] < 0.03:
        return replace(plan, humidity="none")
    return replace(plan, humidity="dew_point") if dice[5] < 0.09 else plan


def _fittings(
    car: Car, job: Job, visits: list[tuple[str, date]], rng: np.random.Generator
) -> Iterator[Fitting]:
    """The job book: parts on the car when it left, with what was paid; three in four were written down."""
    before: tuple[str, ...] = job.visits[0].states[0].parts
    for (_, day), visit in zip(visits, job.visits, strict=True):
        left_with = visit.states[-1].parts
        for part in left_with:
            if part not in before and rng.random() < 0.75:
                price = round(PART[part].price * float(rng.uniform(0.9, 1.06)), 2)
                hours = round(PART[part].hours * float(rng.uniform(0.85, 1.3)), 1)
                yield Fitting(car.tag, part, day, _taken_off(part, day, job, visits), price, hours)
        before = left_with


def _taken_off(part: str, fitted: date, job: Job, visits: list[tuple[str, date]]) -> date | None:
    """The later visit that ended without a part, if any."""
    later = [(day, visit) for (_, day), visit in zip(visits, job.visits, strict=True) if day > fitted]
    return next((day for day, visit in later if part not in visit.states[-1].parts), None)


def _check_car(number: int, diary: Diary, rng: np.random.Generator) -> tuple[Car, list[SessionPlan]]:
    """The shop's own car, kept stock, through every bay three times a year and after each event."""
    car = Car(number, CHECK_CAR, "merrow-sandpiper-20", 2012, 61200, 0.004, 0.0)
    plans = []
    for order, bay in enumerate(BAYS):
        planned = [FIRST_DAY + timedelta(days=9 + 12 * order + CHECK_EVERY_DAYS * turn) for turn in range(16)]
        planned += [event.on + timedelta(days=1) for event in BAY_EVENTS if event.bay == bay.slug]
        for day in (day for day in sorted(planned) if day <= LAST_DAY - timedelta(days=10)):
            states = (State("check", (), 3, 1),)
            start = _start(diary.book(bay.slug, day), states, rng, late=False)
            plans.append(SessionPlan(0, car, bay.slug, start, states))
    return car, plans


def _number(plans: list[SessionPlan]) -> list[SessionPlan]:
    """Sessions in date order, with each bay's own running number."""
    counts, numbered = dict.fromkeys(BAY, 0), []
    for index, plan in enumerate(sorted(plans, key=lambda plan: (plan.started_at, plan.car.tag))):
        counts[plan.bay] += 1
        numbered.append(replace(plan, index=index, sequence=counts[plan.bay]))
    return numbered


FAULTS = (
    ("heat-soak", 6), ("lean", 4), ("boost-leak", 4), ("wrong-part-keyed", 4), ("hurried", 8), ("tyre-slip", 3),
    ("settling-not-marked", 10), ("pull-rejected", 12),
)  # fmt: skip


def _suits(fault: str, plan: SessionPlan) -> bool:
    """Whether a fault can be planted in a session and still be seen there."""
    if plan.form != "curve" or plan.faults or plan.car.tag == CHECK_CAR or plan.car.tired:
        return False
    kind = PLATFORM[plan.car.platform].engine.kind
    if fault == "heat-soak":
        return kind != "diesel" and len(plan.states) == 1
    if fault == "lean":
        return kind != "diesel" and plan.states[0].parts == ()
    if fault == "boost-leak":
        return kind == "turbo" and plan.bay in ("south", "loaded") and plan.states[0].parts == ()
    if fault == "wrong-part-keyed":
        return bool(plan.states[-1].parts) and len(plan.states) > 1
    if fault == "hurried":
        return len(plan.states) > 1 and plan.states[0].parts == ()
    if fault == "tyre-slip":
        return plan.bay == "loaded"
    return fault != "settling-not-marked" or plan.states[0].settling > 0


def _plant(
    plans: list[SessionPlan], effects: Effects, rng: np.random.Generator
) -> tuple[list[SessionPlan], dict[int, tuple[str, str]]]:
    """Plants each kind of fault in its share of the sessions; one plan's clock is far in the future."""
    wrong: dict[int, tuple[str, str]] = {}
    for fault, per_400_cars in FAULTS:
        suited = [index for index, plan in enumerate(plans) if _suits(fault, plan)]
        wanted = min(len(suited), max(1, round(per_400_cars * len(plans) / 560)))
        for index in sorted(rng.choice(suited, wanted, replace=False).tolist() if suited else []):
            plans[index] = replace(plans[index], faults=(fault,))
            if fault == "wrong-part-keyed":
                wrong[index] = _mistaken(plans[index], effects)
    last = next(plan for plan in reversed(plans) if plan.car.tag != CHECK_CAR)
    future = replace(last, index=len(plans), started_at=FUTURE_CLOCK, faults=("future-clock",))
    return [*plans, future], {index: pair for index, pair in wrong.items() if pair[0] != pair[1]}


def _mistaken(plan: SessionPlan, effects: Effects) -> tuple[str, str]:
    """(the part truly fitted, the part keyed instead): one of a like slot, else the panel filter."""
    true = next(
        part for part in plan.states[-1].parts if part not in plan.states[0].parts or len(plan.states) == 1
    )
    like = [
        part.slug
        for part in PART.values()
        if part.slug != true and part.slots == PART[true].slots and effects.fits(plan.car.platform, part.slug)
    ]
    return true, (
        like or ["colder-plugs" if PLATFORM[plan.car.platform].engine.kind != "diesel" else "thin-oil"]
    )[0]
