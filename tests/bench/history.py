"""What the bench asks about: the demo shop, and beside it one platform with a part on many cars and one on fewer."""

import json
import math
import random
from collections.abc import Iterator
from typing import Any

from seed.post import load
from tests.bench.line import Line

PLATFORM = "bench-hatch"
MANY, FEW = 50, 14
MANY_PART, FEW_PART = "bench-pipe", "bench-silencer"
POSTED, POSTED_CARS = "bench-coupe", 200
"""Posts go to cars of another platform, so that the questions asked stay the same throughout."""
RPM = [2000 + 12 * i for i in range(376)]
AIR = {"temperature": 21.4, "pressure": 99.6, "humidity": 0.46}
POST_BYTES = 35_000
"""Size of the posted document that the target speaks of [bytes]."""


def fill(line: Line, url: str, token: str) -> None:
    """The demo shop through its own loader, then the bench's platform, cars and sessions."""
    load(url, token, progress=False)
    line.json("POST", "/v1/bays", {"slug": "bench", "name": "Bench", "kind": "hub"})
    for slug in (PLATFORM, POSTED):
        platform = {"slug": slug, "name": slug, "aspiration": "turbo", "ignition": "spark"}
        line.json("POST", "/v1/platforms", {**platform, "rpm_limit": 6600})
    line.json("POST", "/v1/parts", {"slug": MANY_PART, "name": "Pipe", "slots": ["down-pipe"]})
    line.json("POST", "/v1/parts", {"slug": FEW_PART, "name": "Silencer", "slots": ["rear-exhaust"]})
    rng = random.Random(20260318)
    for n in range(1, MANY + 1):
        tag = f"bench-{n:03d}"
        line.json("POST", "/v1/vehicles", {"tag": tag, "platform": PLATFORM, "confirm": True})
        parts = [[], [MANY_PART]] + ([[FEW_PART]] if n <= FEW else [])
        line.json("POST", "/v1/sessions", session(rng, tag, n, [setup(rng, names, 3) for names in parts]))
    for n in range(POSTED_CARS):
        line.json("POST", "/v1/vehicles", {"tag": posted_car(n), "platform": POSTED, "confirm": True})


def posted_car(number: int) -> str:
    """The car that a post is about, one after the other."""
    return f"coupe-{number % POSTED_CARS:03d}"


def setup(rng: random.Random, parts: list[str], pulls: int) -> dict[str, Any]:
    """A setup whose parts gain four percent each, give or take."""
    level = math.exp(len(parts) * rng.gauss(0.04, 0.01))
    return {"parts": parts, "stock_checked": "verified", "pulls": [pull(rng, level) for _ in range(pulls)]}


def pull(rng: random.Random, level: float) -> dict[str, Any]:
    """A pull with three channels, noisy as a recording is, so that the door has nothing to say of it."""
    scale = level * math.exp(rng.gauss(0.0, 0.004))
    torque = [round(scale * rng.gauss(1.0, 0.003) * hump(rpm), 1) for rpm in RPM]
    mixture = [round(0.88 + 0.01 * math.sin(rpm / 300.0) + rng.gauss(0.0, 0.004), 3) for rpm in RPM]
    curve: dict[str, Any] = {"rpm": RPM, "torque": torque, "lambda": mixture}
    curve["resolution"] = {"rpm": 1, "torque": 0.1, "lambda": 0.001}
    engine = {"coolant": 88, "oil": 95, "inlet": 24, "inlet_end": 29}
    return {
        "ambient": {name: round(value + rng.gauss(0.0, 0.01 * value), 2) for name, value in AIR.items()},
        "engine": engine,
        "test": "sweep",
        "ramp": 400,
        "basis": "observed",
        "curve": curve,
    }


def hump(rpm: float) -> float:
    """Torque [N.m] of an engine drawn by a parabola."""
    return 260.0 - 12.0 * ((rpm - 4200) / 1000.0) ** 2


def session(rng: random.Random, tag: str, number: int, setups: list[dict[str, Any]]) -> dict[str, Any]:
    """A session on a day of 2025."""
    day = f"2025-{1 + number // 28 % 12:02d}-{1 + number % 28:02d}T{8 + number // 336 % 10:02d}:00:00+00:00"
    head = {"units": "si", "vehicle": tag, "bay": "bench", "started_at": day, "sequence": number}
    return {**head, "gear": 4, "ratio": 3.9, "setups": setups}


def posts(start: int) -> Iterator[bytes]:
    """New sessions of four pulls in one setup, one car after the other; every third with the part fitted."""
    rng = random.Random(start)
    for number in range(start, start + 100_000):
        fitted = [MANY_PART] if number % 3 == 0 else []
        made = session(rng, posted_car(number), number, [setup(rng, fitted, 4)])
        yield json.dumps(made).encode()
