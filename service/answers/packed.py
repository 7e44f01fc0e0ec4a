"""A fit as bytes, and back: a small JSON head, then the arrays, every number exact."""

import io
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.stats.history.fitted import ById, Fit, Point, Points, Spreads, Weights

METHOD: Final = 3
"""Number of the model and of this packed form: a fit of another number is not used."""

_PLAIN: Final = (
    "pull_spread",
    "bay_widening",
    "inlet_c",
    "ethanol",
    "inlet_unrecorded",
    "ethanol_unrecorded",
    "cars",
    "setups",
    "down_weighted",
    "heat_soaked",
    "criterion",
    "converged",
)


def pack(fit: Fit) -> bytes:
    """The fit as bytes (numbers exact)."""
    head = {name: getattr(fit, name) for name in _PLAIN} | {
        "method": METHOD,
        "spreads": {name: getattr(fit.spreads, name) for name in Spreads.__slots__},
        "heat": dict(fit.heat),
        "shop_spread": fit.shop_spread,
        "inlet_unrecorded": dict(fit.inlet_unrecorded),
        "slot": _points(fit.points.slot),
        "part": _points(fit.points.part),
        "slot_on": [[*key, value] for key, value in fit.points.slot_on.items()],
        "cell": _points(fit.points.cell),
    }
    arrays: dict[str, NDArray[Any]] = {"head": np.frombuffer(json.dumps(head).encode(), dtype=np.uint8)}
    for name in Weights.__slots__:
        weights: ById = getattr(fit.weights, name)
        arrays |= {f"{name}_ids": weights.ids, f"{name}_values": weights.values}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    return buffer.getvalue()


def unpack(packed: bytes) -> Fit:
    """The fit from its bytes. Raises ValueError where they are none of `pack`'s, or of another METHOD."""
    try:
        with np.load(io.BytesIO(packed), allow_pickle=False) as arrays:
            head = json.loads(arrays["head"].tobytes())
            if head["method"] == METHOD:
                return _unpacked(head, arrays)
    except Exception as error:
        raise ValueError(f"packed: {len(packed)} bytes are no packed fit; fit the history anew") from error
    raise ValueError(f"packed: the fit is of method {head['method']}, not {METHOD}; fit the history anew")


def _unpacked(head: Mapping[str, Any], arrays: Mapping[str, Any]) -> Fit:
    return Fit(
        spreads=Spreads(**head["spreads"]),
        heat=head["heat"],
        shop_spread=head.get("shop_spread"),
        points=Points(
            slot={(a, b): Point(m, v) for a, b, m, v in head["slot"]},
            part={(a, b): Point(m, v) for a, b, m, v in head["part"]},
            slot_on={(a, b): value for a, b, value in head["slot_on"]},
            cell={(a, b): Point(m, v) for a, b, m, v in head["cell"]},
        ),
        weights=Weights(
            **{
                name: ById(arrays[f"{name}_ids"], arrays[f"{name}_values"])
                for name in Weights.__slots__
                if f"{name}_ids" in arrays
            }
        ),
        **{name: head[name] for name in _PLAIN},
    )


def _points(points: Mapping[tuple[Any, Any], Point]) -> Sequence[Sequence[Any]]:
    return [[*key, point.mean, point.variance] for key, point in points.items()]
