"""What the intake takes away: how far manifold pressure falls along a full-throttle pull, and what that may be worth.

With the throttle full a naturally aspirated engine's manifold stands at the pressure behind its filter, snorkel and
throttle plate. The air's way takes little at low speed and, with the square of the flow, more towards the top. The fall
is read on one sensor, so what that sensor reads too high or too low is not in it. It is the whole way's: a stock engine
has one too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.curve import GRID_RPM, GRID_STEP_RPM
from service.domain.units import power_kw

Grid = NDArray[np.float64]

END_RPM: Final = 300.0  # our choice: pressure is averaged over this much at either end
LEAST_SPAN_RPM: Final = 2000.0  # our choice: over less the flow does not change enough to tell
FULL_THROTTLE: Final = 0.95  # common practice, no source
OFF_STATION_KPA: Final = (
    5.0  # our choice: further from the barometer at low speed it is boost, a throttle or another scale
)


@dataclass(frozen=True, slots=True)
class Fall:
    """How far manifold pressure falls along a pull [kPa], from the pressure at one speed [rpm] to that at another."""

    kpa: float
    low_kpa: float
    top_kpa: float
    from_rpm: float
    at_rpm: float


@dataclass(frozen=True, slots=True)
class Restriction:
    """A restriction upstream of the manifold, and the power that having none would free: an estimate, never promised.

    kpa: fall of manifold pressure from `from_rpm` to `at_rpm` [kPa]; power_freed_percent, power_freed_kw: at `at_rpm`,
    were the pressure there what it is at low speed; the second is None where torque is not known there.
    """

    kpa: float
    at_rpm: float
    from_rpm: float
    power_freed_percent: float
    power_freed_kw: float | None


def pressure_fall(map_kpa: Grid) -> Fall | None:
    """The fall of manifold pressure along a curve on GRID_RPM [kPa absolute]; None where too little is known."""
    known = np.flatnonzero(np.isfinite(map_kpa))
    if known.size == 0 or GRID_RPM[known[-1]] - GRID_RPM[known[0]] < LEAST_SPAN_RPM:
        return None
    count = round(END_RPM / GRID_STEP_RPM) + 1
    first, last = known[:count], known[-count:]
    low, top = float(map_kpa[first].mean()), float(map_kpa[last].mean())
    return Fall(low - top, low, top, float(GRID_RPM[first].mean()), float(GRID_RPM[last].mean()))


def intake_restriction(
    map_kpa: Grid,
    station_kpa: float | None,
    aspiration: str | None,
    torque_nm: Grid | None = None,
    throttle: Grid | None = None,
) -> Restriction | None:
    """The restriction that a full-throttle pull shows, or None where it shows none or its conditions do not hold.

    They are: natural aspiration, throttle full along the curve where it was recorded, and at low speed a pressure near
    the barometer where that was recorded. Power is taken as proportional to the pressure at the intake, p_without /
    p_with, as the indicated power of SAE J1349 is. Its friction split (1.18 and 0.18, read second-hand) would make
    the estimate 1.18 times as large; ours is the lower one. A filter frees part of it at most.

    Parameters: map_kpa, manifold pressure on GRID_RPM [kPa absolute]; station_kpa, the barometer [kPa]; aspiration, as
    the platform's; torque_nm, throttle, on GRID_RPM [N.m], [0..1].
    """
    fall = pressure_fall(map_kpa) if aspiration == "natural" else None
    if fall is None or fall.kpa <= 0.0 or not _at_full_throttle(map_kpa, throttle):
        return None
    if station_kpa is not None and abs(fall.low_kpa - station_kpa) > OFF_STATION_KPA:
        return None
    freed = fall.low_kpa / fall.top_kpa - 1.0
    kw = None if torque_nm is None else float(np.interp(fall.at_rpm, GRID_RPM, torque_nm))
    return Restriction(
        kpa=fall.kpa,
        at_rpm=fall.at_rpm,
        from_rpm=fall.from_rpm,
        power_freed_percent=100.0 * freed,
        power_freed_kw=None if kw is None or np.isnan(kw) else float(power_kw(kw, fall.at_rpm)) * freed,
    )


def _at_full_throttle(map_kpa: Grid, throttle: Grid | None) -> bool:
    """Whether throttle was full wherever pressure is known; True where nobody recorded it."""
    if throttle is None:
        return True
    return bool((throttle[np.isfinite(map_kpa) & np.isfinite(throttle)] >= FULL_THROTTLE).all())
