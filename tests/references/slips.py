"""Invented pulls with engine and roller speed, good and faulty: what the machine checks are measured on.

A pull is drawn in time: the engine sweeps up, tyre creep grows with torque, the tyre grows with speed, both speed
sensors lag, tremble and round. A fault is then laid over it. Sizes are common practice without a source, or our choice.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Shop:
    """How well a shop measures. Shares are relative; lags in seconds, speeds in rpm."""

    pull_spread: float
    sample_noise: float
    trembling: float
    lag_s: float
    creep: float
    ringing: float
    steps_rpm: tuple[float, ...]
    strap: float
    wear: float
    stock_spread: float
    tilt: float


EASY: Final = Shop(0.0045, 0.005, 0.0005, 0.02, 0.010, 0.005, (0.1, 0.25), 0.002, 0.003, 0.025, 0.010)
HARD: Final = Shop(0.0080, 0.010, 0.0020, 0.05, 0.020, 0.015, (0.1, 0.25, 1.0), 0.004, 0.006, 0.045, 0.020)
"""`tilt`: how cars of one platform differ in shape, relative sd per 1000 rpm; `wear`, `strap`: sd of the rolling radius
between visits."""
TYRE_GROWTH: Final = 0.005
"""Relative growth of the rolling radius over the range of a pull."""
RINGING_RPM: Final = 120.0
"""Over how many rpm the driveline's swing after tip-in dies away."""


@dataclass(frozen=True)
class Run:
    """One recorded pull: engine speed [rpm], roller speed [rpm], wheel torque [N.m] in order of time."""

    rpm: Floats
    roller_rpm: Floats
    torque_nm: Floats

    def channels(self) -> dict[str, Floats]:
        """As a bay posts it."""
        return {"rpm": self.rpm, "torque": self.torque_nm, "roller_speed": self.roller_rpm}


@dataclass(frozen=True)
class Engine:
    """A torque curve: plateau height [N.m], where it is reached and left [rpm], the range of a pull [rpm]."""

    height_nm: float
    spool_rpm: float
    spool_width: float
    crest_rpm: float
    fall: float
    start_rpm: float
    end_rpm: float

    def torque(self, rpm: Floats) -> Floats:
        """Full-load torque [N.m]: a logistic rise to a parabola that falls either side of its crest."""
        rise = 1.0 / (1.0 + np.exp(-(rpm - self.spool_rpm) / self.spool_width))
        crest = 1.0 - self.fall * ((rpm - self.crest_rpm) / 1000.0) ** 2
        return np.asarray(self.height_nm * (0.35 + 0.65 * rise) * np.maximum(crest, 0.1))


def an_engine(rng: np.random.Generator) -> Engine:
    """A boosted one that comes in within a few hundred rpm, or one without a charger."""
    boosted = rng.random() < 0.6
    start = rng.uniform(1600, 2500)
    end = rng.uniform(5200, 7400)
    return Engine(
        height_nm=rng.uniform(130, 600),
        spool_rpm=start + (rng.uniform(200, 1200) if boosted else -1500.0),
        spool_width=rng.uniform(90, 260) if boosted else 1200.0,
        crest_rpm=start + rng.uniform(0.40, 0.70) * (end - start),
        fall=rng.uniform(0.01, 0.05),
        start_rpm=start,
        end_rpm=end,
    )


def good(
    rng: np.random.Generator, shop: Shop, engine: Engine | None = None, ratio: float = 3.2, tyre: bool = True
) -> Run:
    """A pull without a fault; `ratio` is engine over roller speed without creep; on hubs there is no `tyre`."""
    engine = engine or an_engine(rng)
    ramp, rate_hz = rng.uniform(180, 650), rng.choice([10.0, 20.0, 50.0])
    rpm = np.arange(engine.start_rpm, engine.end_rpm, ramp / rate_hz)
    torque = engine.torque(rpm)
    creep = tyre * rng.uniform(0.4, 1.0) * shop.creep * torque / torque.max()
    growth = tyre * TYRE_GROWTH * rng.uniform(0.4, 1.2) * (rpm / rpm[-1]) ** 2
    since = (rpm - rpm[0]) / RINGING_RPM
    swing = rng.uniform(0.0, shop.ringing) * np.exp(-since) * np.sin(2.2 * since)
    rollers = rpm / ratio / (1.0 + creep) * (1.0 + growth)
    engine_lag, roller_lag = rng.uniform(0.0, shop.lag_s, size=2)
    seen_rpm = (rpm - ramp * engine_lag) * (1.0 + swing + shop.trembling * rng.standard_normal(rpm.size))
    seen_rollers = rollers - ramp / ratio * roller_lag
    level = np.exp(shop.pull_spread * rng.standard_normal())
    seen_torque = level * torque * (1.0 + shop.sample_noise * rng.standard_normal(rpm.size))
    step = float(rng.choice(shop.steps_rpm))
    return Run(np.rint(4.0 * seen_rpm) / 4.0, np.rint(seen_rollers / step) * step, seen_torque)


def visit(
    rng: np.random.Generator, shop: Shop, engine: Engine, ratio: float = 3.2, tyre: bool = True
) -> list[Run]:
    """Three pulls of one car on one day: wear and strapping have moved the rolling radius since the last time."""
    radius = np.exp(tyre * np.hypot(shop.wear, shop.strap) * rng.standard_normal())
    return [good(rng, shop, engine, ratio / radius, tyre) for _ in range(3)]


def stock_car(rng: np.random.Generator, shop: Shop, engine: Engine, pulls: int = 3) -> list[Run]:
    """Pulls of one car of a platform: its own level, tilt and bend over the platform's engine."""
    level = shop.stock_spread * rng.standard_normal()
    tilt, bend = shop.tilt * rng.standard_normal(), shop.tilt / 4.0 * rng.standard_normal()
    runs = [good(rng, shop, engine) for _ in range(pulls)]
    places = [(run.rpm - engine.crest_rpm) / 1000.0 for run in runs]
    return [
        replace(run, torque_nm=run.torque_nm * np.exp(level + tilt * x + bend * x**2))
        for run, x in zip(runs, places, strict=True)
    ]


def tyre_slip(rng: np.random.Generator, run: Run) -> Run:
    """The tyre lets go near the torque peak for some hundred rpm, then grips again: flare, hole, spike."""
    at = run.rpm[int(np.argmax(run.torque_nm))] + rng.uniform(-200, 400)
    half = rng.uniform(150, 400)
    bump = np.exp(-(((run.rpm - at) / half) ** 2))
    grip = np.exp(-(((run.rpm - at - 2.0 * half) / (0.5 * half)) ** 2))
    hole = 1.0 - rng.uniform(0.05, 0.25) * bump + 0.05 * grip
    return Run(run.rpm * (1.0 + rng.uniform(0.03, 0.12) * bump), run.roller_rpm, run.torque_nm * hole)


def clutch_slip(rng: np.random.Generator, run: Run) -> Run:
    """The clutch carries so much and no more: from there on the engine runs away from the wheels and stays there."""
    cap = rng.uniform(0.85, 0.97) * np.sort(run.torque_nm)[-max(3, run.rpm.size // 20)]
    onset = run.rpm[int(np.argmax(run.torque_nm >= cap))]
    cap = cap * (1.0 + 0.005 * rng.standard_normal(run.rpm.size))
    slip = rng.uniform(0.05, 0.15) * (1.0 - np.exp(-np.maximum(run.rpm - onset, 0.0) / rng.uniform(200, 800)))
    return Run(run.rpm * (1.0 + slip), run.roller_rpm, np.minimum(run.torque_nm, cap) / (1.0 + slip))


def open_converter(rng: np.random.Generator, run: Run) -> Run:
    """A converter that nobody locked: the engine runs ahead of it, less and less towards the top."""
    ahead = rng.uniform(0.06, 0.20) * np.exp(-(run.rpm - run.rpm[0]) / rng.uniform(700, 2000))
    return Run(run.rpm * (1.0 + ahead), run.roller_rpm, run.torque_nm / (1.0 + ahead))


def gear_change(rng: np.random.Generator, run: Run) -> Run:
    """The gearbox changes up or kicks down on the way."""
    at = int(rng.uniform(0.2, 0.8) * run.rpm.size)
    step = rng.uniform(0.65, 0.85) if rng.random() < 0.5 else rng.uniform(1.18, 1.6)
    factor = np.where(np.arange(run.rpm.size) < at, 1.0, step)
    return Run(run.rpm * factor, run.roller_rpm, run.torque_nm / factor)


def with_coast_down(rng: np.random.Generator, run: Run) -> Run:
    """A good pull whose record runs on after the clutch was opened: the engine falls to idle, the rollers roll on."""
    after = np.arange(1, run.rpm.size // 2)
    falling = np.maximum(run.rpm[-1] * np.exp(-after / rng.uniform(10, 40)), 850.0)
    rolling = run.roller_rpm[-1] * np.exp(-after / (8.0 * run.rpm.size))
    return Run(
        np.append(run.rpm, falling),
        np.append(run.roller_rpm, rolling),
        np.append(run.torque_nm, np.full(after.size, -0.03 * run.torque_nm.max())),
    )


def scaled_axis(run: Run, factor: float) -> Run:
    """Engine speed read `factor` times too high: the power stays, the torque is too low by as much."""
    return Run(run.rpm * factor, run.roller_rpm, run.torque_nm / factor)


def rough(rng: np.random.Generator, run: Run) -> Run:
    """A torque trace that nobody could read: noise of 3 to 6 %."""
    noise = rng.uniform(0.03, 0.06) * rng.standard_normal(run.rpm.size)
    return replace(run, torque_nm=run.torque_nm * (1.0 + noise))


def ironed(rng: np.random.Generator, engine: Engine, step_rpm: float = 20.0) -> Run:
    """A trace smoothed until nothing of its samples is left."""
    rpm = np.arange(engine.start_rpm, engine.end_rpm, step_rpm)
    torque = engine.torque(rpm) * np.exp(0.005 * rng.standard_normal())
    return Run(rpm, rpm / 3.2, torque)


FAULTS: Final[dict[str, Callable[[np.random.Generator, Run], Run]]] = {
    "tyre-slip": tyre_slip,
    "clutch-slip": clutch_slip,
    "converter-unlocked": open_converter,
    "gear-change": gear_change,
    "curve-noisy": rough,
}
"""The check that should speak, and how its fault is laid over a good pull."""
