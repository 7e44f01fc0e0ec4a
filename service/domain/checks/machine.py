"""What the rollers say about the engine's speed along one pull: slip, an open converter, a change of gear; rough curves.

Vocabulary: g is engine speed over roller speed. In one locked gear it stays the same but for the tyre's creep under
load (1 to 2 %), its growth with speed (about 0.5 %) and the lag of the two sensors.

Left out on purpose. That a loss grows with road speed and not with engine speed shows only in two gears; the gear is a
session's, so two gears are two strap-downs, whose own spread (0.45 to 1 % of power) hides the effect (about 1 % of
power, 1.4 to 2.9 kW). What rolling out costs cannot be compared either: a post ends with its pull, and power from a
coast-down needs the inertia, which no post gives.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.checks.case import Case, PullCase, Remark
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.derive import DerivedPull
from service.domain.records import PostedPull

Floats = NDArray[np.float64]

# All our choice; what they let through and what they miss stands in tests/domain/test_checks_machine.py.
PULLING: Final = 0.3
"""Rows with less than this share of the torque that one row in ten exceeds are roll-on or coast-down."""
KNOT_RPM: Final = 50.0
TIP_IN_KNOTS: Final = 6
"""After the throttle is opened the driveline swings for 300 rpm: not looked at."""
LEAST_KNOTS: Final = 20
"""A trace of less than 1000 rpm says nothing about slip."""
RISE_KNOTS: Final = int(200.0 / KNOT_RPM)
LOADED: Final = 0.7
"""Slip is looked for between the first and the last knot with this share of the highest torque."""
STAYS_UP: Final = 0.5
"""A flare that keeps this share of its height to the end has not come back."""
CAPPED: Final = 0.03
"""How far torque may still rise after a clutch began to slip."""
FALL_BLOCKS: Final = 8
STILL_FALLING: Final = 0.003
"""An open converter's ratio may rise by this much from one eighth of the pull to the next."""
HUB: Final = "hub"


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows of a pull at load, as sent: engine speed [rpm], roller speed [rpm], torque up to a constant factor."""

    rpm: Floats
    rollers: Floats
    torque: Floats


@dataclass(frozen=True, slots=True)
class Track:
    """ln g after tip-in over roller speed in knots of 50 rpm, smoothed over three: `rpm` is what the engine would turn
    at the pull's median g [rpm], torque up to a constant factor."""

    rpm: Floats
    ln_g: Floats
    torque: Floats


@dataclass(frozen=True, slots=True)
class Flare:
    """The steepest rise of ln g under load: where it starts [rpm], per 200 rpm, its height over what came before, over
    the middle of the pull, whether it came back, and whether torque rose no more."""

    rpm: float
    steepest: float
    height: float
    over_middle: float
    back: bool
    capped: bool


def middle(values: Floats) -> float:
    """Median, the upper one of two (ten times as quick as the exact one, which matters at every post)."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def rows_of(pull: PostedPull, least: float) -> Rows | None:
    """The rows at load in which the rollers turn; None where their g moves by less than this share, or is not known."""
    rollers = pull.channels.get("roller_speed")
    if rollers is None or not len(rollers):
        return None
    rpm = pull.channels["rpm"]
    if rollers[rollers.argmin()] > 0.0:
        ratio = rpm / rollers
        if ratio[ratio.argmax()] < (1.0 + least) * ratio[ratio.argmin()]:
            return None
    torque = pull.channels.get("torque", pull.channels.get("axle_torque"))
    if torque is None:
        torque = pull.channels["power"] / np.maximum(rpm, 1.0)
    high = np.partition(torque, int(0.9 * len(torque)))[int(0.9 * len(torque))]
    if not high > 0.0:
        return None
    at_load = (torque > PULLING * high) & (rollers > 0.0) & (rpm > 0.0)
    return Rows(rpm[at_load], rollers[at_load], torque[at_load])


def track_of(pull: PostedPull, least: float) -> Track | None:
    """The speed ratio of a pull where it moves by this share; None where it does not, is short or not recorded.

    Over roller speed, because engine speed itself goes back when a tyre grips again.
    """
    rows = rows_of(pull, least)
    if rows is None or len(rows.rpm) < LEAST_KNOTS:
        return None
    ln_g = np.log(rows.rpm / rows.rollers)
    would_turn: Floats = rows.rollers * float(np.exp(middle(ln_g)))
    knot = ((would_turn - would_turn.min()) / KNOT_RPM).astype(np.intp)
    counts = np.bincount(knot)
    seen = np.flatnonzero(counts)
    if len(counts) < LEAST_KNOTS + TIP_IN_KNOTS:
        return None
    return Track(
        float(would_turn.min())
        + KNOT_RPM * (np.arange(TIP_IN_KNOTS + 1, len(counts) - 1, dtype=np.float64) + 0.5),
        _smoothed_knots(ln_g, knot, counts, seen),
        _smoothed_knots(rows.torque, knot, counts, seen),
    )


def _smoothed_knots(
    values: Floats, knot: NDArray[np.intp], counts: NDArray[np.intp], seen: NDArray[np.intp]
) -> Floats:
    """Mean by knot, straight across empty ones, then over three knots, without tip-in."""
    means = np.bincount(knot, weights=values)[seen] / counts[seen]
    filled = np.interp(np.arange(TIP_IN_KNOTS, len(counts)), seen, means)
    smoothed: Floats = (filled[:-2] + filled[1:-1] + filled[2:]) / 3.0
    return smoothed


def flare_of(trace: Track) -> Flare | None:
    """The steepest rise under load; None where the pull is under load too shortly to show one."""
    loaded = np.flatnonzero(trace.torque >= LOADED * trace.torque.max())
    first, last = int(loaded[0]), int(loaded[-1])
    if last - first <= RISE_KNOTS:
        return None
    rises = trace.ln_g[first + RISE_KNOTS : last + 1] - trace.ln_g[first : last + 1 - RISE_KNOTS]
    start = first + int(rises.argmax())
    top = start + int(trace.ln_g[start : last + 1].argmax())
    base = middle(trace.ln_g[: start + 1])
    height = float(trace.ln_g[top]) - base
    quarter = len(trace.ln_g) // 4
    usual = middle(trace.ln_g[quarter:-quarter])
    return Flare(
        rpm=float(trace.rpm[start]),
        steepest=float(rises.max()),
        height=height,
        over_middle=float(trace.ln_g[first : last + 1].max()) - usual,
        back=float(trace.ln_g[top:].min()) < base + STAYS_UP * height,
        capped=float(trace.torque[start:].max()) <= (1.0 + CAPPED) * float(trace.torque[start]),
    )


def flares(case: Case, least: float) -> Iterator[tuple[PullCase, Flare]]:
    """The pulls in which the speed ratio rises under load by more than this share."""
    for one in case.pulls():
        trace = track_of(one.pull, least)
        flare = None if trace is None else flare_of(trace)
        if flare is not None and flare.height > least:
            yield one, flare


def came_and_went(flare: Flare, steep: float, high: float) -> bool:
    """Whether a flare is one that came back."""
    return flare.back and (flare.steepest > steep or flare.over_middle > high)


@rule(
    "tyre-slip",
    "doubtful",
    "tyre or strap",
    "a tyre that slipped on the roller",
    steep=Limit(0.01, 0.005, 0.1, "share", "rise of engine over roller speed within 200 rpm"),
    high=Limit(0.04, 0.01, 0.3, "share", "rise of engine over roller speed above its middle"),
)
def tyre_slip(case: Case, limits: Limits) -> Iterator[Remark]:
    """Engine speed that flares up against the rollers under load and comes back."""
    if case.around.bay_kind == HUB:
        return  # no tyre to slip
    for one, flare in flares(case, min(limits["steep"], limits["high"])):
        if came_and_went(flare, limits["steep"], limits["high"]):
            yield one.remark(
                f"from {flare.rpm:.0f} rpm engine speed ran {flare.height:.1%} ahead of the rollers and came back "
                f"({flare.steepest:.1%} within 200 rpm; {limits['steep']:.1%} is creep): consistent with a tyre that "
                "slipped; look at straps, tyre pressure and the roller's surface, then repeat the pull",
                "/curve/roller_speed",
            )


@rule(
    "clutch-slip",
    "doubtful",
    "gearbox",
    "a clutch that slipped under load",
    high=Limit(0.03, 0.01, 0.3, "share", "rise of engine over roller speed that stays"),
    steep=Limit(0.01, 0.005, 0.1, "share", "rise within 200 rpm; on hubs one that comes back counts too"),
)
def clutch_slip(case: Case, limits: Limits) -> Iterator[Remark]:
    """Engine speed that runs away from the rollers under load and stays away while torque rises no more."""
    hub = case.around.bay_kind == HUB
    for one, flare in flares(case, min(limits["steep"], limits["high"]) if hub else limits["high"]):
        stays = not flare.back and flare.height > limits["high"] and flare.capped
        if stays or (hub and came_and_went(flare, limits["steep"], limits["high"])):
            where = "the hubs" if hub else "the rollers"
            yield one.remark(
                f"from {flare.rpm:.0f} rpm engine speed ran {flare.height:.1%} ahead of {where}"
                f"{'' if flare.back else ' and stayed there while torque rose no more'}: consistent with a clutch that "
                "slips; let it cool, repeat the pull and see whether it begins earlier",
                "/curve/roller_speed",
            )


@rule(
    "converter-unlocked",
    "doubtful",
    "gearbox",
    "a torque converter that was not locked",
    fall=Limit(0.03, 0.01, 0.3, "share", "how far engine over roller speed falls from start to end"),
)
def converter_unlocked(case: Case, limits: Limits) -> Iterator[Remark]:
    """Engine speed that starts well ahead of the rollers and smoothly falls back to its end value."""
    for one in case.pulls():
        trace = track_of(one.pull, limits["fall"])
        if trace is None:
            continue
        fall = float(trace.ln_g[:3].mean()) - middle(trace.ln_g[-(len(trace.ln_g) // 4) :])
        if fall <= limits["fall"]:
            continue
        blocks = np.array([block.mean() for block in np.array_split(trace.ln_g, FALL_BLOCKS)])
        if (np.diff(blocks) < STILL_FALLING).all():
            yield one.remark(
                f"engine speed starts {np.expm1(fall):.1%} ahead of its end value against the rollers and falls back "
                f"smoothly; {limits['fall']:.1%} is expected at most: consistent with a converter that was not locked "
                "(torque low down too high); lock it or take a gear in which it locks",
                "/curve/roller_speed",
            )


STEP_BLOCKS: Final = 24
"""A pull is looked at in so many stretches: a change of gear takes less than two of them."""
STEP_SHARE: Final = 0.75
"""Share of the whole change that must come at once."""


@rule(
    "gear-change",
    "refused",
    "gearbox",
    "a change of gear or a kick-down during the pull",
    needs_figures=True,
    step=Limit(0.12, 0.05, 0.5, "share", "step of engine over roller speed"),
)
def gear_change(case: Case, limits: Limits) -> Iterator[Remark]:
    """Engine over roller speed that steps and stays, which makes two gears in one curve."""
    for _setup, pull, pointer in case.all_pulls():
        change = gear_step(pull, limits["step"]) if pull.status == "accepted" else None
        if change is not None and abs(change[1]) > np.log1p(limits["step"]):
            at, step = change
            yield Remark(
                f"engine over roller speed steps by {np.expm1(step):+.0%} near {at:.0f} rpm and stays there: consistent "
                "with a change of gear or a kick-down; repeat the pull in one gear, or post this one as rejected",
                f"{pointer}/curve/roller_speed",
                _setup.n,
                pull.n,
            )


def gear_step(pull: PostedPull, least: float) -> tuple[float, float] | None:
    """(engine speed [rpm], change of ln g) of the largest step that stays, over the rows at load in order of time.

    None where g moves by less than `least` over the pull.
    """
    rows = rows_of(pull, least)
    if rows is None or len(rows.rpm) < 2 * STEP_BLOCKS:
        return None
    ln_g = np.log(rows.rpm / rows.rollers)
    edges = np.linspace(0, len(ln_g), STEP_BLOCKS, endpoint=False).astype(np.intp)
    blocks = np.add.reduceat(ln_g, edges) / np.diff(edges, append=len(ln_g))
    over_two = blocks[2:] - blocks[:-2]
    place = int(np.abs(over_two).argmax()) + 1
    if not 1 < place < STEP_BLOCKS - 2:
        return None
    step = middle(blocks[place + 1 :]) - middle(blocks[:place])
    if abs(over_two[place - 1]) < STEP_SHARE * abs(step):
        return None
    return float(rows.rpm[edges[place]]), step


PARABOLA_RPM: Final = 300.0
LEAST_WINDOW: Final = 5
"""Fewer samples in 300 rpm than this leave a parabola nothing to differ from."""
WINDOW_ROWS: Final = 15
"""More samples in 300 rpm than about this say no more: every second, third, ... is looked at."""


@rule(
    "curve-noisy",
    "doubtful",
    "bay",
    "a noisy torque or speed signal",
    most=Limit(0.02, 0.005, 0.2, "share", "how far samples lie from a parabola over 300 rpm"),
)
def curve_noisy(case: Case, limits: Limits) -> Iterator[Remark]:
    """Samples that scatter about their own local parabola."""
    for one in case.pulls():
        rough = roughness_of(case, one)
        if rough is not None and rough > limits["most"]:
            yield one.remark(
                f"samples scatter by {rough:.1%} about a parabola over 300 rpm; at most {limits['most']:.1%} is "
                "expected: consistent with a noisy signal; look at the speed pick-up, its cable and the load cell's earth",
                "/curve/torque",
            )


@rule(
    "curve-smoothed",
    "note",
    "typing",
    "a curve smoothed before it was posted",
    least=Limit(0.0005, 0.0, 0.01, "share", "scatter about a parabola over 300 rpm that no machine is below"),
)
def curve_smoothed(case: Case, limits: Limits) -> Iterator[Remark]:
    """Samples too clean to be as measured, where it is not said how they were smoothed.

    Looked for in the first pull of a setup.
    """
    for setup in case.session.setups:
        one = next(iter(case.pulls(setup)), None)
        rough = None if one is None or one.pull.smoothing is not None else roughness_of(case, one)
        if one is not None and rough is not None and rough < limits["least"]:
            yield one.remark(
                f"samples scatter by {rough:.3%} about a parabola over 300 rpm; at least {limits['least']:.2%} is "
                "expected as measured: consistent with heavy smoothing before posting; say how in `smoothing`, and do "
                "not compare peaks with unsmoothed pulls",
                "/curve/torque",
            )


def roughness_of(case: Case, one: PullCase) -> float | None:
    """The roughness of a pull, which both checks of it ask for."""
    return case.once("roughness", lambda: roughness(one.figures), one.setup.n, one.pull.n)


def roughness(figures: DerivedPull) -> float | None:
    """Typical distance of torque from its parabola over 300 rpm, as a share of torque; None for a coarse table.

    1.4826 x median absolute residual is the standard deviation of normal noise; the residual of a window's middle has
    (1 - w) of the noise's variance, w its own weight in the fit (Savitzky and Golay 1964, from memory).
    """
    if figures.trace is None:
        return None
    rpm, torque = figures.trace.rpm, figures.trace.torque_nm
    if len(rpm) < 2 * LEAST_WINDOW:
        return None
    step = abs(float(rpm[-1] - rpm[0])) / (len(rpm) - 1)
    if step == 0.0:
        return None
    thin = max(1, int(PARABOLA_RPM / step / WINDOW_ROWS))
    torque, half = torque[::thin], int(PARABOLA_RPM / 2.0 / (step * thin))
    if 2 * half + 1 < LEAST_WINDOW or len(torque) < 4 * half:
        return None
    weights = parabola_weights(half)
    fitted = np.correlate(torque, weights, mode="valid")
    apart = middle(np.abs(torque[half:-half] - fitted))
    usual = middle(fitted)
    return 1.4826 * apart / usual / math.sqrt(1.0 - weights[half]) if usual > 0.0 else None


@lru_cache(maxsize=64)
def parabola_weights(half: int) -> Floats:
    """Weights of 2 half + 1 equal steps that give the middle of their least-squares parabola."""
    place = np.arange(-half, half + 1, dtype=np.float64)
    s0, s2, s4 = len(place), float((place**2).sum()), float((place**4).sum())
    weights: Floats = (s4 - s2 * place**2) / (s0 * s4 - s2 * s2)
    return weights
