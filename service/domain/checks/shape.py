"""Doubts and notes about how a pull was run and written down: its start and end, its density, its rounding."""

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.checks.case import Case, PullCase, Remark, once_a_setup
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.curve import GRID_RPM
from service.domain.units import FOOT_POUND_NM, HORSEPOWER_KW, METRIC_HORSEPOWER_KW, RPM_NM_PER_KW

Floats = NDArray[np.float64]

POWER_UNITS: Final[Mapping[str, float]] = {"kW": 1.0, "hp": HORSEPOWER_KW, "PS": METRIC_HORSEPOWER_KW}
TORQUE_UNITS: Final[Mapping[str, float]] = {"N·m": 1.0, "lbf·ft": FOOT_POUND_NM, "kgf·m": 9.80665}
SAME_NUMBER: Final = 1e-6
"""How near a figure must lie to a whole number, relative: what turning units loses (our choice)."""


@rule(
    "peak-not-reached",
    "note",
    "typing",
    "a pull broken off before its peak",
    fall=Limit(0.01, 0.0, 0.2, "share", "how far power must have fallen from its peak at the end"),
    near=Limit(200.0, 0.0, 1000.0, "rpm", "how near the platform's rpm limit an end is at the limiter"),
)
def peak_not_reached(case: Case, limits: Limits) -> Iterator[Remark]:
    """Power still near its highest where the pull ends, short of the limiter."""
    yield from once_a_setup(ended_early(case, limits))


def ended_early(case: Case, limits: Limits) -> Iterator[Remark]:
    """The same by pull; silent where the limiter is not known."""
    if case.platform is None or case.platform.rpm_limit is None:
        return
    for one in case.pulls():
        end = one.figures.rpm_to
        if end is None or end >= case.platform.rpm_limit - limits["near"]:
            continue
        fallen = fall_at_end(one)
        if fallen is not None and fallen < limits["fall"]:
            stands = f"has fallen only {fallen:.1%} from" if fallen >= LEAST_SAID else "is still at"
            yield one.remark(
                f"power {stands} its peak where the pull ends at {end:.0f} rpm, short of this platform's "
                f"{case.platform.rpm_limit:.0f} rpm: the peak is a lower bound",
                "/curve/rpm",
            )


LEAST_SAID = 0.0005
"""A smaller fall rounds to 0.0 % and is none."""


def fall_at_end(one: PullCase) -> float | None:
    """How far power has fallen from its peak at the curve's last knot, as a share: 0 where the peak lies beyond it,
    None without a curve."""
    grid = one.figures.grid
    known = np.empty(0) if grid is None else np.flatnonzero(np.isfinite(grid))
    if grid is None or not len(known) or not one.figures.observed.power_kw > 0.0:
        return None
    last = int(known[-1])
    if GRID_RPM[last] < one.figures.observed.power_rpm:
        return 0.0
    return float(1.0 - grid[last] * GRID_RPM[last] / RPM_NM_PER_KW / one.figures.observed.power_kw)


@rule(
    "starts-late",
    "note",
    "typing",
    "a pull begun at too high a speed",
    share=Limit(0.5, 0.2, 0.95, "share", "latest start over the speed of the power peak"),
    fall=Limit(0.01, 0.0, 0.2, "share", "how far power must have fallen for its peak to be known"),
)
def starts_late(case: Case, limits: Limits) -> Iterator[Remark]:
    """A pull that begins too late to say anything about the lower half of the speeds."""
    yield from once_a_setup(begun_late(case, limits))


def begun_late(case: Case, limits: Limits) -> Iterator[Remark]:
    """The same by pull; silent where the peak is not reached, because its speed is not known then."""
    for one in case.pulls():
        start, peak = one.figures.rpm_from, one.figures.observed.power_rpm
        if start is None or start <= limits["share"] * peak:
            continue
        fallen = fall_at_end(one)
        if fallen is None or fallen < limits["fall"]:
            continue
        yield one.remark(
            f"the pull starts at {start:.0f} rpm, {start / peak:.0%} of its power peak's speed; "
            f"at most {limits['share']:.0%} is expected: it says nothing about lower speeds, where gains are often "
            "largest or lost",
            "/curve/rpm",
        )


@rule(
    "trace-thin",
    "doubtful",
    "typing",
    "a table thinned out, rows of something else left in, or a noisy pickup",
    gap=Limit(200.0, 50.0, 2000.0, "rpm", "widest gap between neighbouring samples"),
    step=Limit(100.0, 10.0, 1000.0, "rpm", "median step between neighbouring samples"),
    held=Limit(
        600.0, 100.0, 2000.0, "rpm", "the same for both where speeds were held one after the other (`steps`)"
    ),
    falling=Limit(0.05, 0.0, 0.5, "share", "share of rows in which engine speed lies below what was reached"),
    fall=Limit(25.0, 5.0, 500.0, "rpm", "how far below: less is a pickup's noise"),
)
def thin_trace(case: Case, limits: Limits) -> Iterator[Remark]:
    """Samples too far apart for a curve, or engine speed that falls where it should rise.

    A row counts as falling when it lies clearly below the highest speed before it: rows 5 rpm apart with a pickup's
    noise of 5 rpm fall one after the other in a quarter of all places, and nothing is wrong.
    """
    for one in case.pulls():
        rpm = one.pull.channels.get("rpm")
        if rpm is None or len(rpm) < 2:
            continue
        held = one.pull.test == "steps"
        gap, step = (limits["held"],) * 2 if held else (limits["gap"], limits["step"])
        steps = rpm[1:] - rpm[:-1]
        seen = list(spacing_faults(rpm, steps, gap, step))
        if steps[steps.argmin()] <= 0.0:
            seen += falling_faults(rising_part(rpm), limits["falling"], limits["fall"])
        if seen:
            words = f"{' and '.join(seen)}: post the rows of the pull alone, as dense as they were recorded"
            yield one.remark(words, "/curve/rpm")


def spacing_faults(rpm: Floats, steps: Floats, gap: float, step: float) -> Iterator[str]:
    """What is wrong with the spacing of a pull's samples, in words."""
    least, most = float(steps[steps.argmin()]), float(steps[steps.argmax()])
    if max(-least, most) <= min(gap, step):
        return  # sorted by speed, neighbours are no further apart than the rows that lead from one side to the other
    if least <= 0.0:
        steps = np.diff(np.unique(rpm))
    if not len(steps):
        return
    if float(steps.max()) > gap:
        yield f"there is a gap of {steps.max():.0f} rpm between samples (at most {gap:.0f})"
    if 2 * np.count_nonzero(steps > step) > len(steps):
        yield f"samples lie {np.median(steps):.0f} rpm apart (at most {step:.0f})"


def falling_faults(rpm: Floats, share: float, fall: float) -> Iterator[str]:
    """What is wrong with the order of a pull's samples, in words."""
    below = np.count_nonzero(rpm < np.maximum.accumulate(rpm) - fall) / len(rpm)
    if below > share:
        yield (
            f"engine speed lies more than {fall:.0f} rpm below what was reached in {below:.0%} of the rows "
            f"(at most {share:.0%})"
        )


def rising_part(rpm: Floats) -> Floats:
    """A pull's rows from its lowest speed to its highest; a table sorted the other way is read from its end."""
    if rpm[0] > rpm[-1] and (np.diff(rpm) <= 0.0).all():
        rpm = rpm[::-1]
    top = int(rpm.argmax())
    return rpm[int(rpm[: top + 1].argmin()) : top + 1]


@rule("peaks-rounded", "note", "typing", "figures read off a screen or rounded", origin=OUR_CHOICE)
def rounded_peaks(case: Case, _: Limits) -> Iterator[Remark]:
    """Peak figures without a curve that are all whole numbers of some unit.

    All of them: one figure in ten with one decimal is whole by chance.
    """
    yield from once_a_setup(whole_peaks(case))


def whole_peaks(case: Case) -> Iterator[Remark]:
    """The same by pull."""
    for one in case.pulls():
        if one.pull.peaks is None:
            continue
        kept = ((one.pull.peaks.power_kw, POWER_UNITS), (one.pull.peaks.torque_nm, TORQUE_UNITS))
        whole = [whole_number(value, units) for value, units in kept if value]
        named = [found for found in whole if found is not None]
        if named and len(named) == len(whole):
            words = " and ".join(f"{number} {unit}" for number, unit in named)
            unsure = max((2.5 if number % 5 == 0 else 0.5) / number for number, _ in named)
            yield one.remark(
                f"{words}: written down as whole numbers, which leaves up to {unsure:.1%} either way; smaller "
                "differences say nothing",
                "/peaks",
            )


def whole_number(value: float, units: Mapping[str, float]) -> tuple[int, str] | None:
    """(number, unit) where a figure in SI is a whole number of a unit; None where it is of none."""
    for unit, scale in units.items():
        number = round(value / scale)
        if number > 0 and abs(value / scale / number - 1.0) < SAME_NUMBER:
            return number, unit
    return None
