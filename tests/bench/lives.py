"""The shop that the bench loads: its names, and the lives its cars lead, each drawn once with every sample.

A *life* is what can befall a car: its strap-downs, the states it is measured in, which parts are fitted in each, and all
its pulls as a bay would record them. Which car it is, on which platform, with which parts, where and when, and how much
torque it makes altogether, is for the plan (`planned.py`): a life is lived by many cars.

Everything is invented. Platforms, parts and bays are named for the bench; what is asked about is named `asked-...`.
"""

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from service.domain.air import vapour_pressure_kpa
from service.domain.correction import BASE_STANDARD, Air, correction_factor

Ints = NDArray[np.int64]

ASKED_HATCH, ASKED_COUPE = "asked-hatch", "asked-coupe"
ASKED_SALOON, ASKED_POSTED = "asked-saloon", "asked-posted"
ASKED_FEW, ASKED_MANY, ASKED_HUNDREDS = "asked-few", "asked-many", "asked-hundreds"
ASKED_CARS = {ASKED_FEW: 14, ASKED_MANY: 50, ASKED_HUNDREDS: 242}
"""Cars of `asked-hatch` that were measured with and without each of its parts, in one strap-down."""
STOCK_CARS = 300
"""Stock cars of `asked-coupe`."""
ASKED_CAR = "asked-car"
"""One car of `asked-saloon`: 24 pulls, in three strap-downs of two states each."""
POSTED_CARS = 200
"""Cars of `asked-posted`, each measured once: what is posted goes to them, and leaves the rest as it was."""
ASKED_BAYS, POSTING_BAYS = 3, 6
"""Bays that only asked cars come to, and bays that nobody came to yet."""

BENCH_PLATFORMS, BENCH_PARTS = 60, 150
PULLS = 4
"""Pulls of a setup."""
TORQUE_STEP, RPM_STEP, LAMBDA_STEP = 0.1, 1.0, 0.001
"""Declared resolution of a life's channels, [N.m], [rpm] and [-]. A car's own torque step is a multiple of it."""
HOURS = 8
"""A strap-down begins at a full hour, that of its car's life: so no two of one bay and day are of one life."""

ASKED_SLOTS = {ASKED_FEW: "rear-exhaust", ASKED_MANY: "down-pipe", ASKED_HUNDREDS: "air-filter"}
SLOTS = (
    "air-filter", "intake-pipe", "throttle-body", "intake-manifold", "cylinder-head", "camshafts", "exhaust-manifold",
    "turbocharger", "boost-control", "charge-cooler", "charge-pipes", "down-pipe", "catalyst", "rear-exhaust",
    "ignition", "injectors", "fuel-pump", "water-injection", "calibration", "clutch",
)  # fmt: skip
"""Those of the ledger's slots that the bench's parts fill, one each."""

State = tuple[int, ...]
"""The parts fitted, by their numbers in a life."""


@dataclass(frozen=True, slots=True)
class Engine:
    """A kind of engine: speeds it is pulled over [rpm], mean step between samples [rpm], torque at its best [N.m], where
    that is [rpm], and how much it falls off [N.m per (1000 rpm)^2]."""

    aspiration: str
    first_rpm: int
    last_rpm: int
    step_rpm: int
    torque_nm: float
    best_rpm: float
    fall: float


ENGINES = (
    Engine("turbo", 2000, 6400, 12, 250.0, 3900.0, 11.0),
    Engine("natural", 2300, 7100, 13, 210.0, 4900.0, 9.0),
)


@dataclass(frozen=True, slots=True)
class Life:
    """What can befall a car: the engine it needs, the slot of each of its parts, and its strap-downs' states."""

    number: int
    engine: int
    slots: tuple[str, ...]
    sessions: tuple[tuple[State, ...], ...]


PATTERNS: tuple[tuple[str, tuple[tuple[State, ...], ...]], ...] = (
    # Which of a life's parts share a slot, and the parts fitted in each state of each strap-down.
    ("a", (((), (0,)),)),
    ("a", (((), (0,), ()),)),
    ("ab", (((), (0,), (0, 1)),)),
    ("aa", (((), (0,), (1,)),)),
    ("abc", (((), (0, 1, 2)),)),
    ("ab", (((), (0,)), ((0,), (0, 1)))),
    ("ab", (((),), ((0,), (0, 1)))),
    ("aab", (((0,), (1,)), ((1,), (1, 2)))),
    ("abc", (((), (0,)), ((0, 1), (0, 1, 2)))),
    ("abc", (((),), ((0,), (0, 1)), ((0, 1, 2),))),
    ("abcd", (((), (0,), (0, 1), (0, 1, 2)), ((0, 1, 2), (0, 1, 2, 3)))),
    ("abab", (((),), ((), (0,)), ((0,), (0, 1)), ((0, 1), (2, 1), (2, 3)))),
)
STOCK_ONLY: tuple[tuple[State, ...], ...] = (((),),)
ONE_PART: tuple[tuple[State, ...], ...] = (((), (0,)),)
SIX_STATES: tuple[tuple[State, ...], ...] = (((), (0,)), ((0,), (0, 1)), ((0, 1), (0, 1, 2)))


def usual_lives(many: int) -> list[Life]:
    """Lives of both engines after every pattern, their parts going round the slots."""
    lives = []
    for number in range(many):
        pattern, sessions = PATTERNS[number % len(PATTERNS)]
        engine = number // len(PATTERNS) % len(ENGINES)
        own = {
            letter: SLOTS[(7 * number + 3 * i) % len(SLOTS)] for i, letter in enumerate(sorted(set(pattern)))
        }
        lives.append(Life(number, engine, tuple(own[letter] for letter in pattern), sessions))
    return lives


def all_lives() -> tuple[Life, ...]:
    """The usual ones, then those that the asked evidence is made of."""
    lives = usual_lives(USUAL)
    for slot in ASKED_SLOTS.values():
        lives += [Life(len(lives) + n, 0, (slot,), ONE_PART) for n in range(HOURS)]
    lives += [Life(len(lives) + n, 0, (), STOCK_ONLY) for n in range(HOURS)]
    lives.append(Life(len(lives), 0, ("air-filter", "down-pipe", "calibration"), SIX_STATES))
    return tuple(lives)


USUAL = 96
LIVES = all_lives()
ONE_PART_LIVES = {
    part: tuple(range(USUAL + n * HOURS, USUAL + (n + 1) * HOURS)) for n, part in enumerate(ASKED_SLOTS)
}
STOCK_LIVES = tuple(range(USUAL + len(ASKED_SLOTS) * HOURS, len(LIVES) - 1))
SIX_STATES_LIFE = len(LIVES) - 1


@dataclass(frozen=True, slots=True)
class Pull:
    """A recorded pull: channels in whole steps, and what else the bay wrote down, as JSON."""

    rpm: Ints
    torque: Ints
    mixture: Ints
    ambient: dict[str, float]
    engine: dict[str, float]


ORDERS = (
    (-0.15, 0.45, -0.45, 0.15),
    (0.15, -0.45, 0.45, -0.15),
    (0.45, -0.15, -0.45, 0.15),
    (-0.45, 0.15, 0.45, -0.15),
)
"""How far a setup's pulls lie from its level [%]: as far apart as a good bay's are, and in no order that is a drift."""


TAILPIPE = frozenset(range(5, USUAL, 16))
"""Lives whose mixture is measured behind the catalyst: the door notes it."""
COLD = frozenset(range(11, USUAL, 16))
"""Lives whose second state is pulled with a cold engine: the door doubts it, and its pairs are not used."""
WARMER = frozenset(range(4, USUAL, 9))
"""Lives whose later states are pulled with a warmer inlet than what still counts as held."""


@cache
def pulls_of(life: int, session: int, setup: int) -> tuple[Pull, ...]:
    """A state's pulls, the same at every call. The air and the engine's warmth are of the strap-down."""
    strapped = np.random.default_rng((life, session))
    air = (strapped.uniform(16.0, 27.0), strapped.uniform(98.6, 101.2), strapped.uniform(0.35, 0.6))
    warmth = (strapped.uniform(86.0, 91.0), strapped.uniform(93.0, 99.0), strapped.uniform(22.0, 30.0))
    mixture = strapped.uniform(0.865, 0.885)
    rng = np.random.default_rng((life, session, setup, 1))
    coolant = 58.0 if life in COLD and setup == 1 else warmth[0]
    inlet = warmth[2] + (4.0 if life in WARMER and setup else 0.0)
    kind = ENGINES[LIVES[life].engine]
    return tuple(
        drawn(rng, kind, 1.0 + offset / 100.0, air, (coolant, warmth[1], inlet), mixture)
        for offset in ORDERS[(life + setup) % len(ORDERS)]
    )


def drawn(
    rng: np.random.Generator,
    kind: Engine,
    scale: float,
    air: tuple[float, float, float],
    warmth: tuple[float, float, float],
    mixture: float,
) -> Pull:
    """A pull with three channels, noisy as a real trace is: 0.3 % of torque, 0.004 of lambda, a wavering step of speed.
    In its air the engine makes what the base standard would correct to its own torque."""
    steps = rng.integers(
        kind.step_rpm - 2, kind.step_rpm + 3, (kind.last_rpm - kind.first_rpm) // kind.step_rpm
    )
    rpm = kind.first_rpm + np.cumsum(steps)
    torque = kind.torque_nm - kind.fall * ((rpm - kind.best_rpm) / 1000.0) ** 2
    noisy = scale / factor_of(air) * torque * rng.normal(1.0, 0.003, rpm.size)
    lambdas = mixture + 0.008 * np.sin(rpm / 300.0) + rng.normal(0.0, 0.004, rpm.size)
    ambient = (
        round(float(value), digits)
        for value, digits in zip(rng.normal(air, (0.15, 0.01, 0.004)), (1, 2, 3), strict=True)
    )
    engine = [round(float(value), 1) for value in rng.normal(warmth, 0.4)]
    return Pull(
        rpm.astype(np.int64),
        np.rint(noisy / TORQUE_STEP).astype(np.int64),
        np.rint(lambdas / LAMBDA_STEP).astype(np.int64),
        dict(zip(("temperature", "pressure", "humidity"), ambient, strict=True)),
        {"coolant": engine[0], "oil": engine[1], "inlet": engine[2], "inlet_end": round(engine[2] + 3.0, 1)},
    )


def factor_of(air: tuple[float, float, float]) -> float:
    """The base standard's factor in this air [degC], [kPa], relative humidity."""
    return correction_factor(BASE_STANDARD, Air(air[0], air[1], vapour_pressure_kpa(air[0], humidity=air[2])))


Piece = dict[str, Any]
"""Part of a document; what many of them share is in it as text already."""


@cache
def shared_by(life: int, session: int, setup: int) -> tuple[tuple[Piece, Piece, Ints], ...]:
    """Of each pull of a state what does not hang on the car: its document, its curve's, and its torque in whole steps."""
    return tuple(shared(pull) for pull in pulls_of(life, session, setup))


def shared(pull: Pull) -> tuple[Piece, Piece, Ints]:
    """A pull's document without its curve, the curve without its torque, and that in whole steps."""
    document = {
        "ambient": text(pull.ambient),
        "engine": text(pull.engine),
        "test": "sweep",
        "ramp": 400,
        "basis": "observed",
    }
    curve = {"rpm": text(pull.rpm), "lambda": text(np.round(pull.mixture * LAMBDA_STEP, 3))}
    return document, curve, pull.torque


def pull_document(of_life: tuple[Piece, Piece, Ints], torque_step: float) -> Piece:
    """A pull as it is posted, a whole step of its torque being `torque_step` [N.m] with up to six decimals."""
    document, curve, torque = of_life
    resolution = {"rpm": RPM_STEP, "torque": torque_step, "lambda": LAMBDA_STEP}
    of_car = {"torque": text(np.round(torque * torque_step, 6)), "resolution": resolution}
    return {**document, "curve": {**curve, **of_car}}


def text(value: object) -> orjson.Fragment:
    """JSON that is written only once, or fast: orjson reads arrays of numpy."""
    return orjson.Fragment(orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_SORT_KEYS))


def posted_car(number: int) -> str:
    """The tag of a car that posts go to."""
    return f"asked-posted-{number % POSTED_CARS + 1:03d}"


def new_post(number: int, setups: int = 1) -> bytes:
    """A session that is in no loaded ledger: four pulls a setup on a car of `asked-posted`, in a year after all that was
    loaded; every third car in its first setup with the part asked-many. Numbers below 20,000 never meet."""
    rng = np.random.default_rng((20260318, number))
    bay, hour, day = number % POSTING_BAYS, number // POSTING_BAYS % 10, number // (10 * POSTING_BAYS) % 365
    air = (rng.uniform(16.0, 27.0), rng.uniform(98.6, 101.2), rng.uniform(0.35, 0.6))
    head = {
        "units": "si",
        "vehicle": posted_car(number),
        "bay": f"asked-posting-{bay + 1}",
        "started_at": (np.datetime64("2025-01-01T08", "m") + 1440 * day + 60 * hour).item().isoformat()
        + "+00:00",
        "sequence": number,
        "gear": 4,
        "ratio": 3.9,
    }
    fitted = number % 3 == 0
    states = [[ASKED_MANY] if fitted != bool(n % 2) else [] for n in range(setups)]
    return orjson.dumps({**head, "setups": [new_setup(rng, parts, air) for parts in states]})


def new_setup(rng: np.random.Generator, parts: list[str], air: tuple[float, float, float]) -> Piece:
    """A setup of four new pulls, its part giving four percent."""
    step = round(TORQUE_STEP * math.exp(0.04 * len(parts) + rng.uniform(-0.01, 0.01)), 6)
    offsets = ORDERS[int(rng.integers(len(ORDERS)))]
    pulls = [drawn(rng, ENGINES[0], 1.0 + off / 100.0, air, (88.0, 95.0, 25.0), 0.875) for off in offsets]
    return {
        "parts": parts,
        "stock_checked": "verified",
        "pulls": [pull_document(shared(pull), step) for pull in pulls],
    }
