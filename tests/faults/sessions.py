"""Random sessions of a few cars, every kind of pair among them, from one seed."""

import random
from typing import Any
from uuid import UUID

from tests.factories import AIR, hump

SLOTS = {
    "wide-pipe": frozenset({"down-pipe"}),
    "mesh-pipe": frozenset({"down-pipe"}),
    "road-map": frozenset({"calibration"}),
    "pipe-and-box": frozenset({"down-pipe", "rear-exhaust"}),
    "silencer": frozenset({"rear-exhaust"}),
}
BAYS = ("north", "hub")
PLATFORMS = ("stoat", "heron")
LEVELS = (150.0, 420.0)
"""Of the torque of many pulls [N.m]."""
RPM = [2000 + 60 * i for i in range(76)]


def a_small_shop(post: Any, cars: int) -> None:
    """Two platforms, two bays, the parts of SLOTS, some cars. `post(path, body)` must raise where it is refused."""
    for slug in PLATFORMS:
        post("/v1/platforms", {"slug": slug, "name": slug, "aspiration": "turbo", "ignition": "spark"})
    for slug in BAYS:
        post("/v1/bays", {"slug": slug, "name": slug, "kind": "hub"})
    for slug, slots in SLOTS.items():
        post("/v1/parts", {"slug": slug, "name": slug, "slots": sorted(slots)})
    for n in range(cars):
        post("/v1/vehicles", {"tag": tag_of(n), "platform": PLATFORMS[n % 2], "confirm": True})


def tag_of(n: int) -> str:
    """A car's tag."""
    return f"car-{n}"


def random_sessions(seed: int, count: int, cars: int, *, with_id: float = 1.0) -> list[dict[str, Any]]:
    """Sessions of a few cars; a share `with_id` of them carries the bay's own id."""
    rng = random.Random(seed)
    return [random_session(rng, number, cars, rng.random() < with_id) for number in range(count)]


def random_session(rng: random.Random, number: int, cars: int, with_id: bool) -> dict[str, Any]:
    """One to four states of a car; often the first one again at the end."""
    states = [random_parts(rng) for _ in range(rng.choice((1, 1, 2, 3)))]
    states = [parts for i, parts in enumerate(states) if parts not in states[:i]]
    if len(states) > 1 and rng.random() < 0.6:
        states.append(states[0])
    air = dict(AIR) if rng.random() < 0.85 else {"temperature": 22.0, "pressure": 99.0}
    document = {
        "units": "si",
        "vehicle": tag_of(rng.randrange(cars)),
        "bay": rng.choice(BAYS),
        "started_at": f"2026-03-{1 + rng.randrange(12):02d}T{8 + rng.randrange(10):02d}:00:00+00:00",
        "sequence": number,
        "setups": [random_setup(rng, parts, air) for parts in states],
    }
    return document | ({"id": str(UUID(int=rng.getrandbits(128), version=4))} if with_id else {})


def random_parts(rng: random.Random) -> list[str]:
    """A part list in which no slot is filled twice."""
    pipe = rng.choice((None, None, "wide-pipe", "mesh-pipe", "pipe-and-box"))
    box = None if pipe == "pipe-and-box" else rng.choice((None, None, "silencer"))
    return [part for part in (pipe, box, rng.choice((None, None, "road-map"))) if part is not None]


def random_setup(rng: random.Random, parts: list[str], air: dict[str, float]) -> dict[str, Any]:
    """A setup of one to three pulls; seldom one whose pulls were all rejected, or whose list is not complete."""
    rejected = rng.random() < 0.06
    return {
        "parts": parts,
        "parts_known": "partial" if rng.random() < 0.1 else "complete",
        "pulls": [random_pull(rng, air, rejected) for _ in range(rng.randint(1, 3))],
    }


def random_pull(rng: random.Random, air: dict[str, float], rejected: bool) -> dict[str, Any]:
    """A pull about a level of its own, its first samples unlike any other's: no two pulls are ever the same."""
    height, first = rng.uniform(220.0, 300.0), rng.uniform(0.95, 1.05)
    torque = [round(hump(rpm, height) * (first if rpm < 2200 else 1.0), 2) for rpm in RPM]
    curve = {"rpm": RPM, "torque": torque}
    pull = {"ambient": air, "basis": "observed", "curve": curve}
    return pull | ({"status": "rejected", "reason": "the strap slipped"} if rejected else {})


def many_sessions(seed: int, count: int, cars: int) -> list[dict[str, Any]]:
    """So many that two random pulls would sometimes be alike, which is refused: each pull has a level of its own, further
    from the next than the 0.02 % of a copy."""
    documents = random_sessions(seed, count, cars)
    pulls = [pull for document in documents for setup in document["setups"] for pull in setup["pulls"]]
    levels = [LEVELS[0] + (LEVELS[1] - LEVELS[0]) * n / len(pulls) for n in range(len(pulls))]
    random.Random(seed).shuffle(levels)
    for pull, level in zip(pulls, levels, strict=True):
        pull["curve"] = {"rpm": RPM, "torque": [round(hump(rpm, level), 2) for rpm in RPM]}
    return documents
