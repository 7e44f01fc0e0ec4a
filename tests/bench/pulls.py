"""A pull as a bay posts it: three channels, noisy as a real trace is, so that the door has nothing to say of it."""

import math
import random
from typing import Any

RPM = [2000 + 12 * i for i in range(376)]
AIR = {"temperature": (25.0, 0.1), "pressure": (100.0, 0.02), "humidity": (0.3155, 0.002)}
"""Mean and spread of what is read, about the reference air of SAE J1349 (25 degC, 100 kPa with 1 kPa of vapour): what is
kept corrected then lies within a tenth percent of what was posted, which is what it is held against."""
STEPS = {"rpm": 1, "torque": 0.1, "lambda": 0.001}
ENGINE = {"coolant": 88, "oil": 95, "inlet": 24, "inlet_end": 29}
SAMPLE_SPREAD = 0.001
"""Of one sample to the next: so little that the highest sample lies within a quarter percent of the peak (our choice)."""
PULL_SPREAD = 0.004
"""Of one pull to the next of a setup (common practice, no source)."""


def pull(rng: random.Random, level: float, *, resolution: bool = True) -> dict[str, Any]:
    """A pull at `level` times the torque of an engine drawn by a parabola; four of them come to some 35 kB of JSON. Without
    a resolution its figures have all the digits of the noise."""
    scale = level * math.exp(rng.gauss(0.0, PULL_SPREAD))
    torque = [scale * rng.gauss(1.0, SAMPLE_SPREAD) * hump(rpm) for rpm in RPM]
    mixture = [0.88 + 0.01 * math.sin(rpm / 300.0) + rng.gauss(0.0, 0.004) for rpm in RPM]
    curve: dict[str, Any] = {"rpm": RPM, "torque": torque, "lambda": mixture}
    if resolution:
        curve["torque"], curve["lambda"] = [round(v, 1) for v in torque], [round(v, 3) for v in mixture]
        curve["resolution"] = STEPS
    return {
        "ambient": {name: round(rng.gauss(mean, spread), 3) for name, (mean, spread) in AIR.items()},
        "engine": ENGINE,
        "test": "sweep",
        "ramp": 400,
        "basis": "observed",
        "curve": curve,
    }


def hump(rpm: float) -> float:
    """Torque [N.m]."""
    return 260.0 - 12.0 * ((rpm - 4200) / 1000.0) ** 2
