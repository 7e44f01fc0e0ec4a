"""What cannot be true: these checks refuse a post, before anything is derived from it or right after."""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

import numpy as np

from service.domain.checks.along import median_of
from service.domain.checks.case import Case, Remark
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.correction import BASE_STANDARD, correction_factor
from service.domain.derive import air_of
from service.domain.records import Finding, PostedPull
from service.domain.units import power_kw

RPM_RANGE = (0.0, 20_000.0)
"""Engine speeds outside this are no engine's of ours [rpm] (our choice)."""
CHANNEL_RANGES: Mapping[str, tuple[float, float]] = {
    # Values outside are impossible, not merely odd; the warn ranges of common practice lie well inside (our choice).
    "torque": (-500.0, 5_000.0),
    "axle_torque": (-5_000.0, 60_000.0),
    "power": (-200.0, 4_000.0),
    "lambda": (0.3, 10.0),
    "map": (5.0, 800.0),
    "throttle": (-0.05, 1.05),
    "spark": (-70.0, 90.0),
    "knock_retard": (-5.0, 60.0),
    "inlet": (-60.0, 250.0),
    "roller_speed": (0.0, 20_000.0),
    "time": (-600.0, 86_400.0),
}
CHANNEL_UNITS: Mapping[str, str] = {
    "rpm": " rpm", "torque": " N·m", "axle_torque": " N·m", "power": " kW", "map": " kPa", "spark": "°",
    "knock_retard": "°", "inlet": " °C", "roller_speed": " rpm", "time": " s",
}  # fmt: skip
AIR_FUEL_RATIO = (9.0, 25.0)
"""A "lambda" within this is an air-fuel ratio: 14.7 times lambda 0.6 to 1.7 (our choice)."""
KEEPABLE = (-1e30, 1e30)
"""What the store can hold; a rejected pull may say anything else, being counted nowhere (our choice)."""
CLOCK_SKEW = timedelta(seconds=120)
"""A bay's clock may differ from the server's by this much at contact (common practice, no source)."""
CLOCK_AHEAD = timedelta(days=1)
"""A bay's clock further ahead than this is broken, and its times with it (our choice)."""
FUTURE_ALLOWED = timedelta(minutes=10)
"""How far ahead of the server a time may stand when the bay's clock is not given (our choice)."""
UNIT_MIX = {
    # 9549.3 P / (T n) where power and torque are not kW and N.m: exact by the units' definitions (NIST SP 811 B.8).
    1.3410: "hp and N·m",
    1.3558: "kW and lbf·ft",
    1.3596: "metric horsepower and N·m",
    1.8182: "hp and lbf·ft",
    1.8434: "metric horsepower and lbf·ft",
    13.3333: "metric horsepower and kgf·m",
}
SAME_MIX = 0.002
"""How near a ratio must lie to one of these to be named (our choice): some differ by less than a correction."""


@rule("time-in-the-future", "refused", "typing", "a clock that is wrong", origin=OUR_CHOICE)
def times_in_the_future(case: Case, _: Limits) -> Iterator[Remark]:
    """A time that has not happened yet by the bay's own clock, or well after the server's where that is not sent."""
    clock = case.session.clock
    for finding in future_time(case.session.started_at, case.now, clock):
        yield Remark(finding.message, finding.pointer)
    latest = latest_time(case.now, clock)
    late = (one for one in case.all_pulls() if one[1].started_at is not None and one[1].started_at > latest)
    for setup, pull, pointer in late:
        for finding in future_time(pull.started_at, case.now, clock, f"{pointer}/started_at"):
            yield Remark(finding.message, finding.pointer, setup.n, pull.n)


def future_time(
    at: datetime | None, now: datetime, clock: datetime | None = None, pointer: str = "/started_at"
) -> Iterator[Finding]:
    """One such time."""
    if at is not None and at > latest_time(now, clock):
        whose = (
            "the bay's clock in this post, or a day ahead of the server's" if clock else "the server's clock"
        )
        message = (
            f"{at.isoformat()} is after {whose}; set the bay's clock right, or send `clock` with the post"
        )
        yield Finding("time-in-the-future", "refused", message, pointer)


def latest_time(now: datetime, clock: datetime | None) -> datetime:
    """The latest time that can have been."""
    return min(clock + CLOCK_SKEW, now + CLOCK_AHEAD) if clock else now + FUTURE_ALLOWED


@rule("impossible-value", "refused", "typing", "a wrong unit or column", origin=OUR_CHOICE)
def impossible_channels(case: Case, _: Limits) -> Iterator[Remark]:
    """Channel values that no car or machine gives."""
    for setup, pull, pointer in case.all_pulls():
        for message, below in impossible_values(pull):
            yield Remark(message, pointer + below, setup.n, pull.n)


def impossible_values(pull: PostedPull) -> Iterator[tuple[str, str]]:
    """The first such value of each channel, with its place."""
    for name, values in pull.channels.items():
        low, high = RPM_RANGE if name == "rpm" else CHANNEL_RANGES.get(name, KEEPABLE)
        if pull.status == "rejected":
            low, high = KEEPABLE
        # Found by its place, a value costs a tenth of what `min` and `max` do.
        if not len(values) or (values[values.argmin()] >= low and values[values.argmax()] <= high):
            continue
        outside = np.flatnonzero((values < low) | (values > high))
        if len(outside):
            first = int(outside[0])
            yield (
                f"{name} is {values[first]:.5g} at sample {first}; between {low:g} and {high:g}"
                f"{CHANNEL_UNITS.get(name, '')} can be true: {way_out(name, float(values[first]))}",
                f"/curve/{name}/{first}",
            )


def way_out(name: str, value: float) -> str:
    """What to do about a value that cannot be: the usual slip of its channel, where it looks like that."""
    if name == "lambda" and AIR_FUEL_RATIO[0] <= value <= AIR_FUEL_RATIO[1]:
        return f"{value:.3g} looks like an air-fuel ratio: divide by 14.7"
    if name == "throttle" and value > 1.5:
        return "it looks like percent: divide by 100"
    if name == "map" and value < CHANNEL_RANGES["map"][0]:
        return "send absolute pressure: gauge plus the barometer"
    return "check the unit and the column"


@rule("dew-point-above-temperature", "refused", "weather", "two columns swapped", origin="physics")
def impossible_dew_point(case: Case, _: Limits) -> Iterator[Remark]:
    """A dew point above the temperature: air is never moister than saturated."""
    for setup, pull, pointer in case.all_pulls():
        if swapped(pull):
            message = (
                f"dew point {pull.dew_point_c:.1f} °C is above the air temperature {pull.temperature_c:.1f} °C; "
                "were the two swapped, or is it the wet bulb?"
            )
            yield Remark(message, f"{pointer}/ambient/dew_point", setup.n, pull.n)


def swapped(pull: PostedPull) -> bool:
    """Whether the dew point lies above the temperature."""
    return (
        pull.dew_point_c is not None
        and pull.temperature_c is not None
        and pull.dew_point_c > pull.temperature_c
    )


@rule("air-impossible", "refused", "weather", "a wrong unit or column", origin="physics")
def impossible_air(case: Case, _: Limits) -> Iterator[Remark]:
    """Air that cannot be: no pressure left for its dry part, or outside what any bay breathes."""
    for setup, pull, pointer in case.all_pulls():
        if not swapped(pull):
            try:
                air_of(pull)
            except ValueError as impossible:
                percent = pull.humidity is not None and pull.humidity > 1.5
                words = f"{impossible}{'; humidity looks like percent: divide by 100' if percent else ''}"
                yield Remark(words, f"{pointer}/ambient", setup.n, pull.n)


@rule(
    "factor-impossible",
    "refused",
    "weather",
    "weather typed in wrong",
    low=Limit(0.85, 0.5, 1.0, "-", "smallest correction factor that can be true"),
    high=Limit(1.25, 1.0, 2.0, "-", "largest correction factor that can be true"),
)
def impossible_factor(case: Case, limits: Limits) -> Iterator[Remark]:
    """A factor, computed from the air or posted, that only a typing error makes."""
    low, high = limits["low"], limits["high"]
    for setup, pull, pointer in case.all_pulls():
        for factor, mend, below in factors_of(pull):
            if factor is not None and not low <= factor <= high:
                message = f"the correction factor comes to {factor:.3f}; between {low:g} and {high:g} can be true: {mend}"
                yield Remark(message, pointer + below, setup.n, pull.n)


def factors_of(pull: PostedPull) -> Iterator[tuple[float | None, str, str]]:
    """The factor of the recorded air, and the one that was posted: with the way out and the place."""
    try:
        air = None if swapped(pull) else air_of(pull)
    except ValueError:
        air = None
    computed = None if air is None else correction_factor(BASE_STANDARD, air)
    yield computed, "check temperature, station pressure and their units", "/ambient"
    yield pull.basis_factor, "check the factor that was posted", "/basis/factor"


@rule(
    "power-torque-disagree",
    "refused",
    "typing",
    "units that are not the declared ones, one column corrected and the other not, or the axle's torque",
    apart=Limit(0.005, 0.001, 0.1, "share", "how far power may lie from torque x speed"),
)
def disagreeing_power(case: Case, limits: Limits) -> Iterator[Remark]:
    """Power that is not torque times speed, where both are given.

    Never mended: the units are a person's word.
    """
    for setup, pull, pointer in case.all_pulls():
        k = power_over_torque(pull)
        if pull.status == "rejected" or k is None or abs(k - 1.0) <= limits["apart"]:
            continue
        near = [words for known, words in UNIT_MIX.items() if abs(k / known - 1.0) < SAME_MIX]
        mixed = f" ({' or '.join(near)} would be so)" if near else ""
        message = (
            f"power is {k:.3f} times torque x speed; it must be 1: a unit is wrong{mixed}, a column is corrected and "
            "the other is not, or the torque is the axle's (send it as axle_torque)"
        )
        yield Remark(message, f"{pointer}/curve/power", setup.n, pull.n)


def power_over_torque(pull: PostedPull) -> float | None:
    """Median of power over torque x speed; None where not both were posted."""
    ratios = power_torque_ratios(pull)
    return median_of(ratios) if len(ratios) else None


def power_torque_ratios(pull: PostedPull) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """Power over torque x speed at every sample with more than a kilowatt; empty where not both were posted."""
    if "power" not in pull.channels or "torque" not in pull.channels:
        return np.empty(0)
    power = power_kw(pull.channels["torque"], pull.channels["rpm"])
    known = np.abs(power) > 1.0
    ratios: np.ndarray[tuple[int], np.dtype[np.float64]] = pull.channels["power"][known] / power[known]
    return ratios


@rule("ratio-missing", "refused", "typing", "the gearing not written down", origin="physics")
def missing_ratio(case: Case, _: Limits) -> Iterator[Remark]:
    """Axle torque without the ratio by which it becomes the engine's."""
    for setup, pull, _pointer in case.all_pulls():
        if "axle_torque" in pull.channels and case.session.ratio is None:
            message = (
                "axle_torque needs the session's ratio (engine turns per axle turn) to become engine torque"
            )
            yield Remark(message, "/ratio", setup.n, pull.n)


@rule(
    "no-pull",
    "refused",
    "typing",
    "a wrong sign or column",
    origin=OUR_CHOICE,
    needs_figures=True,
    least=Limit(0.1, 0.0, 10.0, "kW", "a curve whose peak lies below this shows no pull"),
)
def powerless(case: Case, limits: Limits) -> Iterator[Remark]:
    """Curves on which the engine never pulls."""
    for setup, pull, pointer in case.all_pulls():
        if pull.status != "rejected" and case.derived[setup.n, pull.n].observed.power_kw < limits["least"]:
            name = next((name for name in ("torque", "power", "axle_torque") if name in pull.channels), "rpm")
            message = f"{name} never comes to {limits['least']:g} kW: check its sign and its column, or post the pull as rejected"
            yield Remark(message, f"{pointer}/curve/{name}", setup.n, pull.n)
