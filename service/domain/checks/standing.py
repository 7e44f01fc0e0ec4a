"""Where a post's levels stand: among its platform's stock cars, against this car's other visits, on this bay's day.

A fault of the bay shows here as well as one of the car; the bay comes first. Nothing is said under eight stock cars.
"""

import math
from collections.abc import Iterator, Sequence
from statistics import median
from typing import Final

import numpy as np

from service.domain.checks.along import median_of
from service.domain.checks.case import Case, EarlierState, PullCase, Remark, StockReference
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.curve import GRID_RPM, value_at
from service.domain.derive import ANY_STANDARD, PULL_SPREAD_START, mean_grid, mean_of
from service.domain.records import PostedSetup
from service.domain.units import FOOT_POUND_NM, HORSEPOWER_KW, METRIC_HORSEPOWER_KW

LEAST_CARS: Final = 8
"""Fewer stock cars allow no verdict on one (no z above 3 is possible up to 10 values; common practice, no source)."""
LEAST_KNOTS: Final = 20
"""Curves are compared over at least this many knots of the grid: 1000 rpm (our choice)."""
UNIT_SLIPS: Final = {
    # Which units mistaken for each other make a level so many times too small; the other way round, too large.
    "lbf·ft sent as N·m": 1.0 / FOOT_POUND_NM,
    "kW sent as hp": HORSEPOWER_KW,
    "kW sent as PS": METRIC_HORSEPOWER_KW,
    "N·m sent as lbf·ft": FOOT_POUND_NM,
    "hp sent as kW": 1.0 / HORSEPOWER_KW,
    "PS sent as kW": 1.0 / METRIC_HORSEPOWER_KW,
}
NEAR_A_SLIP: Final = 0.04
"""How near a level must lie to one of these for the unit to be asked about: a stock car's own spread (our choice)."""
MEDIAN_OVER_MEAN: Final = 1.2533
"""Standard error of a median over that of a mean, many normal values: sqrt(pi / 2)."""


@rule(
    "level-unlike-stock",
    "doubtful",
    "typing",
    "the wrong car picked, or a car that is not stock",
    low=Limit(0.6, 0.0, 1.0, "share", "smallest power of a stock car over its platform's stock median"),
    high=Limit(1.6, 1.0, 5.0, "share", "largest"),
    peak=Limit(0.12, 0.02, 0.5, "share", "how far the power peak's speed may lie from the stock median's"),
    below=Limit(0.03, 0.0, 0.3, "share", "how far power must then have fallen at the stock median's speed"),
    spreads=Limit(5.0, 2.0, 50.0, "-", "how many spreads of the stock cars from their median, either way"),
    unit=Limit(3.0, 1.0, 50.0, "-", "the same where the level is what another unit would give"),
    least=Limit(0.025, 0.005, 0.2, "share", "smallest spread that stock cars are taken to have"),
)
def unlike_stock(case: Case, limits: Limits) -> Iterator[Remark]:
    """A stock setup that is not like its platform's stock cars, of which at least eight are needed.

    The peak's speed alone would cry wolf on engines with a flat top, where it wanders by 1000 rpm: power must also be
    clearly lower at the speed where the others have their peak, which needs a curve that reaches it. Five spreads, not
    less: eight cars know their spread to a quarter only; a level that another unit gives is far enough off with three.
    Asked of corrected levels, the bay's own taken off.
    """
    reference = case.around.reference
    if reference is None or reference.cars < LEAST_CARS:
        return
    for setup in case.session.setups:
        power = case.power(setup)
        if not case.stock(setup) or power is None:
            continue
        share = power / reference.power_kw
        away = spreads_away(case, setup, reference, limits["least"])
        seen = peak_elsewhere(case.pulls(setup), reference, limits["peak"], limits["below"])
        slip = unit_words(share)
        far = abs(away) > limits["unit" if slip else "spreads"]
        if far or not limits["low"] <= share <= limits["high"]:
            level = f"{power:.0f} kW is {share:.2f} times the median"
            seen = f"{level} and {seen}" if seen else level
        if seen:
            yield case.remark(
                setup,
                f"{seen} of this platform's {reference.cars} stock cars ({reference.power_kw:.0f} kW at "
                f"{reference.power_rpm:.0f} rpm): {slip}is it the right car, and nothing fitted?",
            )


def spreads_away(case: Case, setup: PostedSetup, reference: StockReference, least: float) -> float:
    """How many spreads of the stock cars a corrected level lies from their median; nought where it is not known.

    A rough bay's own spread stands in for a spread that few cars make out too small.
    """
    power = corrected_power(case, setup)
    if power is None:
        return 0.0
    sd = max(reference.power_sd, least * roughness(case))
    return (math.log(power / reference.power_kw) - (case.around.bay_level or 0.0)) / sd


def unit_words(share: float) -> str:
    """Which slips of the unit would make a level so many times the usual, as a question; nothing where none would."""
    slips = [words for words, times in UNIT_SLIPS.items() if abs(share / times - 1.0) <= NEAR_A_SLIP]
    return f"{' or '.join(slips)} would read so: is the unit right, " if slips else ""


def peak_elsewhere(
    pulls: Sequence[PullCase], reference: StockReference, far: float, below: float
) -> str | None:
    """In words, where the power peak stands and how low power is where the stock cars have theirs; None where near."""
    at = mean_of([one.figures.observed.power_rpm for one in pulls])
    if at is None or abs(at / reference.power_rpm - 1.0) <= far:
        return None
    there = mean_of([share_at(one, reference.power_rpm) for one in pulls])
    if there is None or 1.0 - there <= below:
        return None
    return f"the power peak stands at {at:.0f} rpm, {at / reference.power_rpm - 1.0:+.0%} from that"


def share_at(one: PullCase, rpm: float) -> float | None:
    """A pull's power at a speed over its peak; None where its curve does not reach."""
    if one.figures.grid is None:
        return None
    power = float(value_at(one.figures.grid, rpm, "power"))
    return power / one.figures.observed.power_kw if math.isfinite(power) else None


@rule(
    "level-unlike-before",
    "doubtful",
    "typing",
    "a part missing from one list, another car, or a bay that changed",
    spreads=Limit(4.5, 2.0, 20.0, "-", "how many spreads of two visits apart equal states may read"),
)
def unlike_before(case: Case, limits: Limits) -> Iterator[Remark]:
    """The same car with the same parts, far from what it read on its last visit.

    In this bay, else in another one; corrected figures only, and never across gears. Two visits are sqrt(2) of a session's spread apart, of a session's
    and a bay's in two bays; 4.5 of these fire on under 1 visit in 1000 at an easy and at a hard shop (tests).
    """
    for setup in case.session.setups:
        power = corrected_power(case, setup)
        before = last_equal_state(case, setup)
        if power is None or before is None or not before.power_kw:
            continue
        other_bay = before.bay != case.session.bay
        one_visit = math.hypot(case.around.session_spread, case.around.bay_spread if other_bay else 0.0)
        limit = limits["spreads"] * math.sqrt(2.0) * one_visit * roughness(case)
        apart = math.log(power / before.power_kw)
        if abs(apart) > limit:
            yield case.remark(
                setup,
                f"{power:.1f} kW is {math.expm1(apart):+.1%} from the {before.power_kw:.1f} kW that this car read "
                f"with the same parts on {before.started_at:%Y-%m-%d} in bay {before.bay}; "
                f"at most {math.expm1(limit):.1%} is explained: is a part missing from a list, is it the same car, and "
                "did the bay change?",
                "/parts",
            )


def last_equal_state(case: Case, setup: PostedSetup) -> EarlierState | None:
    """This car's newest earlier state with the same complete list of parts and no other gear, this bay's first."""
    if setup.parts_known != "complete":
        return None
    parts = frozenset(part.slug for part in setup.parts)
    equal = [
        state
        for state in case.around.earlier
        if state.parts == parts
        and state.power_kw is not None
        and state.session != str(case.session.id)
        and (None in (state.gear, case.session.gear) or state.gear == case.session.gear)
    ]
    here = [state for state in equal if state.bay == case.session.bay]
    return next(iter([*here, *equal]), None)


def corrected_power(case: Case, setup: PostedSetup) -> float | None:
    """Mean corrected peak power of a setup [kW]; None where it cannot be corrected."""
    return case.power(setup) if case.footing(setup) == (ANY_STANDARD, True) else None


NEAR_LIMIT: Final = 0.5
"""Within so many spreads of its limit a low level is what one healthy car in twenty reads (our choice): 5 of 100 lie
beyond 1.65 spreads and 2 beyond 2.15."""


@rule(
    "low-everywhere",
    "note",
    "bay",
    "the bay or its day, strap, tyre, a dragging brake, weather",
    spreads=Limit(1.65, 0.5, 6.0, "-", "how many spreads of the stock cars below their median"),
    slope=Limit(0.01, 0.001, 0.1, "share per 1000 rpm", "how level the distance must be along the curve"),
    least=Limit(0.027, 0.005, 0.2, "share", "smallest spread that stock cars are taken to have"),
)
def low_everywhere(case: Case, limits: Limits) -> Iterator[Remark]:
    """A stock car that reads low over its whole curve.

    The bay's own level is taken off where it is known. One healthy car in twenty reads so: a note, and no verdict.
    """
    reference = case.around.reference
    if reference is None or reference.cars < LEAST_CARS:
        return
    for setup in case.session.setups:
        at_peak, usual = stock_distance(case, setup), case.around.bay_level or 0.0
        if at_peak is None or at_peak >= usual:
            continue
        apart = distance_along(case, setup, reference)
        if apart is None:
            continue
        level, slope = apart[0] - usual, apart[1]
        spreads = -level / max(reference.power_sd, limits["least"])
        if spreads > limits["spreads"] and abs(slope) < limits["slope"]:
            near = spreads < limits["spreads"] + NEAR_LIMIT
            yield case.remark(
                setup,
                f"the whole curve reads {math.expm1(level):.1%} from the median of this platform's "
                f"{reference.cars} stock cars, {spreads:.1f} of their spreads: look at the other cars "
                "of this bay's day first, then strap, tyres and brakes; "
                f"{'one healthy car in twenty reads so, and ' if near else ''}this is no verdict on the car",
            )


def distance_along(case: Case, setup: PostedSetup, reference: StockReference) -> tuple[float, float] | None:
    """(ln distance from the stock median curve, its slope per 1000 rpm); None where too little of both is known."""
    figures = [one.figures for one in case.pulls(setup) if one.figures.grid is not None]
    figures = [one for one in figures if one.level == ANY_STANDARD]
    if not figures:
        return None
    torque = mean_grid([one.grid for one in figures], [one.factor or 1.0 for one in figures])
    known = np.flatnonzero((torque > 0.0) & (reference.torque_nm > 0.0))  # NaN is not
    if known.size < LEAST_KNOTS:
        return None
    apart, rpm = np.log(torque[known] / reference.torque_nm[known]), GRID_RPM[known]
    speed = (rpm - rpm.mean()) / 1000.0
    return median_of(apart), float(speed @ apart / (speed @ speed))


@rule(
    "bay-day-off",
    "doubtful",
    "bay",
    "the machine, the weather probe or the canopy over the rollers",
    spreads=Limit(3.0, 2.0, 10.0, "-", "how many spreads of their median the day's stock cars may read off"),
    cars=Limit(3.0, 2.0, 50.0, "cars", "fewer cars say nothing about a bay"),
    least=Limit(0.027, 0.005, 0.2, "share", "smallest spread that stock cars are taken to have"),
)
def bay_day_off(case: Case, limits: Limits) -> Iterator[Remark]:
    """All stock cars of one bay's day off together: look at the bay first.

    The bay's own level is taken off where it is known (`bay_level`), else the bays' spread is allowed for. Three
    spreads of the median fire on under 1 day in 100, at an easy and at a hard shop, with 8 stock cars of a platform or
    30 (tests). Said of the posts from the third car of a day on; those before it were kept without.
    """
    reference = case.around.reference
    own = [stock_distance(case, setup) for setup in case.session.setups]
    known = [distance for distance in own if distance is not None]
    if not known or reference is None:
        return
    cars = {car.vehicle: car.residual for car in case.around.bay_day}
    cars[case.session.vehicle] = sum(known) / len(known)
    if len(cars) < limits["cars"]:
        return
    usual = case.around.bay_level
    limit = limits["spreads"] * spread_of_the_day(case, reference, len(cars), limits["least"])
    off = median(cars.values()) - (usual or 0.0)
    if abs(off) > limit:
        taken_off = " (this bay's usual level taken off)" if usual is not None else ""
        words = (
            f"the {len(cars)} stock cars of this bay's day read {math.expm1(off):+.1%} on the median against their "
            f"platforms' stock cars{taken_off}; at most {math.expm1(limit):.1%} is explained: look at the machine, its weather "
            "probe and its canopy before any car"
        )
        yield Remark(words, "/bay")


def spread_of_the_day(case: Case, reference: StockReference, cars: int, least: float) -> float:
    """Spread of the median of one day's stock cars about their platforms' medians, relative.

    A median's 1.25 sd / sqrt(n), on both sides; with it the spread of one session, and of the bays where this one's
    own level is not known. A bay that repeats badly has all of them larger (`roughness`).
    """
    sd = max(reference.power_sd, least * roughness(case))
    bay = case.around.bay_spread if case.around.bay_level is None else 0.0
    medians = MEDIAN_OVER_MEAN * sd * math.sqrt(1.0 / cars + 1.0 / reference.cars)
    return math.hypot(medians, math.hypot(case.around.session_spread, bay) * roughness(case))


def roughness(case: Case) -> float:
    """How much worse than usual this bay's pulls repeat, at least 1: it then straps and holds its level worse too
    (our choice; common practice has all spreads of a hard shop about twice an easy one's)."""
    return max(1.0, case.around.pull_spread / PULL_SPREAD_START)


def stock_distance(case: Case, setup: PostedSetup) -> float | None:
    """ln of a stock setup's corrected power over its platform's stock median; None where either is not known."""
    reference, power = case.around.reference, corrected_power(case, setup)
    if not case.stock(setup) or power is None or reference is None or reference.cars < LEAST_CARS:
        return None
    return math.log(power / reference.power_kw)
