"""Whether heat, or the lack of it, speaks in the pulls: warm-up, heat soak, temperatures at the start, drift.

A pull's own corrected peak is compared with its neighbours of the same setup, in this bay's own pull spreads.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from service.domain.checks.along import peers
from service.domain.checks.case import Case, Grid, PullCase, Remark
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.derive import footing
from service.domain.records import PostedSetup

CALIBRATION = "calibration"
"""The slot whose change makes an engine control learn anew."""
RISE_KNOTS = 4
"""An inlet temperature along the curve begins and ends with the mean of so many knots (our choice)."""


def log_peak(one: PullCase) -> float:
    """ln of a pull's peak power, corrected where it can be; NaN where it has none."""
    power = one.figures.observed.power_kw * (one.figures.factor or 1.0)
    return math.log(power) if power > 0.0 else math.nan


def on_one_footing(pulls: Sequence[PullCase]) -> bool:
    """Whether the pulls' peaks can be divided by each other."""
    levels = {footing(one.figures) for one in pulls}
    return len(levels) == 1 and not any(math.isnan(log_peak(one)) for one in pulls)


@rule(
    "warm-up-pull",
    "note",
    "heat",
    "an engine or gearbox that was still warming: mark the first pull as settling",
    spreads=Limit(
        2.0, 1.0, 10.0, "pull spreads", "how far the first pull reads below the mean of the next two"
    ),
    warming=Limit(3.0, 0.5, 30.0, "°C", "how much warmer the oil was at the start of the next two"),
)
def warm_up_pull(case: Case, limits: Limits) -> Iterator[Remark]:
    """A first pull that reads low, with the oil warming after it."""
    for setup in case.session.setups:
        pulls = case.pulls(setup)[:3]
        if len(pulls) < 3:
            continue
        oil = [one.pull.oil_c for one in pulls]
        if oil[0] is None or oil[1] is None or oil[2] is None:
            continue
        warmer = (oil[1] + oil[2]) / 2.0 - oil[0]
        if warmer < limits["warming"] or not on_one_footing(pulls):
            continue
        first, *next_two = (log_peak(one) for one in pulls)
        below = sum(next_two) / 2.0 - first
        limit = limits["spreads"] * case.around.pull_spread
        if below > limit:
            yield pulls[0].remark(
                f"the first pull reads {below:.1%} below the next two ({limit:.1%} is this bay's limit) and the oil was "
                f"{warmer:.0f} °C colder: consistent with warming up; mark it as settling",
                "/status",
            )


@rule(
    "heat-soak",
    "doubtful",
    "heat",
    "heat soak: let it cool until the inlet air starts as cool as in the first pull, or look at the fan",
    start=Limit(5.0, 1.0, 50.0, "°C", "how much hotter the inlet air may start than in the first pull"),
    spreads=Limit(2.0, 0.0, 10.0, "pull spreads", "and how far below the first pull power reads"),
    gross=Limit(10.0, 1.0, 50.0, "°C", "so much hotter it is heat soak whatever power reads"),
    natural=Limit(15.0, 3.0, 100.0, "°C", "how far it may rise within a pull, naturally aspirated"),
    boosted=Limit(25.0, 3.0, 150.0, "°C", "how far it may rise within a pull, boosted"),
)
def heat_soak(case: Case, limits: Limits) -> Iterator[Remark]:
    """Inlet air hotter than in the setup's first pull with less power, or much hotter, or rising fast within a pull.

    5 °C alone is common practice, but where starts wander by 2 °C (one spread) it would doubt 1 good setup in 12: less
    power, or twice as much, is asked for beside it (our choice).
    """
    for setup in case.session.setups:
        pulls = case.pulls(setup)
        for one in pulls:
            seen = [*hotter_start(case, pulls[0], one, limits), *fast_rise(case, one, limits)]
            if seen:
                yield one.remark(
                    f"inlet air {' and '.join(seen)}: consistent with heat soak", "/engine/inlet"
                )


def hotter_start(case: Case, first: PullCase, one: PullCase, limits: Limits) -> Iterator[str]:
    """How much hotter a pull's inlet air starts than the first one's, where power is lower too or it is gross."""
    cool, hot = first.pull.inlet_c, one.pull.inlet_c
    if cool is None or hot is None or hot - cool <= limits["start"]:
        return
    lost = log_peak(first) - log_peak(one) if on_one_footing((first, one)) else 0.0
    words = f"starts at {hot:.0f} °C, {hot - cool:.0f} °C above the first pull's"
    if lost > limits["spreads"] * case.around.pull_spread:
        yield f"{words} (limit {limits['start']:g} °C) with {lost:.1%} less power"
    elif hot - cool > limits["gross"]:
        yield f"{words} (limit {limits['gross']:g} °C)"


def fast_rise(case: Case, one: PullCase, limits: Limits) -> Iterator[str]:
    """How far inlet air rises within a pull."""
    rise = rise_within(one)
    if rise is None or case.platform is None:
        return
    limit = limits["natural"] if case.platform.aspiration == "natural" else limits["boosted"]
    if rise > limit and rise > usual_rise(case) + limits["start"]:
        yield f"rises by {rise:.0f} °C within the pull (limit {limit:g} °C)"


def rise_within(one: PullCase) -> float | None:
    """Rise of inlet temperature within a pull [°C]: along the curve where recorded, else between start and end."""
    along = one.figures.channels.get("inlet")
    if along is not None:
        known = along[np.isfinite(along)]
        if known.size >= 2 * RISE_KNOTS:
            return ends_apart(known)
    if one.pull.inlet_c is None or one.pull.inlet_end_c is None:
        return None
    return one.pull.inlet_end_c - one.pull.inlet_c


def usual_rise(case: Case) -> float:
    """What the platform's stock cars rise by [°C]: a hot platform is no hot car. Nought where it is not known."""
    reference = peers(case)
    along = None if reference is None else reference.channels.get("inlet")
    known = np.empty(0) if along is None else along[np.isfinite(along)]
    return ends_apart(known) if known.size >= 2 * RISE_KNOTS else 0.0


def ends_apart(values: Grid) -> float:
    """How far the end lies above the beginning."""
    return float(values[-RISE_KNOTS:].sum() - values[:RISE_KNOTS].sum()) / RISE_KNOTS


@rule(
    "heat-costs-power",
    "doubtful",
    "heat",
    "heat soak that costs power: compare at equal inlet temperature only",
    pulls=Limit(4, 3, 20, "pulls", "fewest pulls to see it in"),
    slope=Limit(0.001, 0.0, 0.02, "1/°C", "loss of power by degree of inlet temperature"),
    spreads=Limit(2.2, 1.0, 10.0, "pull spreads", "loss of power over the whole rise"),
    rise=Limit(5.0, 1.0, 50.0, "°C", "how much hotter the hottest start is than the coolest"),
)
def heat_costs_power(case: Case, limits: Limits) -> Iterator[Remark]:
    """Power falling as the inlet air starts hotter, by more than this bay's spread explains."""
    for setup in case.session.setups:
        pulls = [one for one in case.pulls(setup) if one.pull.inlet_c is not None]
        if len(pulls) < limits["pulls"]:
            continue
        inlet = np.array([one.pull.inlet_c for one in pulls], dtype=np.float64)
        rise = float(inlet.max() - inlet.min())
        if rise <= limits["rise"] or not on_one_footing(pulls):
            continue
        apart = inlet - inlet.mean()
        slope = float(apart @ np.array([log_peak(one) for one in pulls]) / (apart @ apart))
        if slope < -limits["slope"] and -slope * rise > limits["spreads"] * case.around.pull_spread:
            yield case.remark(
                setup,
                f"power falls by {-slope:.2%} per °C over {len(pulls)} pulls, {-slope * rise:.1%} while the inlet air "
                f"starts {rise:.0f} °C hotter, which this bay's spread of {case.around.pull_spread:.2%} does not explain: "
                "consistent with heat soak; compare at equal inlet temperature only",
            )


@rule(
    "engine-not-warm",
    "doubtful",
    "heat",
    "a pull begun before the engine was warm",
    coolant=Limit(75.0, 40.0, 100.0, "°C", "coolest coolant at the start"),
    oil=Limit(70.0, 30.0, 110.0, "°C", "coolest oil at the start; one club's rule says 160 °F, 71 °C"),
)
def engine_not_warm(case: Case, limits: Limits) -> Iterator[Remark]:
    """Coolant or oil too cool at the start."""
    for one in case.pulls():
        starts = (("coolant", one.pull.coolant_c), ("oil", one.pull.oil_c))
        for name, at in starts:
            if at is not None and at < limits[name]:
                words = (
                    f"{name} starts at {at:.1f} °C, a warm engine's at {limits[name]:g} °C and more: consistent with a "
                    "pull begun too early; wait, or mark it as settling"
                )
                yield one.remark(words, f"/engine/{name}")


@rule(
    "engine-hot",
    "doubtful",
    "heat",
    "an engine that ran hot: fan, coolant, thermostat",
    coolant=Limit(110.0, 90.0, 140.0, "°C", "hottest coolant at the start"),
)
def engine_hot(case: Case, limits: Limits) -> Iterator[Remark]:
    """Coolant too hot at the start."""
    for one in case.pulls():
        at = one.pull.coolant_c
        if at is not None and at > limits["coolant"]:
            words = (
                f"coolant starts at {at:.1f} °C, above {limits['coolant']:g} °C: consistent with overheating; let it cool, "
                "look at fan and coolant"
            )
            yield one.remark(words, "/engine/coolant")


@rule(
    "drifts-upward",
    "note",
    "fuel or spark",
    "an engine control that learns anew: drive first, or leave the first pulls out",
    spreads=Limit(2.0, 1.0, 10.0, "pull spreads", "how far power rises from the first pull to the last"),
)
def drifts_upward(case: Case, limits: Limits) -> Iterator[Remark]:
    """Pulls after a change of the calibration that rise one after the other."""
    before: frozenset[str] | None = None
    for setup in case.session.setups:
        now = calibrations(case, setup)
        changed, before = before is not None and now != before, now
        pulls = case.pulls(setup)
        if not changed or len(pulls) < 3 or not on_one_footing(pulls):
            continue
        peaks = np.array([log_peak(one) for one in pulls])
        rise, limit = float(peaks[-1] - peaks[0]), limits["spreads"] * case.around.pull_spread
        if (np.diff(peaks) > 0.0).all() and rise > limit:
            yield case.remark(
                setup,
                f"after the change of calibration each of {len(pulls)} pulls reads more than the one before, {rise:.1%} "
                f"in all ({limit:.1%} is this bay's limit): consistent with knock and fuel learning after the write",
            )


def calibrations(case: Case, setup: PostedSetup) -> frozenset[str]:
    """The fitted parts that are a calibration."""
    return frozenset(
        posted.slug
        for posted in setup.parts
        if posted.slot == CALIBRATION or posted.slug in case.around.calibrations
    )
