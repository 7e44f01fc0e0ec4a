"""A whole session, as the API document shows it. The car, the bay and the figures are invented."""

from typing import Any


def _setup(label: str, parts: list[str], torque: list[float]) -> dict[str, Any]:
    pull = {
        "started_at": "2026-03-19T09:04:00+00:00" if not parts else "2026-03-19T10:31:00+00:00",
        "ambient": {"temperature": 18.0, "pressure": 100.4, "humidity": 0.55},
        "engine": {"coolant": 88.0, "oil": 95.0, "inlet": 24.0, "inlet_end": 29.0},
        "test": "sweep",
        "ramp": 400.0,
        "smoothing": {"method": "moving mean", "width_rpm": 50.0},
        "source": "live",
        "basis": "observed",
        "status": "accepted",
        "curve": {
            "rpm": [1800, 2300, 2800, 3300, 3800, 4300, 4800, 5300, 5800, 6300],
            "torque": torque,
            "resolution": {"rpm": 1, "torque": 0.1},
        },
    }
    return {
        "label": label,
        "parts": parts,
        "parts_known": "complete",
        "stock_checked": "verified",
        "fuel": {"ethanol": 0.05, "octane": 98.0, "octane_method": "ron"},
        "spark_advance": 22.5,
        "pulls": [pull],
    }


SESSION: dict[str, Any] = {
    "units": "si",
    "id": "6f0d3f0a-54c8-4d0b-9d2e-3c1a7b8e9f10",
    "vehicle": "walk-in-car",
    "bay": "north",
    "started_at": "2026-03-19T09:00:00+00:00",
    "operator": "kt",
    "gear": 4,
    "ratio": 3.9,
    "tyre_size": "225/45R17",
    "tyre_pressure": 240.0,
    "sequence": 118,
    "clock": "2026-03-19T11:05:00+00:00",
    "setups": [
        _setup("as it came", [], [150.1, 196.3, 214.0, 217.2, 218.1, 217.0, 214.2, 207.4, 196.0, 181.1]),
        _setup(
            "with the pipes",
            ["hard-charge-pipes"],
            [151.0, 198.2, 216.5, 219.8, 220.9, 219.9, 217.3, 210.6, 199.3, 184.3],
        ),
    ],
}
GAIN_QUERY: dict[str, Any] = {
    "part": "hard-charge-pipes",
    "platform": "halvern-stoat-16t",
    "measure": "torque_at",
    "rpm": 3500,
    "level": 0.9,
    "against": "without",
    "units": "us",
    "standard": "sae-j1349",
    "baseline": 160,
    "context": "as-usually-fitted",
    "curve": False,
    "pairs": True,
    "model": True,
}
"""A whole question, from_rpm and to_rpm left out as `torque_at` takes neither."""
