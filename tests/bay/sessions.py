"""Sessions as a bay closes them, as small as the ledger takes them: what a fault is about is the post, not the curve."""

import json
import random
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from service.bay.spool import Entry
from tests.faults.sessions import SLOTS

RPM = [2000 + 150 * i for i in range(30)]
AIR = {"temperature": 22.0, "pressure": 99.0, "humidity": 0.4}


def small_session(rng: random.Random, bay: str, number: int, car: str, at: datetime) -> dict[str, Any]:
    """One setup of one pull: every other one a short curve, the rest only peaks."""
    pull = {"basis": "observed", "source": "file", "ambient": dict(AIR)}
    pull |= {"curve": curve(rng)} if number % 2 else {"peaks": peaks(rng)}
    return {
        "units": "si",
        "id": str(UUID(int=rng.getrandbits(128), version=4)),
        "vehicle": car,
        "bay": bay,
        "started_at": at.isoformat(),
        "sequence": number,
        "setups": [{"parts": rng.sample(sorted(SLOTS), 1) if rng.random() < 0.5 else [], "pulls": [pull]}],
    }


def curve(rng: random.Random) -> dict[str, list[float]]:
    """A hump with a height, a place and a width of its own, so that no two are the same curve."""
    height, place, width = rng.uniform(180, 320), rng.uniform(3500, 5000), rng.uniform(5000, 9000)
    torque = [round(height * (1 - ((rpm - place) / width) ** 2) + rng.gauss(0, 0.5), 2) for rpm in RPM]
    return {"rpm": [float(rpm) for rpm in RPM], "torque": torque}


def peaks(rng: random.Random) -> dict[str, float]:
    """Peak figures."""
    return {
        "power": round(rng.uniform(90, 160), 2),
        "power_rpm": 5500.0,
        "torque": round(rng.uniform(200, 320), 2),
        "torque_rpm": 3900.0,
    }


def small_sessions(seed: int, bay: str, count: int, cars: list[str], begun: datetime) -> list[dict[str, Any]]:
    """A bay's sessions, ten minutes apart, the last of them just before `begun`."""
    rng = random.Random(seed)
    return [
        small_session(rng, bay, n, rng.choice(cars), begun - timedelta(minutes=10 * (count - n)))
        for n in range(1, count + 1)
    ]


def entry_of(document: dict[str, Any]) -> Entry:
    """Its place in the spool."""
    return Entry(document["sequence"], document["id"])


def body_of(document: dict[str, Any]) -> bytes:
    """As it lies in the spool."""
    return json.dumps(document, separators=(",", ":")).encode()
