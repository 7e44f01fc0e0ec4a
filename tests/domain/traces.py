"""Traces of pulls made from known curves, and what can go wrong with a file.

The curves are closed forms of our own; the figures of a trace (roll-on 2 s, a pull of about 10 s, coast-down 5 s,
10 to 100 Hz) are common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from service.domain import curve
from service.domain.trace import Trace, choose

Floats = NDArray[np.float64]
Law = Callable[[Floats], Floats]


def natural(rpm: Floats) -> Floats:
    """A naturally aspirated engine: a parabola, highest at 4500 rpm."""
    return 200.0 * (1.0 - 0.25 * ((rpm - 4500.0) / 2500.0) ** 2)


def boosted(rpm: Floats) -> Floats:
    """A turbocharged one: from 120 to 350 N.m within about 1000 rpm, a plateau, a fall."""
    return (120.0 + 230.0 / (1.0 + np.exp((2500.0 - rpm) / 170.0))) * (
        1.0 - 0.35 / (1.0 + np.exp((5600.0 - rpm) / 450.0))
    )


def diesel(rpm: Floats) -> Floats:
    """A compression-ignition one: full torque by 2200 rpm, falling from 2600."""
    return (140.0 + 260.0 / (1.0 + np.exp((1700.0 - rpm) / 170.0))) * (
        1.0 - 0.55 * np.clip((rpm - 2600.0) / 2400.0, 0.0, 1.0) ** 1.5
    )


LAWS: dict[str, tuple[Law, float, float]] = {
    "natural": (natural, 2000.0, 6500.0),
    "boosted": (boosted, 1800.0, 6300.0),
    "diesel": (diesel, 1200.0, 4500.0),
}
every_law = pytest.mark.parametrize("law", LAWS)
every_rate = pytest.mark.parametrize("hertz", [10.0, 20.0, 50.0, 100.0])


@dataclass(frozen=True)
class Log:
    """A file as it was recorded."""

    time: Floats
    rpm: Floats
    torque: Floats
    throttle: Floats

    def rows(self, which: Floats | slice) -> "Log":
        return Log(self.time[which], self.rpm[which], self.torque[which], self.throttle[which])

    def chosen(self, timed: bool = True, throttle: bool = True) -> Trace:
        return choose(
            self.rpm, self.torque, self.time if timed else None, self.throttle if throttle else None
        )


def recorded(law: str, hertz: float, seconds: float = 10.0, roll_on: float = 2.0, coast: float = 5.0) -> Log:
    """Roll-on at a third of the load, tip-in over half a second, the pull, the limiter's hunting, coast-down."""
    torque_of, low, high = LAWS[law]
    rate = (high - low) / seconds
    top = roll_on + seconds
    time = np.arange(0.0, top + 0.5 + coast, 1.0 / hertz)
    waver = 12.0 * np.sin(2.0 * np.pi * time / 1.3)
    hunting = np.where((time - top) % 0.2 < 0.1, -1.0, 1.0)
    phase = np.searchsorted([roll_on, top, top + 0.5], time, side="right")
    rpm = np.choose(
        phase,
        [
            low + waver,
            low + rate * (time - roll_on),
            high + 25.0 * hunting,
            high - 350.0 * (time - top - 0.5),
        ],
    )
    share = np.clip(0.35 + 0.65 * (time - roll_on) / 0.5, 0.35, 1.0)
    torque = np.choose(
        phase,
        [
            0.35 * torque_of(np.full_like(rpm, low)),
            share * torque_of(rpm),
            np.where(hunting < 0.0, -0.1, 0.9) * torque_of(rpm),
            -20.0 - 0.002 * rpm,
        ],
    )
    throttle = np.choose(phase, [0.3 + 0.0 * time, np.minimum(1.0, 0.3 + 5.0 * (time - roll_on)), 1.0, 0.0])
    return Log(time, rpm, torque, throttle)


def noisy(log: Log, noise: float, seed: int = 1) -> Log:
    random = np.random.default_rng(seed)
    return replace(log, torque=log.torque * (1.0 + noise * random.standard_normal(log.torque.size)))


def clean(law: str, step: float = 20.0) -> tuple[Floats, Floats]:
    torque_of, low, high = LAWS[law]
    rpm = np.arange(low, high + 1.0, step)
    return rpm, torque_of(rpm)


def error_of_samples(found: Trace, law: str) -> float:
    """Largest relative error of the samples that were kept."""
    return float(np.abs(found.torque_nm / LAWS[law][0](found.rpm) - 1.0).max())


def error_of_grid(found: Trace, law: str) -> float:
    """Largest relative error of the grid against that of the clean curve over the same speeds, smoothed alike."""
    truth = LAWS[law][0](found.rpm)
    grid = curve.resample(*curve.clean_trace(found.rpm, found.torque_nm))
    true_grid = curve.resample(*curve.clean_trace(found.rpm, truth))
    known = np.isfinite(true_grid)
    assert (known == np.isfinite(grid)).all()
    return float(np.abs(grid[known] / true_grid[known] - 1.0).max())


def spoiled(law: str, hertz: float, noise: float, seed: int) -> Log:
    """A trace with noise, three spikes of torque, one of speed, five samples not finite and repeated rows."""
    random = np.random.default_rng(seed)
    log = noisy(recorded(law, hertz), noise, seed)
    torque, rpm = log.torque.copy(), log.rpm.copy()
    inside = np.flatnonzero((log.time > 4.0) & (log.time < 10.5))
    at = inside[:: inside.size // 9][:9]
    torque[at[:3]] *= np.array([1.6, 0.3, 2.0])
    rpm[at[3]] += 1500.0
    torque[at[4:9]] = np.nan
    repeated = np.sort(np.concatenate((np.arange(rpm.size), random.integers(0, rpm.size, rpm.size // 50))))
    return replace(log, torque=torque, rpm=rpm).rows(repeated)
