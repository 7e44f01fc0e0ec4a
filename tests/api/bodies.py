"""The smallest bodies the ledger takes, and ways to add what a test needs. Every name is invented."""

from tests.conftest import Client
from tests.factories import lifted

PLATFORM = {"slug": "stoat", "name": "Stoat 1.6 T", "aspiration": "turbo", "ignition": "spark"}
VEHICLE = {"tag": "car-a", "platform": "stoat"}
PART = {"slug": "side-feed-plenum", "name": "Side-feed plenum", "slots": ["intake-manifold"]}
SLOT = {"slug": "brake-ducts", "name": "Brake ducts"}
BAY = {"slug": "north", "name": "North bay", "kind": "roller-inertia"}
EVENT = {"at": "2026-03-18T16:20:00+00:00", "kind": "recalibrated"}
MODIFICATION = {"part": "side-feed-plenum", "fitted_on": "2026-03-18"}
CORRECTION = {
    "from": "2026-03-05T00:00:00+00:00",
    "to": "2026-03-15T00:00:00+00:00",
    "factor": 1.02,
    "reason": "load cell arm 2 % long",
}

COLLECTIONS = {
    "/v1/platforms": PLATFORM,
    "/v1/vehicles": VEHICLE,
    "/v1/parts": PART,
    "/v1/slots": SLOT,
    "/v1/bays": BAY,
    "/v1/bays/north/events": EVENT,
    "/v1/bays/north/corrections": CORRECTION,
    "/v1/vehicles/car-a/modifications": MODIFICATION,
}
"""Every list that can be posted to, with a body it takes once the shop of `fill` is there."""

NEW = {
    "/v1/platforms": {**PLATFORM, "slug": "heron"},
    "/v1/vehicles": {**VEHICLE, "tag": "another-one"},
    "/v1/parts": {**PART, "slug": "air-box"},
    "/v1/slots": SLOT,
    "/v1/bays": {**BAY, "slug": "south"},
    "/v1/bays/north/events": EVENT,
    "/v1/bays/north/corrections": CORRECTION,
    "/v1/vehicles/car-a/modifications": MODIFICATION,
}
"""The same, new beside what `fill` has put there."""


def added(admin: Client, path: str, body: dict[str, object], **more: object):
    """Post a body with changes; it must be taken."""
    response = admin.post(path, {**body, **more})
    assert response.status_code == 201, response.text
    return response


def fill(admin: Client) -> None:
    """One platform, one car, one part, one bay."""
    added(admin, "/v1/platforms", PLATFORM)
    added(admin, "/v1/vehicles", VEHICLE)
    added(admin, "/v1/parts", PART)
    added(admin, "/v1/bays", BAY)


def session(*setups: list[str], vehicle: str = "car-a", **more: object) -> dict[str, object]:
    """One strap-down of a car in `north` with one pull per setup, each setup given by its parts."""
    rpm = [float(speed) for speed in range(2000, 6500, 100)]
    pull = {"ambient": {"temperature": 21.4, "pressure": 99.6, "humidity": 0.46}, "basis": "observed"}
    torque = [180.0 + i % 3 for i in range(45)]
    curves = [{"rpm": rpm, "torque": lifted(torque, rpm)} for _ in setups]
    return {
        "units": "si",
        "vehicle": vehicle,
        "bay": "north",
        "started_at": "2026-03-18T16:20:00+00:00",
        "setups": [
            {"parts": parts, "stock_checked": "verified", "pulls": [{**pull, "curve": curve}]}
            for parts, curve in zip(setups, curves, strict=True)
        ],
        **more,
    }
