"""Turns one planned session into one post: the air, the temperatures and the curves as the bay's machine wrote them.

Inside, everything is SI; `wire.py` turns the finished session into the units its bay posts in.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from seed import engines
from seed.air import FACTORS, Air, Weather, dew_point_c
from seed.effects import AIR_SHARE, HEAT_LOSS_PER_C, PULL_SD, SETUP_SD, STRAP_SD, Effects
from seed.engines import Floats
from seed.jobs import State
from seed.oddities import FORGOTTEN_GAIN, cut, hot_and_thin, on_the_rollers
from seed.parts import PART
from seed.plans import UNSTATED, History, SessionPlan
from seed.shop import BAY, PLATFORM, Bay, Platform

Json = dict[str, object]
SMOOTHING_RPM = 50  # the machines' moving mean over torque
SAMPLE_SD = 0.0035  # roughness of a torque trace after that smoothing [log]
WARMING_C = {"natural": 0.6, "turbo": 0.9, "diesel": 0.6}  # inlet air from pull to pull of one state [degC]
USUAL_WARMTH_C = 5.0  # engine inlet air above the room at a pull's start
SETTLING_LOSS = 0.011  # a first pull on cold oil [log]
LEAN_BY = 0.075  # lambda of a lean car above its platform's, on top
LEAK_KPA = 16.0
HURRIED_C = 5.5  # inlet air of a second state that was not left to cool [degC]
SOAK_C, SOAK_LOSS = 5.5, 0.009  # a soaked session: inlet air and power from pull to pull [degC], [log]
SLIP_LOSS, SLIP_RISE = 0.06, 0.05  # torque lost and speed ratio risen where a tyre slips
LIFTED_LOSS = 0.25  # torque lost where the driver lifted too early
TEMPERATURE_STEP_C, PRESSURE_STEP_KPA, HUMIDITY_STEP = 0.1, 0.01, 0.01


@dataclass(frozen=True)
class Measured:
    """One pull as measured, SI: its plain fields, and its channels (or its peaks on paper)."""

    started_at: datetime
    air: Air
    engine: dict[str, float]
    channels: dict[str, Floats]
    status: str = "accepted"
    reason: str | None = None
    source: str = "live"
    basis: str = "observed"


@dataclass(frozen=True)
class Pull:
    """What one pull is about to be: which state, which turn of the session, what was drawn for its session."""

    plan: SessionPlan
    order: int
    parts: tuple[str, ...]
    turn: int
    turn_in_state: int
    moment: datetime
    level: float
    settling: bool = False
    rejected: bool = False
    slipping: bool = False
    odd: bool = False


class Bench:
    """The shop's four machines and its weather: measures planned sessions, each from its own random numbers."""

    def __init__(self, history: History, weather: Weather) -> None:
        self._history, self._weather = history, weather
        self._effects: Effects = history.effects
        rng = np.random.default_rng([self._effects.seed, 5])
        self._station = {
            bay: (float(a), float(b)) for bay, (a, b) in zip(BAY, rng.standard_normal((4, 2)), strict=True)
        }

    def measure(self, plan: SessionPlan) -> list[list[Measured]]:
        """Every pull of a session, state by state."""
        rng = np.random.default_rng([self._effects.seed, 6, plan.index])
        car = plan.car
        strap = (
            self._effects.bay_level(plan.bay, plan.started_at.date())
            + car.effect
            + STRAP_SD * rng.standard_normal()
        )
        moment, turn, states = plan.started_at + timedelta(minutes=9), 0, []
        for order, state in enumerate(plan.states):
            moment += timedelta(
                minutes=int(60.0 * state.work_hours * rng.uniform(0.85, 1.1)) + 8 * (order > 0)
            )
            level = float(strap + SETUP_SD * rng.standard_normal())
            pulls = self._pulls_of(plan, state, order, turn, moment, level, rng)
            states.append([self._pull(pull, rng) for pull in pulls])
            moment, turn = pulls[-1].moment + timedelta(minutes=5), turn + len(pulls)
        return states

    def _pulls_of(
        self, plan: SessionPlan, state: State, order: int, turn: int, moment: datetime, level: float,
        rng: np.random.Generator,
    ) -> list[Pull]:  # fmt: skip
        """The pulls of one state with their turns, minutes apart, and what goes wrong in them."""
        count = 1 if plan.form == "peaks" else state.pulls + state.settling
        slip = order == 0 and "tyre-slip" in plan.faults
        reject = order == 0 and "pull-rejected" in plan.faults
        pulls = []
        for i in range(count):
            settling = plan.form == "curve" and i < state.settling
            odd = i == state.settling
            pulls.append(
                Pull(
                    plan,
                    order,
                    state.parts,
                    turn + i,
                    i,
                    moment,
                    level,
                    settling,
                    reject and odd,
                    slip and odd,
                    order == 0 and odd,
                )
            )
            moment += timedelta(seconds=int(rng.integers(210, 330)))
        return pulls

    def _pull(self, pull: Pull, rng: np.random.Generator) -> Measured:
        """One pull: the car's true torque, as the air, the heat, the bay and chance let the machine see it."""
        platform, bay = PLATFORM[on_the_rollers(pull.plan)], BAY[pull.plan.bay]
        air = self._air(bay, pull.moment, rng)
        if "hot-thin-day" in pull.plan.faults:
            air = hot_and_thin(air)
        warmth = USUAL_WARMTH_C + _warming(pull) + 0.4 * float(rng.standard_normal())
        rpm = _speeds(platform, bay, rng)
        log_torque = np.log(engines.stock_torque_nm(platform.engine, rpm))
        log_torque += self._true_effects(pull, platform, rpm)
        log_torque += pull.level + PULL_SD[bay.slug] * rng.standard_normal() + _roughness(rpm, rng)
        log_torque -= AIR_SHARE[platform.engine.kind] * np.log(FACTORS["sae-j1349"](air))
        log_torque -= HEAT_LOSS_PER_C[platform.engine.kind] * (warmth - USUAL_WARMTH_C)
        log_torque += _mishaps(pull, platform, rpm)
        torque = np.exp(log_torque)
        if pull.plan.form == "peaks":  # paper records kept the best of three
            torque *= np.exp(0.846 * PULL_SD[bay.slug])
        channels = {"rpm": rpm, "torque": torque} | self._channels(pull, platform, bay, rpm, air, warmth, rng)
        status = "rejected" if pull.rejected else "settling" if _is_marked(pull) else "accepted"
        reason = "throttle lifted before the limiter" if pull.rejected else None
        measured = Measured(pull.moment, air, _engine_state(pull, air, warmth, rng), channels, status, reason)
        return _oddly(pull, replace(measured, basis=pull.plan.basis))

    def _true_effects(self, pull: Pull, platform: Platform, rpm: Floats) -> Floats:
        """This car's parts and its own tilt [log over rpm]."""
        car = pull.plan.car
        tilt = car.tilt * (rpm / platform.engine.peak_rpm - 0.8)
        return tilt + self._effects.fitted_gain(platform.slug, pull.parts, rpm, car.number)

    def _air(self, bay: Bay, moment: datetime, rng: np.random.Generator) -> Air:
        """The room's air as the bay's weather station wrote it, to its last digit."""
        air, (warm, high) = self._weather.at(moment), self._station[bay.slug]
        return Air(
            round(air.temperature_c + 0.35 * warm + 0.15 * float(rng.standard_normal()), 1),
            round(air.pressure_kpa + 0.025 * high + 0.01 * float(rng.standard_normal()), 2),
            round(air.humidity + 0.01 * float(rng.standard_normal()), 2),
        )

    def _channels(
        self,
        pull: Pull,
        platform: Platform,
        bay: Bay,
        rpm: Floats,
        air: Air,
        warmth: float,
        rng: np.random.Generator,
    ) -> dict[str, Floats]:
        """What the bay logs beside torque, where the car gives it."""
        share, made = rpm / platform.engine.peak_rpm, {}
        if "lambda" in bay.channels and platform.engine.kind != "diesel":
            lean = LEAN_BY * np.clip((share - 0.55) / 0.3, 0.0, 1.0) if "lean" in pull.plan.faults else 0.0
            own = 0.006 * _own(pull.plan.car.number)
            made["lambda"] = (
                engines.mixture(platform.engine, rpm) + lean + own + 0.005 * rng.standard_normal(rpm.size)
            )
        if "map" in bay.channels:
            made["map"] = self._manifold(pull, platform, rpm, air) + 0.35 * rng.standard_normal(rpm.size)
        if "inlet" in bay.channels:
            made["inlet"] = (
                air.temperature_c + warmth + _inlet_rise(platform) * np.linspace(0.0, 1.0, rpm.size) ** 1.3
            )
        if "roller_speed" in bay.channels:
            slip = SLIP_RISE * _slip_place(platform, rpm) if pull.slipping else 0.0
            turn = 1.0 + 0.001 * rng.standard_normal(rpm.size) + slip
            made["roller_speed"] = rpm / (platform.ratio * 0.78 * turn)  # 0.78: roller over tyre diameter
        return made

    def _manifold(self, pull: Pull, platform: Platform, rpm: Floats, air: Air) -> Floats:
        """Absolute manifold pressure [kPa]; a calibration asks for more boost, a leak gives less."""
        calibrated = any("calibration" in PART[part].slots for part in pull.parts)
        kpa = engines.manifold_kpa(platform.engine, rpm, air.pressure_kpa, 0.17 if calibrated else 0.0)
        leak = LEAK_KPA * engines.spooled(platform.engine, rpm) if "boost-leak" in pull.plan.faults else 0.0
        return kpa + 1.5 * _own(pull.plan.car.number) * bool(platform.engine.spool_rpm) - leak


def _own(car_number: int) -> float:
    """A car's own small offset in what its sensors say, between -1 and 1: the golden ratio spreads them evenly."""
    return 2.0 * ((car_number * 0.6180339887) % 1.0) - 1.0


def _warming(pull: Pull) -> float:
    """How much warmer the inlet air starts than at the first pull of its state [degC]."""
    soaked = SOAK_C * pull.turn_in_state if "heat-soak" in pull.plan.faults else 0.0
    hurried = HURRIED_C if pull.order == 1 and "hurried" in pull.plan.faults else 0.0
    return WARMING_C[PLATFORM[pull.plan.car.platform].engine.kind] * pull.turn_in_state + soaked + hurried


def _oddly(pull: Pull, measured: Measured) -> Measured:
    """The pull of a session that stands out as its oddity says; the others unchanged."""
    if not pull.odd:
        return measured
    if "sparse-export" in pull.plan.faults:
        return replace(measured, channels=cut("sparse-export", measured.channels), source="file")
    if "cut-short" in pull.plan.faults:
        return replace(measured, channels=cut("cut-short", measured.channels))
    if "two-programs" in pull.plan.faults:
        return replace(measured, source="file", basis=UNSTATED)
    return measured


def _is_marked(pull: Pull) -> bool:
    return pull.settling and "settling-not-marked" not in pull.plan.faults


def _speeds(platform: Platform, bay: Bay, rng: np.random.Generator) -> Floats:
    """The engine speeds a pull was sampled at, rising [rpm]; an inertia drum lets the start go by faster."""
    first = platform.engine.start_rpm + float(rng.uniform(-40, 60))
    last = platform.engine.end_rpm + float(rng.uniform(-40, 40))
    bend = 0.92 if bay.test == "inertia" else 1.0
    count = bay.samples + int(rng.integers(-8, 9))
    return np.round(first + (last - first) * np.linspace(0.0, 1.0, count) ** bend)


def _roughness(rpm: Floats, rng: np.random.Generator) -> Floats:
    """Noise along the trace after the machine's moving mean [log]."""
    window = max(2, round(SMOOTHING_RPM * rpm.size / (rpm[-1] - rpm[0])))
    white = rng.standard_normal(rpm.size + window - 1)
    return SAMPLE_SD * np.convolve(white, np.ones(window) / window**0.5, mode="valid")


def _slip_place(platform: Platform, rpm: Floats) -> Floats:
    """Where a tyre lets go: about the torque peak."""
    return np.exp(-(((rpm / platform.engine.peak_rpm - 0.62) / 0.04) ** 2))


def _mishaps(pull: Pull, platform: Platform, rpm: Floats) -> Floats:
    """What goes wrong in a pull, over rpm [log]."""
    share, faults, lost = rpm / platform.engine.peak_rpm, pull.plan.faults, np.zeros_like(rpm)
    if pull.settling:
        lost -= SETTLING_LOSS
    if "heat-soak" in faults:
        lost -= SOAK_LOSS * pull.turn_in_state
    if "lean" in faults:
        lost -= 0.028 * np.clip((share - 0.55) / 0.3, 0.0, 1.0)
    if "boost-leak" in faults:
        lost -= 0.07 * engines.spooled(platform.engine, rpm)
    if pull.slipping:
        lost -= SLIP_LOSS * _slip_place(platform, rpm)
    if "forgotten-part" in faults and pull.order == 1:
        lost += FORGOTTEN_GAIN
    if pull.rejected:
        lost -= LIFTED_LOSS * np.clip((share - 0.8) / 0.05, 0.0, 1.0)
    return lost


def _inlet_rise(platform: Platform) -> float:
    """How much the inlet air warms within one pull [degC]."""
    return 9.0 if platform.engine.spool_rpm else 3.0


def _engine_state(pull: Pull, air: Air, warmth: float, rng: np.random.Generator) -> dict[str, float]:
    """Temperatures at the start of a pull, and the inlet air at its end [degC]."""
    inlet = air.temperature_c + warmth
    cold = 14.0 if pull.settling and pull.turn == 0 else 0.0
    rise = _inlet_rise(PLATFORM[pull.plan.car.platform])
    return {
        "coolant": round(88.0 + 0.8 * float(rng.standard_normal()), 0),
        "oil": round(94.0 - cold + 0.5 * pull.turn_in_state + 0.9 * float(rng.standard_normal()), 0),
        "inlet": round(inlet, 1),
        "inlet_end": round(inlet + rise + 0.4 * float(rng.standard_normal()), 1),
    }


def ambient(measured: Measured, humidity: str) -> dict[str, float]:
    """The air as it was written down [SI]: with humidity, with the dew point instead, or with neither."""
    air = measured.air
    written = {"temperature": air.temperature_c, "pressure": air.pressure_kpa}
    if humidity == "humidity":
        written["humidity"] = air.humidity
    if humidity == "dew_point":
        written["dew_point"] = round(dew_point_c(air), 1)
    return written
