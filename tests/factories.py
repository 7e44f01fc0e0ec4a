"""Documents a bay would post, as small as a test can use; every figure in SI."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tests.conftest import Client

RPM = [float(rpm) for rpm in range(2000, 6501, 25)]
AIR = {"temperature": 25.0, "pressure": 100.0, "humidity": 0.3155}
"""The reference air of SAE J1349 (25 degC, 100 kPa with 1 kPa of vapour): its factor is 1 to four digits."""
WARM = {"coolant": 88.0, "inlet": 27.0}
"""What must be recorded on both sides for a comparison to count as held."""


PULLS = itertools.count()
LIFT = 0.0005
"""By this share the first samples of a pull lie above the last one's; a curve nearer than 0.02 % is a copy."""
SMOOTHED = {"method": "moving mean", "width_rpm": 50.0}
"""A curve without any noise says that it was smoothed."""


def hump(rpm: float, height: float = 260.0) -> float:
    """Torque [N.m] of an engine drawn by a parabola: its highest point is `height` at 4200 rpm."""
    return height - 12.0 * ((rpm - 4200.0) / 1000.0) ** 2


def lifted(torque: Sequence[float], rpm: Sequence[float] = RPM) -> list[float]:
    """The same curve, a little higher or lower up to 2100 rpm than the 80 before it, and between 2200 and 2350 rpm than all
    others: no two pulls of a database are ever the same, and what was posted before is refused."""
    many, few = divmod(next(PULLS), 81)
    first, second = 1.0 + LIFT * (few - 40), 1.0 + LIFT * ((many + 20) % 41 - 20)
    return [
        value * (first if speed <= 2100.0 else second if 2200.0 <= speed <= 2350.0 else 1.0)
        for value, speed in zip(torque, rpm, strict=True)
    ]


def pull(scale: float = 1.0, **fields: Any) -> dict[str, Any]:
    """A pull whose torque is `scale` times the same smooth curve, but for its first samples."""
    curve = {"rpm": RPM, "torque": lifted([scale * hump(rpm) for rpm in RPM])}
    good = {"ambient": dict(AIR), "engine": dict(WARM), "basis": "observed", "smoothing": dict(SMOOTHED)}
    return {**good, "curve": curve, **fields}


def setup(parts: Sequence[Any] = (), scale: float = 1.0, pulls: int = 3, **fields: Any) -> dict[str, Any]:
    """A setup of pulls that are equal from 2500 rpm on."""
    return {
        "parts": list(parts),
        "stock_checked": "verified",
        "pulls": [pull(scale) for _ in range(pulls)],
        **fields,
    }


def session(
    *setups: dict[str, Any], vehicle: str = "stoat-1", bay: str = "north", day: int = 1, **fields: Any
) -> dict[str, Any]:
    """A session of some setups on a day of March 2026."""
    return {
        "units": "si",
        "vehicle": vehicle,
        "bay": bay,
        "started_at": f"2026-03-{day:02d}T10:00:00+00:00",
        "setups": list(setups) or [setup()],
        **fields,
    }


def a_shop(admin: Client, cars: int = 12) -> None:
    """Two bays, one platform with its cars, three parts: two down-pipes and a calibration."""
    posts: list[tuple[str, dict[str, Any]]] = [
        (
            "/v1/platforms",
            {
                "slug": "stoat",
                "name": "Halvern Stoat 1.6 T",
                "aspiration": "turbo",
                "ignition": "spark",
                "rpm_limit": 6500,
            },
        ),
        ("/v1/bays", {"slug": "north", "name": "North", "kind": "roller-inertia"}),
        ("/v1/bays", {"slug": "hub", "name": "Hub", "kind": "hub"}),
        (
            "/v1/parts",
            {
                "slug": "wide-pipe",
                "name": "Wide down-pipe",
                "slots": ["down-pipe"],
                "price": 480,
                "currency": "GBP",
                "price_date": "2026-01-10",
                "labour_hours": 2.5,
            },
        ),
        ("/v1/parts", {"slug": "mesh-pipe", "name": "200-cell down-pipe", "slots": ["down-pipe"]}),
        ("/v1/parts", {"slug": "road-map", "name": "Road calibration", "slots": ["calibration"]}),
    ]
    posts += [
        ("/v1/vehicles", {"tag": f"stoat-{n}", "platform": "stoat", "confirm": True})
        for n in range(1, cars + 1)
    ]
    for path, body in posts:
        answer = admin.post(path, body)
        assert answer.status_code == 201, (path, answer.json)
    etag = admin.get("/v1/settings").headers["ETag"]
    done = admin.patch("/v1/settings", {"currency": "GBP", "labour_rate": 72.0}, If_Match=etag)
    assert done.status_code == 200, done.json


def peak_of_hump(height: float = 260.0) -> tuple[float, float]:
    """(power [kW], speed [rpm]) at the peak of `hump`, in closed form.

    P is proportional to n (h - a (n - m)^2); dP/dn = 0 gives 3 a n^2 - 4 a m n + a m^2 - h = 0.
    """
    a, m = 12.0e-6, 4200.0
    rpm = (4 * a * m + math.sqrt((4 * a * m) ** 2 - 12 * a * (a * m**2 - height))) / (6 * a)
    return rpm * hump(rpm, height) * math.pi / 30_000.0, rpm
