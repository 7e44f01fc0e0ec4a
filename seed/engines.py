"""Engines of the invented platforms: full-load wheel torque over rpm, and how a part reshapes it.

Everything a part does is written in log units, so that 0.03 is three per cent more torque at that speed, and the
effects of a car, a bay and several parts simply add. Shapes are believable, not measured: common practice, no source.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
KW_PER_NM_RPM = np.pi / 30000.0  # 1 N.m at 1 rpm
FINE_STEP_RPM = 10


@dataclass(frozen=True)
class Engine:
    """What shapes one engine's full-load curve.

    kind: `turbo`, `natural` or `diesel`; wheel_power_kw: peak at the wheels, stock, at the reference air [kW];
    peak_rpm: where power peaks [rpm]; start_rpm, end_rpm: a pull's span [rpm]; softness: how gently torque gives
    way above the knee (higher is a longer plateau); spool_rpm: where half the boost has come [rpm];
    hump_rpm: where the cams fill best [rpm].
    """

    kind: str
    wheel_power_kw: float
    peak_rpm: int
    start_rpm: int
    end_rpm: int
    softness: float
    spool_rpm: int = 0
    hump_rpm: int = 0
    boost_kpa: float = 0.0


def logistic(value: Floats) -> Floats:
    """1 / (1 + exp(-value))."""
    return 1.0 / (1.0 + np.exp(-value))


def spooled(engine: Engine, rpm: Floats) -> Floats:
    """Share of full boost there is at a speed [0..1]; 1 everywhere for an engine without a turbocharger."""
    if not engine.spool_rpm:
        return np.ones_like(rpm, dtype=float)
    return logistic((rpm - engine.spool_rpm) / 210.0)


def _breathing(engine: Engine, rpm: Floats) -> Floats:
    """How torque gives way at speed: n / (1 + (n / knee)^m) peaks at `peak_rpm` for the knee chosen here."""
    knee = engine.peak_rpm * (engine.softness - 1.0) ** (1.0 / engine.softness)
    given: Floats = 1.0 / (1.0 + (rpm / knee) ** engine.softness)
    return given


def _filling(engine: Engine, rpm: Floats) -> Floats:
    """Low-speed filling, the cams' hump and the dip before it (natural), or boost building (turbo)."""
    if engine.spool_rpm:
        return 0.46 + 0.54 * spooled(engine, rpm)
    hump = 0.07 * np.exp(-(((rpm - engine.hump_rpm) / 900.0) ** 2))
    dip = 0.035 * np.exp(-(((rpm - 0.62 * engine.hump_rpm) / 420.0) ** 2))
    return 0.83 + 0.17 * (1.0 - np.exp(-rpm / 2200.0)) + hump - dip


def fine_rpm(engine: Engine) -> Floats:
    """The speeds of a pull in fine steps [rpm]."""
    return np.arange(engine.start_rpm, engine.end_rpm + 1, FINE_STEP_RPM, dtype=float)


@lru_cache(maxsize=64)
def _scale_nm(engine: Engine) -> float:
    """Torque that makes the stock peak power come out at `wheel_power_kw` [N.m]."""
    rpm = fine_rpm(engine)
    power = _breathing(engine, rpm) * _filling(engine, rpm) * rpm * KW_PER_NM_RPM
    return float(engine.wheel_power_kw / power.max())


def stock_torque_nm(engine: Engine, rpm: Floats) -> Floats:
    """Full-load wheel torque of the typical stock car at the reference air [N.m]."""
    return _scale_nm(engine) * _breathing(engine, rpm) * _filling(engine, rpm)


def _rising(engine: Engine, rpm: Floats, centre: float, width: float, floor: float) -> Floats:
    """From `floor` low down to 1 at the peak-power speed, half way at `centre` x that speed."""
    rise = logistic((rpm / engine.peak_rpm - centre) / width)
    at_peak = float(logistic(np.array((1.0 - centre) / width)))
    return floor + (1.0 - floor) * rise / at_peak


def _boost(engine: Engine, rpm: Floats) -> Floats:
    """More in the middle than on top, and nothing before there is boost; a gentle rise without a turbocharger."""
    if not engine.spool_rpm:
        return _rising(engine, rpm, 0.45, 0.15, 0.5)
    return logistic((rpm - engine.spool_rpm - 150.0) / 260.0) * (1.35 - 0.35 * (rpm / engine.peak_rpm) ** 2)


def _middle(engine: Engine, rpm: Floats) -> Floats:
    return np.exp(-(((rpm / engine.peak_rpm - 0.62) / 0.22) ** 2))


SHAPES = {
    "flat": lambda _engine, rpm: np.ones_like(rpm, dtype=float),
    "wide": lambda engine, rpm: _rising(engine, rpm, 0.50, 0.12, 0.30),
    "top": lambda engine, rpm: _rising(engine, rpm, 0.78, 0.05, 0.0),
    "low-loss": lambda engine, rpm: _rising(engine, rpm, 0.56, 0.08, -0.65),
    "late": lambda engine, rpm: _rising(engine, rpm, 0.58, 0.07, -0.45),
    "boost": _boost,
    "middle": _middle,
}


def part_shape(shape: str, engine: Engine, rpm: Floats) -> Floats:
    """A part's gain over rpm for a gain of one at the peak-power speed (`middle`: at its own crest)."""
    return SHAPES[shape](engine, rpm)


def power_kw(torque_nm: Floats, rpm: Floats) -> Floats:
    """Power [kW] of a torque [N.m] at a speed [rpm]."""
    return torque_nm * rpm * KW_PER_NM_RPM


def peak_power_kw(torque_nm: Floats, rpm: Floats) -> tuple[float, float]:
    """Highest power [kW] and the speed it comes at [rpm]."""
    power = power_kw(torque_nm, rpm)
    top = int(power.argmax())
    return float(power[top]), float(rpm[top])


def mixture(engine: Engine, rpm: Floats) -> Floats:
    """Lambda at full load: richer with speed, richest where boost heats the charge."""
    share = np.clip(rpm / engine.peak_rpm, 0.0, 1.2)
    return 0.915 - 0.085 * share if engine.spool_rpm else 0.905 - 0.035 * share


def manifold_kpa(engine: Engine, rpm: Floats, barometer_kpa: float, more_boost: float) -> Floats:
    """Absolute manifold pressure at full load [kPa]; `more_boost` is the calibration's share on top [0..1]."""
    share = rpm / engine.peak_rpm
    if not engine.spool_rpm:
        return barometer_kpa - 0.6 - 1.5 * share**2
    boost = engine.boost_kpa * (1.0 + more_boost) * spooled(engine, rpm)
    return barometer_kpa - 2.0 + boost * (1.0 - 0.14 * np.clip(share - 0.75, 0.0, None) / 0.25)
