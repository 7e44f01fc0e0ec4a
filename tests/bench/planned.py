"""Who lives which life: the loaded shop as columns of numbers, and each of its sessions as a bay would have posted it.

A session of the plan is posted with the samples of its life, but for one thing: a whole step of torque is worth more or
less, by the platform, the car, what is fitted, the bay and the day. Torque and power then are so many times a life's
own, to the last digit but one, and nothing else that is derived from the samples changes.

The factors are bounded, so that the checks at the door have nothing to say that hangs on the company a post comes into.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from tests.bench.lives import (
    ASKED_BAYS,
    ASKED_CAR,
    ASKED_CARS,
    ASKED_COUPE,
    ASKED_HATCH,
    ASKED_POSTED,
    ASKED_SALOON,
    ASKED_SLOTS,
    BENCH_PARTS,
    BENCH_PLATFORMS,
    ENGINES,
    HOURS,
    LIVES,
    ONE_PART_LIVES,
    POSTED_CARS,
    POSTING_BAYS,
    PULLS,
    SIX_STATES_LIFE,
    SLOTS,
    STOCK_CARS,
    STOCK_LIVES,
    TAILPIPE,
    TORQUE_STEP,
    USUAL,
    Piece,
    posted_car,
    pull_document,
    shared_by,
)
from tests.bench.templates import MOST_PARTS, before, templates

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

FIRST_DAY, DAYS = np.datetime64("2015-01-05", "s"), 3650
"""The shop's ten years."""
FIRST_HOUR = 8
GAP_DAYS = (40, 250)
"""Days between two strap-downs of a car."""
ASKED = (ASKED_HATCH, ASKED_COUPE, ASKED_SALOON, ASKED_POSTED)
ASKED_PLATFORMS = len(ASKED)
"""They stand before the bench's own."""
HOME = 0.8
"""How often a car comes to its own bay."""
PULLS_A_BAY, FEWEST_BAYS = 25_000, 6
# Half-widths of what a level is made of [ln]: together below the least that `low-everywhere` speaks of (4.45 %).
CAR, BAY, STRAPPED, SETUP, GAIN_OF_CAR = 0.018, 0.008, 0.004, 0.002, 0.008


@dataclass(frozen=True, slots=True)
class Shop:
    """What is known before any car comes, as documents to be posted."""

    platforms: list[Piece]
    parts: list[Piece]
    bays: list[Piece]


def shop_of(bench_bays: int) -> Shop:
    """Platforms, parts and bays, in the order in which the plan numbers them."""
    engines = dict.fromkeys(ASKED, ENGINES[0])
    engines |= {f"bench-{n + 1:02d}": ENGINES[n % len(ENGINES)] for n in range(BENCH_PLATFORMS)}
    slots = dict(ASKED_SLOTS)
    slots |= {f"bench-part-{n + 1:03d}": SLOTS[n % len(SLOTS)] for n in range(BENCH_PARTS)}
    bays = [f"asked-bay-{n + 1}" for n in range(ASKED_BAYS)]
    bays += [f"asked-posting-{n + 1}" for n in range(POSTING_BAYS)]
    bays += [f"bench-bay-{n + 1:03d}" for n in range(bench_bays)]
    return Shop(
        platforms=[
            {
                "units": "si",
                "slug": slug,
                "name": slug,
                "aspiration": engine.aspiration,
                "ignition": "spark",
                "rpm_limit": engine.last_rpm + 100,
            }
            for slug, engine in engines.items()
        ],
        parts=[{"slug": slug, "name": slug, "slots": [slot]} for slug, slot in slots.items()],
        bays=[{"slug": slug, "name": slug, "kind": "roller-loaded"} for slug in bays],
    )


@dataclass(frozen=True, slots=True)
class Plan:
    """A shop's cars, sessions and setups, each as columns; platforms, parts and bays by their place in `Shop`.

    tag, platform, parts, life: of each car, in the order in which they first came; `parts`, [cars, MOST_PARTS], -1
    where it has none. car, session, bay, started, sequence: of each session in the order of time, `session` the number
    of its strap-down in the lives, `started` in seconds since 1970. of, setup, step: of each setup, the session it
    belongs to, the number of its state in the lives, and a step of its torque [N.m].
    """

    tag: list[str]
    platform: Ints
    parts: Ints
    life: Ints
    car: Ints
    session: Ints
    bay: Ints
    started: Ints
    sequence: Ints
    of: Ints
    setup: Ints
    step: Floats

    @property
    def pulls(self) -> int:
        """How many pulls the plan comes to."""
        return PULLS * self.setup.size


@dataclass(frozen=True, slots=True)
class Cars:
    """Cars that are yet to come: tag, platform, life and parts of each, and the bays (first, past last) they go to."""

    tag: list[str]
    platform: Ints
    life: Ints
    parts: Ints
    bays: tuple[int, int]


def plan_of(pulls: int) -> tuple[Shop, Plan]:
    """A shop with about so many pulls, at least those of the asked evidence, which is the same in every one."""
    bays = max(FEWEST_BAYS, pulls // PULLS_A_BAY)
    asked = visits(asked_cars(), np.random.default_rng(1))
    rng = np.random.default_rng(2)
    more = visits(bench_cars(pulls - asked.pulls, bays, rng), rng) if pulls > asked.pulls else None
    return shop_of(bays), in_order([asked] if more is None else [asked, more])


def one_of_each(lives: Sequence[int]) -> tuple[Shop, Plan]:
    """A shop in which each of some lives is lived by one car, at its own torque."""
    rng, numbers = np.random.default_rng(3), np.array(lives)
    platform = ASKED_PLATFORMS + templates().engine[numbers]
    cars = Cars(
        [f"life-{n:03d}" for n in lives], platform, numbers, parts_for(numbers, rng), bench_bays(FEWEST_BAYS)
    )
    plan = visits(cars, rng)
    alike = np.full_like(plan.step, TORQUE_STEP)
    return shop_of(FEWEST_BAYS), in_order([Plan(**{**columns(plan), "step": alike})])


def columns(plan: Plan) -> dict[str, Any]:
    """A plan's columns by name."""
    return {field.name: getattr(plan, field.name) for field in fields(plan)}


def bench_bays(many: int) -> tuple[int, int]:
    """The places of the bench's own bays in the shop."""
    return ASKED_BAYS + POSTING_BAYS, ASKED_BAYS + POSTING_BAYS + many


def asked_cars() -> Cars:
    """The cars that questions are about, and those that posts go to."""
    rows: list[tuple[str, int, int, list[int]]] = []
    for number, (part, many) in enumerate(ASKED_CARS.items()):
        lives = ONE_PART_LIVES[part]
        rows += [
            (f"{part}-{n + 1:03d}", ASKED.index(ASKED_HATCH), lives[n % HOURS], [number]) for n in range(many)
        ]
    rows += [
        (f"asked-stock-{n + 1:03d}", ASKED.index(ASKED_COUPE), STOCK_LIVES[n % HOURS], [])
        for n in range(STOCK_CARS)
    ]
    of_car = [len(ASKED_SLOTS) + SLOTS.index(slot) for slot in LIVES[SIX_STATES_LIFE].slots]
    rows.append((ASKED_CAR, ASKED.index(ASKED_SALOON), SIX_STATES_LIFE, of_car))
    rows += [
        (posted_car(n), ASKED.index(ASKED_POSTED), STOCK_LIVES[n % HOURS], []) for n in range(POSTED_CARS)
    ]
    tags, platforms, lives_of, parts = zip(*rows, strict=True)
    padded = np.array([own + [-1] * (MOST_PARTS - len(own)) for own in parts])
    return Cars(list(tags), np.array(platforms), np.array(lives_of), padded, (0, ASKED_BAYS))


def bench_cars(pulls: int, bays: int, rng: np.random.Generator) -> Cars:
    """Cars of the bench's platforms, of which a few are common and many are rare, up to so many pulls."""
    at = templates()
    most = max(1, pulls // (2 * PULLS) + 1)  # a usual life has at least two states
    popular = 1.0 / np.arange(1, BENCH_PLATFORMS + 1)
    platform = rng.choice(BENCH_PLATFORMS, most, p=popular / popular.sum())
    of_engine = np.array([np.flatnonzero(at.engine[:USUAL] == engine) for engine in range(len(ENGINES))])
    life = of_engine[platform % len(ENGINES), rng.integers(of_engine.shape[1], size=most)]
    setups = np.add.reduceat(at.setups, at.first_session)[life]
    many = int(np.searchsorted(PULLS * np.cumsum(setups), pulls)) + 1
    life = life[:many]
    tags = [f"bench-car-{n + 1:06d}" for n in range(many)]
    return Cars(tags, ASKED_PLATFORMS + platform[:many], life, parts_for(life, rng), bench_bays(bays))


def parts_for(life: Ints, rng: np.random.Generator) -> Ints:
    """Parts for the slots of each car's life, the first of a slot the most popular ones; two in one slot differ."""
    at = templates()
    in_slot = np.bincount(np.arange(BENCH_PARTS) % len(SLOTS))
    slot, lead, nth = at.slot[life], at.lead[life], at.nth[life]
    rank = (in_slot[slot] * rng.random(slot.shape) ** 2).astype(np.int64)
    rank = (np.take_along_axis(rank, np.maximum(lead, 0), axis=1) + nth) % in_slot[slot]
    return np.where(slot < 0, -1, len(ASKED_SLOTS) + slot + len(SLOTS) * rank)


def visits(cars: Cars, rng: np.random.Generator) -> Plan:
    """When and where some cars come, and what they read."""
    at, many = templates(), len(cars.tag)
    counts = at.sessions[cars.life]
    car = np.repeat(np.arange(many), counts)
    nth = np.arange(car.size) - np.repeat(before(counts), counts)
    gaps = np.where(nth == 0, 0, rng.integers(*GAP_DAYS, car.size))
    latest = DAYS - GAP_DAYS[1] * (int(at.sessions.max()) - 1) - GAP_DAYS[0]
    day = (
        rng.integers(0, latest, many)[car]
        + np.cumsum(gaps)
        - np.repeat(np.cumsum(gaps)[before(counts)], counts)
    )
    home = rng.integers(*cars.bays, many)[car]
    bay = np.where(rng.random(car.size) < HOME, home, rng.integers(*cars.bays, car.size))
    hour = cars.life[car] % HOURS
    day = on_free_days(bay, day, hour)
    session = at.first_session[cars.life][car] + nth
    states = at.setups[session]
    of = np.repeat(np.arange(car.size), states)
    setup = at.first_setup[session][of] + np.arange(of.size) - np.repeat(before(states), states)
    level = levels(cars, car, bay, of, setup, rng)
    started = FIRST_DAY.astype(np.int64) + 86_400 * day + 3600 * (FIRST_HOUR + hour)
    step = np.round(TORQUE_STEP * np.exp(level), 6)
    return Plan(
        cars.tag, cars.platform, cars.parts, cars.life, car, session, bay, started, started, of, setup, step
    )


def on_free_days(bay: Ints, day: Ints, hour: Ints) -> Ints:
    """The days moved on, where a bay's hour is taken, until it is free. A car's next visit is further off than that."""
    moved = day.copy()
    for _ in range(GAP_DAYS[0] - 1):
        place = (bay * 2 * DAYS + moved) * HOURS + hour
        taken = np.ones(place.size, dtype=bool)
        taken[np.unique(place, return_index=True)[1]] = False
        if not taken.any():
            return moved
        moved[taken] += 1
    raise ValueError("too many cars for the bays: no free day within a month; give the plan more bays")


@cache
def effects() -> tuple[Floats, Floats, Floats]:
    """The shop's truth [ln]: of platforms, what is asked about at its engine's own; of (part, platform); of bays."""
    rng = np.random.default_rng(4)
    platforms, parts = ASKED_PLATFORMS + BENCH_PLATFORMS, len(ASKED_SLOTS) + BENCH_PARTS
    typical = np.clip(rng.normal(0.03, 0.02, (parts, 1)), -0.01, 0.08)
    here = np.clip(rng.normal(0.0, 0.007, (parts, platforms)), -0.014, 0.014)
    levels = rng.uniform(-0.5, 0.6, platforms)
    levels[:ASKED_PLATFORMS] = 0.0
    return levels, typical + here, rng.uniform(-BAY, BAY, 10_000)


def levels(cars: Cars, car: Ints, bay: Ints, of: Ints, setup: Ints, rng: np.random.Generator) -> Floats:
    """ln of what every setup reads over what its life reads."""
    platforms, gains, bays = effects()
    many = len(cars.tag)
    own = platforms[cars.platform] + rng.uniform(-CAR, CAR, many)
    gain = gains[cars.parts, cars.platform[:, np.newaxis]]
    gain = np.where(cars.parts < 0, 0.0, gain + rng.uniform(-GAIN_OF_CAR, GAIN_OF_CAR, cars.parts.shape))
    strapped = bays[bay] + rng.uniform(-STRAPPED, STRAPPED, car.size)
    fitted = (templates().fitted[setup] * gain[car[of]]).sum(axis=1)
    level: Floats = own[car[of]] + strapped[of] + fitted + rng.uniform(-SETUP, SETUP, of.size)
    return level


def in_order(plans: Sequence[Plan]) -> Plan:
    """Plans of one shop as one, its sessions in the order of time, its cars as they first come; each bay counts its own."""
    cars = before(np.array([len(plan.tag) for plan in plans]))
    sessions = before(np.array([plan.car.size for plan in plans]))
    merged = {
        name: np.concatenate([getattr(plan, name) for plan in plans])
        for name in columns(plans[0])
        if name != "tag"
    }
    car = np.concatenate([plan.car + first for plan, first in zip(plans, cars, strict=True)])
    of = np.concatenate([plan.of + first for plan, first in zip(plans, sessions, strict=True)])
    order = np.lexsort((merged["bay"], merged["started"]))
    come = car[order]
    newcomers = come[np.sort(np.unique(come, return_index=True)[1])]
    in_time = np.argsort(inverse(order)[of], kind="stable")
    tags = [tag for plan in plans for tag in plan.tag]
    bay = merged["bay"][order]
    return Plan(
        tag=[tags[n] for n in newcomers.tolist()],
        platform=merged["platform"][newcomers],
        parts=merged["parts"][newcomers],
        life=merged["life"][newcomers],
        car=inverse(newcomers)[come],
        session=merged["session"][order],
        bay=bay,
        started=merged["started"][order],
        sequence=counted(bay),
        of=inverse(order)[of][in_time],
        setup=merged["setup"][in_time],
        step=merged["step"][in_time],
    )


def inverse(order: Ints) -> Ints:
    """Where each went."""
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return place


def counted(groups: Ints) -> Ints:
    """The how-many-eth of its group each is, from one."""
    order = np.argsort(groups, kind="stable")
    sizes = np.bincount(groups)
    number = np.empty_like(groups)
    number[order] = np.arange(groups.size) - np.repeat(before(sizes), sizes) + 1
    return number


def documents(shop: Shop, plan: Plan) -> Iterator[bytes]:
    """Every session as a bay posts it, in order: JSON in the one spelling by which the ledger knows it again."""
    slugs = [part["slug"] for part in shop.parts]
    bays = [bay["slug"] for bay in shop.bays]
    at = templates()
    setups = [*before(np.bincount(plan.of, minlength=plan.car.size)).tolist(), plan.of.size]
    starts = np.datetime_as_string(plan.started.astype("datetime64[s]"))
    for n, (first, last) in enumerate(pairwise(setups)):
        car, session = int(plan.car[n]), int(plan.session[n])
        life = int(plan.life[car])
        nth = session - int(at.first_session[life])
        own = plan.parts[car]
        states = []
        for state, (setup, step) in enumerate(
            zip(plan.setup[first:last].tolist(), plan.step[first:last].tolist(), strict=True)
        ):
            parts = [slugs[part] for part in own[at.fitted[setup]].tolist()]
            pulls = [pull_document(pull, step) for pull in shared_by(life, nth, state)]
            probe = {"lambda_probe": "tailpipe"} if life in TAILPIPE else {}
            states.append({"parts": parts, "stock_checked": "verified", **probe, "pulls": pulls})
        head = {
            "units": "si",
            "vehicle": plan.tag[car],
            "bay": bays[int(plan.bay[n])],
            "started_at": f"{starts[n]}+00:00",
            "sequence": int(plan.sequence[n]),
            "gear": 4,
            "ratio": 3.9,
            "setups": states,
        }
        yield orjson.dumps(head, option=orjson.OPT_SORT_KEYS)
