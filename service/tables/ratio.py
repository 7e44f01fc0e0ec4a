"""Power over torque and speed: which units two columns must have been written in.

k = 9549.3 P / (T n) is 1 in kW and N.m; in other units it is the ratio of their factors (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.domain.units import FOOT_POUND_NM, HORSEPOWER_KW, METRIC_HORSEPOWER_KW, RPM_NM_PER_KW
from service.tables.records import Floats

KGF_M_NM: Final = 9.80665  # exact, by definition
POWER_KW: Final = {"kW": 1.0, "hp": HORSEPOWER_KW, "PS": METRIC_HORSEPOWER_KW}
TORQUE_NM: Final = {"N.m": 1.0, "lbf.ft": FOOT_POUND_NM, "kgf.m": KGF_M_NM}
NEAREST: Final = 0.001  # how near k must lie to a pair's own; our choice: a fourteenth of hp against PS
CONSTANT: Final = (
    0.01  # spread of k over the curve that says the columns belong together: common practice, no source
)
SLOWEST_SHARE: Final = 0.3  # of the greatest torque and speed: below it rounding rules k


@dataclass(frozen=True)
class Ratio:
    """The median of k, how far it spreads over the curve (share), and its uncertainty (share)."""

    k: float
    spread: float
    uncertainty: float


def ratio(power: Floats, torque: Floats, rpm: Floats) -> Ratio | None:
    """k of figures as written; None where there are too few at load."""
    loaded = (
        (torque > SLOWEST_SHARE * np.max(torque, initial=0.0)) & (power > 0.0) & (rpm > 0.0) & (torque > 0.0)
    )
    loaded &= power > SLOWEST_SHARE * np.max(power, initial=0.0)
    if np.count_nonzero(loaded) < 5:
        return None
    with np.errstate(all="ignore"):
        each = RPM_NM_PER_KW * power[loaded] / (torque[loaded] * rpm[loaded])
    k = float(np.median(each))
    if not np.isfinite(k) or k <= 0.0:
        return None
    spread = 1.4826 * float(np.median(np.abs(each / k - 1.0)))  # the standard deviation of normal noise
    return Ratio(k, spread, 3.0 * 1.2533 * spread / float(np.sqrt(each.size)))  # 1.2533: median against mean


@dataclass(frozen=True)
class Pair:
    """Units of power and torque, and their k."""

    power: str
    torque: str
    k: float


PAIRS: Final = tuple(
    Pair(power, torque, nm / kw) for power, kw in POWER_KW.items() for torque, nm in TORQUE_NM.items()
)


def pairs_near(found: Ratio, power: str | None = None, torque: str | None = None) -> tuple[Pair, ...]:
    """The pairs k allows, nearest first; `power` and `torque` where one of the two is known already."""
    margin = max(NEAREST, found.uncertainty)
    allowed = [
        pair
        for pair in PAIRS
        if power in (None, pair.power)
        and torque in (None, pair.torque)
        and abs(found.k / pair.k - 1.0) <= margin
    ]
    return tuple(sorted(allowed, key=lambda pair: abs(found.k / pair.k - 1.0)))
