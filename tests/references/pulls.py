"""Simulated full-throttle pulls as a bay posts them: time series with noise, or rows averaged over engine speed."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from seed.air import Air
from seed.engines import Floats, spooled
from service.domain.records import PostedPull
from tests.references.cars import USUAL_WARMTH_C, Car, sensors, true_torque_nm
from tests.references.shops import Bay, Shop, roller_ratio

WARMING_C = {"natural": 0.5, "turbo": 0.8, "diesel": 0.5}  # inlet air from pull to pull, cool-downs kept
CHANNEL_SD = {"throttle": 0.001, "lambda": 0.005, "map": 0.35, "spark": 0.15, "inlet": 0.2}
COARSE_STEP = {"throttle": 1.0 / 255.0, "map": 1.0, "spark": 0.5, "knock_retard": 0.5, "inlet": 1.0}
KNOCK_CHANCE = {"natural": 0.1, "turbo": 0.3, "diesel": 0.0}
PULL_TILT = 0.0015  # from low to high speed, from pull to pull [log]
SETTLING_LOSS = 0.011  # a first pull on cold oil [log]


@dataclass(frozen=True)
class Run:
    """A car on a bay's rollers for one session: its level there [log], its tyres' creep at full torque, whether power
    is posted beside torque."""

    shop: Shop
    bay: Bay
    car: Car
    level: float
    creep: float
    with_power: bool


@dataclass(frozen=True)
class Turn:
    """One pull of a run: its number in the setup, how many pulls before it in this state, when, and its level [log]."""

    n: int
    before: int
    moment: datetime
    parts: tuple[str, ...]
    level: float
    settling: bool = False


def make_pull(run: Run, turn: Turn, rng: np.random.Generator) -> PostedPull:
    """One pull as it is posted."""
    air = run.shop.air(run.bay, turn.moment)
    warmth = USUAL_WARMTH_C + WARMING_C[run.car.kind] * turn.before + 0.4 * rng.standard_normal()
    time, rpm = sweep(run, rng)
    level = run.level + turn.level + run.shop.spreads.pull * rng.standard_normal()
    level -= SETTLING_LOSS * turn.settling
    tilt = run.bay.tilt + PULL_TILT * rng.standard_normal()
    share = rpm / run.car.platform.engine.peak_rpm
    torque = true_torque_nm(run.car, turn.parts, rpm, air, warmth) * np.exp(level + tilt * (share - 0.8))
    channels = {"rpm": rpm + 0.7 * rng.standard_normal(rpm.size), "torque": torque * noise(run.bay, rpm, rng)}
    channels |= logged(run, turn, time, rpm, air, warmth, rng)
    channels["roller_speed"] = rollers(run, rpm, torque, rng)
    if run.bay.step_rpm is None:
        channels["time"] = time
        channels = untrimmed(channels, run.bay.rate) if run.bay.untrimmed else channels
    else:
        channels = averaged(channels, run.bay.step_rpm)
    if run.with_power:
        channels["power"] = channels["torque"] * channels["rpm"] * np.pi / 30_000.0
    return PostedPull(
        n=turn.n,
        started_at=turn.moment,
        **written(air, run.bay, rng),
        **warmth_of(run, turn, air, warmth, rng),
        test=run.bay.test,
        ramp_rpm_s=round(run.bay.ramp) if run.bay.test == "sweep" else None,
        smoothing={"method": "moving mean", "width_rpm": run.bay.smoothing_rpm}
        if run.bay.smoothing_rpm
        else None,
        source="live",
        status="settling" if turn.settling else "accepted",
        channels=channels,
    )


def sweep(run: Run, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Time [s] and engine speed [rpm] of the samples; against a mass the start goes by faster."""
    engine = run.car.platform.engine
    first, last = engine.start_rpm + rng.uniform(-40.0, 60.0), engine.end_rpm + rng.uniform(-40.0, 40.0)
    duration = (last - first) / run.bay.ramp
    time = np.arange(0.0, duration, 1.0 / run.bay.rate)
    bend = 0.92 if run.bay.test == "inertia" else 1.0
    return time, first + (last - first) * (time / duration) ** bend


def noise(bay: Bay, rpm: Floats, rng: np.random.Generator) -> Floats:
    """Factors of the samples' noise, after the machine's own smoothing."""
    white = rng.standard_normal(rpm.size)
    if bay.smoothing_rpm:
        window = max(2, round(bay.smoothing_rpm * rpm.size / (rpm[-1] - rpm[0])))
        more = rng.standard_normal(rpm.size + window - 1)
        white = np.convolve(more, np.full(window, 1.0 / window), mode="valid")
    return np.exp(bay.sample_sd * white)


def logged(
    run: Run, turn: Turn, time: Floats, rpm: Floats, air: Air, warmth: float, rng: np.random.Generator
) -> dict[str, Floats]:
    """The car's sensors with their noise: mixture still coming down at the start, a little knock now and then."""
    read = sensors(run.car, turn.parts, rpm, air.temperature_c, air.pressure_kpa, warmth)
    read["lambda"] = read["lambda"] + np.clip(1.0 - read["lambda"], 0.0, None) * np.exp(-time / 0.2)
    for name, sd in CHANNEL_SD.items():
        if name in read:
            read[name] = read[name] + sd * rng.standard_normal(rpm.size)
    if rng.random() < KNOCK_CHANCE[run.car.kind]:
        knock(run, rpm, read, rng)
    if run.bay.coarse:
        read |= {
            name: np.round(read[name] / step) * step for name, step in COARSE_STEP.items() if name in read
        }
    read["throttle"] = np.clip(read["throttle"], 0.0, 1.0)
    return read


def knock(run: Run, rpm: Floats, read: dict[str, Floats], rng: np.random.Generator) -> None:
    """Knock control takes a little spark back over a few hundred rpm, as it does in a sound engine."""
    at = rng.uniform(0.5, 1.0) * run.car.platform.engine.peak_rpm
    retard = (
        rng.uniform(0.5, 1.5) * np.exp(-(((rpm - at) / 150.0) ** 2)) * spooled(run.car.platform.engine, rpm)
    )
    read["knock_retard"], read["spark"] = read["knock_retard"] + retard, read["spark"] - retard


def rollers(run: Run, rpm: Floats, torque: Floats, rng: np.random.Generator) -> Floats:
    """Speed of the rollers [rpm]: the tyre creeps with the torque that it carries."""
    creep = run.creep * torque / torque.max() + 0.0005 * rng.standard_normal()
    return rpm / (roller_ratio(run.car) * (1.0 + creep + 0.001 * rng.standard_normal(rpm.size)))


AT_PART_LOAD = {"throttle": 0.25, "map": 55.0, "lambda": 1.0, "spark": 32.0, "knock_retard": 0.0}
ON_THE_OVERRUN = {"throttle": 0.0, "map": 28.0, "lambda": 2.5, "spark": 12.0, "knock_retard": 0.0}


def untrimmed(channels: dict[str, Floats], rate: float) -> dict[str, Floats]:
    """The trace as it ran: a second of rolling on at part load before the pull, two of coasting down after it."""
    before, after = int(rate), int(2.0 * rate)
    rpm = channels["rpm"]
    ends = (
        edge(channels, 0, rpm[0] - np.linspace(250.0, 5.0, before), 0.2, AT_PART_LOAD),
        edge(channels, -1, rpm[-1] - np.linspace(5.0, 1100.0, after), -0.08, ON_THE_OVERRUN),
    )
    whole = {
        name: np.concatenate((ends[0][name], values, ends[1][name])) for name, values in channels.items()
    }
    return {**whole, "time": np.arange(whole["rpm"].size) / rate}


def edge(
    channels: dict[str, Floats], at: int, rpm: Floats, torque: float, reading: dict[str, float]
) -> dict[str, Floats]:
    """Rows beside the pull at a share of its torque there; what has no reading of its own stays as it is."""
    rows = {
        name: np.full(rpm.size, reading.get(name, float(values[at]))) for name, values in channels.items()
    }
    ratio = channels["rpm"][at] / channels["roller_speed"][at]
    return {**rows, "rpm": rpm, "torque": torque * rows["torque"], "roller_speed": rpm / ratio}


def averaged(channels: dict[str, Floats], step_rpm: float) -> dict[str, Floats]:
    """Rows: the mean of the samples nearest to every step of engine speed."""
    row = np.rint(channels["rpm"] / step_rpm).astype(int)
    row -= row.min()
    counts = np.bincount(row)
    kept = counts > 0
    return {name: np.bincount(row, weights=values)[kept] / counts[kept] for name, values in channels.items()}


def written(air: Air, bay: Bay, rng: np.random.Generator) -> dict[str, float]:
    """The air as the bay's weather station wrote it."""
    return {
        "temperature_c": round(air.temperature_c + 0.15 * rng.standard_normal(), 1),
        "pressure_kpa": round(
            air.pressure_kpa + bay.pressure_kpa + 0.01 * rng.standard_normal(), bay.pressure_digits
        ),
        "humidity": round(float(np.clip(air.humidity + 0.01 * rng.standard_normal(), 0.05, 0.98)), 2),
    }


def warmth_of(run: Run, turn: Turn, air: Air, warmth: float, rng: np.random.Generator) -> dict[str, float]:
    """Temperatures at the start of a pull [degC], and the inlet air's at its end."""
    inlet = air.temperature_c + warmth
    rise = 3.0 if run.car.kind == "natural" else 9.0
    return {
        "coolant_c": round(88.0 + 0.9 * rng.standard_normal(), 0),
        "oil_c": round(92.0 - 14.0 * turn.settling + 0.6 * turn.before + rng.standard_normal(), 0),
        "inlet_c": round(inlet, 1),
        "inlet_end_c": round(inlet + rise + 0.4 * rng.standard_normal(), 1),
    }
