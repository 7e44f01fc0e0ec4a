"""What was recorded beside torque, on the common grid: mixture, manifold pressure, spark, inlet air, throttle.

No smoothing: the mean of the samples nearest to each knot, or the straight line between its neighbours where no
sample is near. Known only where the torque is.
"""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.curve import GRID_RPM, GRID_STEP_RPM

Floats = NDArray[np.float64]

ALONG_THE_CURVE: Final = ("lambda", "map", "spark", "knock_retard", "inlet", "throttle")
"""Channels kept along the curve, as posted: lambda [-], absolute pressure [kPa], spark advance and knock retard
[degrees of crank], temperature [degC], share 0..1."""
SPEED_RATIO: Final = "speed_ratio"
"""Engine speed over roller speed [-]: constant in one locked gear without slip."""


def channel_grids(rpm: Floats, channels: Mapping[str, Floats], known: NDArray[np.bool_]) -> dict[str, Floats]:
    """Each recorded channel on GRID_RPM, NaN where `known` is not.

    Parameters: rpm, engine speed of the samples in any order [rpm]; channels, recorded at them; known, shape [231].
    """
    wanted = {name: channels[name] for name in ALONG_THE_CURVE if name in channels}
    rollers = channels.get("roller_speed")
    if rollers is not None and (rollers > 0.0).all():
        wanted[SPEED_RATIO] = rpm / rollers
    if not wanted or rpm.size == 0:
        return {}
    order = np.argsort(rpm, kind="stable")
    knot = np.rint((rpm - GRID_RPM[0]) / GRID_STEP_RPM).astype(np.intp)
    on_grid = (knot >= 0) & (knot < GRID_RPM.size)
    counts = np.bincount(knot[on_grid], minlength=GRID_RPM.size)
    return {
        name: _on_grid(rpm, values, order, knot, on_grid, counts, known) for name, values in wanted.items()
    }


def _on_grid(
    rpm: Floats,
    values: Floats,
    order: NDArray[np.intp],
    knot: NDArray[np.intp],
    on_grid: NDArray[np.bool_],
    counts: NDArray[np.intp],
    known: NDArray[np.bool_],
) -> Floats:
    sums = np.bincount(knot[on_grid], weights=values[on_grid], minlength=GRID_RPM.size)
    between = np.interp(GRID_RPM, rpm[order], values[order])
    result = np.where(counts > 0, sums / np.maximum(counts, 1), between)
    result[~known] = np.nan
    return result
