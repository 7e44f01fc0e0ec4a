"""Odd records for every check at the door: what a real shop's books hold beside its sound sessions.

Planted last and from random numbers of their own, so that everything else of the shop stays as it is. They sit in
sessions of one state, whose comparisons with other sessions are few.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from seed.air import Air
from seed.engines import Floats
from seed.jobs import State
from seed.parts import PART
from seed.plans import Fitting, History, SessionPlan
from seed.shop import CHECK_CAR, FIRST_DAY

HOT_MONTHS = (6, 7, 8)
FORGOTTEN_GAIN = float(np.log(1.06))  # of a part that went on between two setups and was never keyed [log]
EXPORTED_POINTS = 6
CUT_SHORT = (
    0.38,
    0.90,
)  # where of its range a pull begins that was opened late, and where it was lifted [0..1]
SENT_AFTER = timedelta(minutes=26)  # the bay's clock at contact, after the last pull
BOOKED_BEFORE_DAYS = (15, 90)
LONGEST_BOOKED_JOB_H = 2.0
WRONG_CARS = {"merrow-sandpiper-20": "tarn-fell-50", "halvern-stoat-16t": "tarn-fell-50"}
"""What truly stood on the rollers where a session was keyed to the car beside it in the book, by platform."""
STRUCK_WHY = "the other car of this owner stood on the rollers: the wrong sheet was open"
CONFIRMED_WHY = "cut short on purpose, the tyres are not rated for more; what was measured agrees with the pulls beside it"


@dataclass(frozen=True)
class Oddity:
    """One kind of odd record. check: the code it raises at the door, if any; wanted: how many per 560 sessions."""

    kind: str
    check: str | None
    wanted: int


ODDITIES = (
    Oddity("hot-thin-day", "factor-outside-limits", 4),
    Oddity("sparse-export", "few-samples", 3),
    Oddity("cut-short", "rpm-coverage", 4),
    Oddity("best-of-lost", "best-of-unknown", 5),
    Oddity("job-book-differs", "parts-differ-from-modifications", 3),
    Oddity("sent-later", "clock-skew", 4),
    Oddity("forgotten-part", "same-parts-differ", 3),
    Oddity("two-programs", "mixed-basis", 3),
    Oddity("wrong-car", "level-implausible", 2),
    Oddity("struck", None, 1),
)
CONFIRMED = "confirmed"  # beside `cut-short`: a person looked at the pull and let it count
CHECK_OF = {oddity.kind: oddity.check for oddity in ODDITIES}


def plant_oddities(history: History) -> History:
    """The same past with each kind of oddity in its share of the sessions."""
    rng = np.random.default_rng([history.effects.seed, 9])
    plans = list(history.sessions)
    seen_once = _seen_once(plans)
    for oddity in ODDITIES:
        suited = [
            i for i, plan in enumerate(plans) if plan.car.tag in seen_once and _suits(oddity.kind, plan)
        ]
        wanted = min(len(suited), max(1, round(oddity.wanted * len(plans) / 560)))
        for index in sorted(rng.choice(suited, wanted, replace=False).tolist() if suited else []):
            plans[index] = _planted(oddity.kind, plans[index])
    _confirm_one(plans)
    wrong_lines = [_wrong_line(plan, history, rng) for plan in _of_kind("job-book-differs", plans)]
    return replace(history, sessions=tuple(plans), fittings=(*history.fittings, *wrong_lines))


def _seen_once(plans: list[SessionPlan]) -> set[str]:
    """Cars that came for one session only: nothing else of theirs is bent by what is planted in it."""
    visits = Counter(plan.car.tag for plan in plans)
    return {tag for tag, count in visits.items() if count == 1} - {CHECK_CAR}


def _suits(kind: str, plan: SessionPlan) -> bool:
    """Whether an oddity can stand in a session and be seen there."""
    if plan.faults or len(plan.states) != 1 or plan.car.tired:
        return False
    if kind == "best-of-lost":
        return plan.form == "peaks"
    if (
        plan.form != "curve"
        or plan.basis != "observed"
        or plan.humidity == "none"
        or plan.states[0].pulls < 3
    ):
        return False
    if kind == "hot-thin-day":
        return plan.started_at.month in HOT_MONTHS
    if kind == "job-book-differs":
        late_enough = plan.started_at.date() > FIRST_DAY + timedelta(days=BOOKED_BEFORE_DAYS[1] + 2)
        return late_enough and plan.states[0].parts == ()
    if kind == "wrong-car":
        return plan.car.platform in WRONG_CARS and plan.states[0].parts == ()
    return kind != "forgotten-part" or plan.states[0].parts == ()


def _planted(kind: str, plan: SessionPlan) -> SessionPlan:
    """A session with an oddity; a forgotten part adds the second setup that it shows in."""
    plan = replace(plan, faults=(kind,))
    if kind != "forgotten-part":
        return plan
    again = State("stock, again", plan.states[0].parts, 3, 0, 1.0)
    return replace(plan, states=(*plan.states, again))


def _confirm_one(plans: list[SessionPlan]) -> None:
    """One pull that was cut short counts after all."""
    first = next(iter(_of_kind("cut-short", plans)), None)
    if first is not None:
        plans[plans.index(first)] = replace(first, faults=("cut-short", CONFIRMED))


def _of_kind(kind: str, plans: list[SessionPlan]) -> Iterator[SessionPlan]:
    return (plan for plan in plans if kind in plan.faults)


def _wrong_line(plan: SessionPlan, history: History, rng: np.random.Generator) -> Fitting:
    """A line of the job book on the wrong car's page: the part was never on this one."""
    quick = [
        part
        for part in PART.values()
        if part.hours < LONGEST_BOOKED_JOB_H and history.effects.fits(plan.car.platform, part.slug)
    ]
    part = quick[int(rng.integers(len(quick)))]
    day = plan.started_at.date() - timedelta(days=int(rng.integers(*BOOKED_BEFORE_DAYS)))
    day -= timedelta(days=max(0, day.weekday() - 4))  # the workshop is closed at weekends
    return Fitting(plan.car.tag, part.slug, day, None, part.price, part.hours)


def on_the_rollers(plan: SessionPlan) -> str:
    """The platform of the car that was measured: the keyed car's, but for one keyed to the wrong car."""
    return WRONG_CARS[plan.car.platform] if "wrong-car" in plan.faults else plan.car.platform


def hot_and_thin(air: Air) -> Air:
    """The same day's air at its worst: a heat wave under low pressure, with the extraction fan off."""
    return Air(
        round(38.0 + 0.08 * air.temperature_c, 1),
        round(97.7 + 0.1 * (air.pressure_kpa - 100.0), 2),
        round(0.34 + 0.04 * air.humidity, 2),
    )


def cut(kind: str, channels: dict[str, Floats]) -> dict[str, Floats]:
    """What is left of a pull's channels: the few rows of an exported table, or the middle of a pull cut short."""
    rpm = channels["rpm"]
    if kind == "sparse-export":
        peak = int(np.argmax(channels["torque"] * rpm))
        kept = np.linspace(0, rpm.size - 1, EXPORTED_POINTS).astype(int)
        kept[np.abs(kept - peak).argmin()] = peak  # a table shows the peak
    else:
        place = (rpm - rpm[0]) / (rpm[-1] - rpm[0])
        kept = np.flatnonzero((place >= CUT_SHORT[0]) & (place <= CUT_SHORT[1]))
    return {name: values[kept] for name, values in channels.items()}
