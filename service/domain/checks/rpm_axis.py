"""Whether a stock car's curve is its platform's, only moved along engine speed, where roller speed cannot tell."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.channels import SPEED_RATIO
from service.domain.checks.case import Case, PullCase, Remark
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.curve import GRID_RPM

Floats = NDArray[np.float64]

# All our choice; tests/domain/test_checks_machine.py says what they let through.
LEAST_CARS: Final = 8
"""No verdict on a shape from fewer stock cars."""
LEAST_SPAN: Final = 30
"""Knots in common below which a curve is not laid on another."""
STEPS: Final = 3
"""Gauss-Newton steps: after three a shift of 10 % is found to a thousandth."""
FAR_BELOW: Final = 0.5
"""A step that finds less than this share of the smallest shift asked for is the last."""
EXPLAINED: Final = 0.05
"""Share of the difference in shape that a shift may leave over ..."""
BETTER_THAN_TILT: Final = 0.1
"""... and how little that must be of what a straight tilt leaves: engines differ by a tilt, not by a shift."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How one curve lies on another: ln of the factor between their engine speeds; the share of their difference in
    shape that this leaves over; and that over what a straight tilt would leave."""

    shift: float
    left_over: float
    to_tilt: float


def alignment(above: Floats, stock_nm: Floats, least: float = 0.0) -> Alignment | None:
    """Least squares of ln power over ln engine speed, the level left free, each ln of speed weighing alike.

    above, ln torque over the stock median's; stock_nm, that median [N.m]; both on GRID_RPM, NaN where not known. At one
    engine speed the logs of torque and of power differ from the stock's by the same. None too where the first step says
    that the shift is far below `least`.
    """
    known = np.flatnonzero(np.isfinite(above))
    if len(known) < LEAST_SPAN:
        return None
    rpm = GRID_RPM[known]
    ln_rpm, weight = np.log(rpm), 1.0 / rpm
    stock = np.log(stock_nm[known] * rpm)
    posted = above[known] + stock
    slope = _slope(stock, ln_rpm)
    shift, inside = 0.0, np.ones(len(known), dtype=bool)
    for _ in range(STEPS):
        at = ln_rpm - shift
        inside = (at >= ln_rpm[0]) & (at <= ln_rpm[-1])
        w = _of_one(weight * inside)
        apart = _centred(posted - np.interp(at, ln_rpm, stock), w)
        lean = _centred(np.interp(at, ln_rpm, slope), w)
        shift -= float((w * lean) @ apart) / max(float((w * lean) @ lean), 1e-12)
        if abs(shift) < FAR_BELOW * least:
            return None
    w = _of_one(weight * inside)
    left = _centred(posted - np.interp(ln_rpm - shift, ln_rpm, stock), w)
    plain, straight = _centred(posted - stock, w), _centred(rpm, w)
    tilted = plain - straight * float((w * straight) @ plain) / float((w * straight) @ straight)
    rest = float(w @ left**2)
    return Alignment(shift, rest / max(float(w @ plain**2), 1e-12), rest / max(float(w @ tilted**2), 1e-12))


def above_stock(pulls: Sequence[PullCase], stock_nm: Floats) -> Floats | None:
    """ln of the pulls' mean torque over the stock median on GRID_RPM, NaN where one is not known; None without a curve."""
    curves = [one.figures.grid * (one.figures.factor or 1.0) for one in pulls if one.figures.grid is not None]
    if not curves:
        return None
    mean = np.mean(curves, axis=0)
    known = (mean > 0.0) & (stock_nm > 0.0)
    above = np.full(GRID_RPM.shape, np.nan)
    above[known] = np.log(mean[known] / stock_nm[known])
    return above


def _of_one(weight: Floats) -> Floats:
    shares: Floats = weight / weight.sum()
    return shares


def _centred(values: Floats, weight: Floats) -> Floats:
    centred: Floats = values - float(weight @ values)
    return centred


def _slope(values: Floats, at: Floats) -> Floats:
    """Derivative between unequal steps to the second order, of first order at the ends: `numpy.gradient`, which takes
    four times as long."""
    steps = at[1:] - at[:-1]
    rises = (values[1:] - values[:-1]) / steps
    slope = np.empty_like(values)
    slope[0], slope[-1] = rises[0], rises[-1]
    slope[1:-1] = (rises[:-1] * steps[1:] + rises[1:] * steps[:-1]) / (steps[1:] + steps[:-1])
    return slope


@rule(
    "rpm-axis",
    "note",
    "bay",
    "an engine-speed scale that is off",
    shift=Limit(0.03, 0.01, 0.2, "share", "shift of engine speed that lays the curve on the platform's"),
    spreads=Limit(2.0, 0.5, 5.0, "-", "stock spreads within which peak power counts as the platform's"),
)
def rpm_axis(case: Case, limits: Limits) -> Iterator[Remark]:
    """A stock car's curve that is the platform's, moved along engine speed, at the platform's peak power.

    A note: valve timing moves a curve just so, and power stays right. A shift alone would cry wolf: where the shapes of
    stock cars differ by 1 % per 1000 rpm, 2 % of shift is exceeded by one good car in five
    (measured); with how well it fits asked for as well, by fewer than one in 500.
    """
    reference = case.around.reference
    if reference is None or reference.cars < LEAST_CARS or not reference.power_kw > 0.0:
        return
    for setup in case.session.setups:
        power, pulls = case.power(setup), case.pulls(setup)
        if (
            power is None
            or not case.stock(setup)
            or any(SPEED_RATIO in one.figures.channels for one in pulls)
        ):
            continue
        if abs(math.log(power / reference.power_kw)) > limits["spreads"] * reference.power_sd:
            continue
        above = above_stock(pulls, reference.torque_nm)
        found = None if above is None else alignment(above, reference.torque_nm, math.log1p(limits["shift"]))
        if found is None or found.left_over > EXPLAINED or found.to_tilt > BETTER_THAN_TILT:
            continue
        if abs(found.shift) > math.log1p(limits["shift"]):
            yield case.remark(
                setup,
                f"the curve lies on the platform's stock cars' when engine speed is divided by "
                f"{math.exp(found.shift):.3f}, and peak power is theirs ({power:.0f} against "
                f"{reference.power_kw:.0f} kW): consistent with an engine-speed scale that is off (torque would be wrong "
                "by as much) or with valve timing; compare engine speed with the car's own",
            )
