"""What throttle and manifold pressure say, and what the shape of torque says beside them.

What compares with the platform's stock cars speaks only of cars that are stock by their record: a part that changes
boost or breathing must not make a car doubtful. Shapes have the car's and the bay's own level taken out.
"""

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from service.domain.checks.along import (
    Along,
    along,
    is_boosted,
    knots,
    lowest,
    mean_over,
    median_of,
    peers,
    run_of,
    span,
    stretch_at,
    stretches,
    thirds,
)
from service.domain.checks.case import Case, Grid, Remark
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.curve import GRID_RPM
from service.domain.derive import mean_of

TIP_IN_RPM = 500.0
"""Over the first of a pull the throttle is still opening (our choice)."""


def stock(case: Case) -> Iterator[Along]:
    """The setups of which it is said that nothing is fitted."""
    for setup in case.session.setups:
        if case.stock(setup):
            yield along(case, setup)


@rule(
    "torque-held-flat",
    "note",
    "air path",
    "torque management, the same ceiling on other cars, and not a restriction",
    flat=Limit(0.01, 0.002, 0.05, "share", "torque is flat within this"),
    width=Limit(1000.0, 300.0, 5000.0, "rpm", "over how much of the pull"),
    throttle=Limit(0.05, 0.01, 0.9, "share", "throttle that is taken back meanwhile"),
    spark=Limit(3.0, 0.5, 30.0, "°", "spark that is taken back meanwhile"),
    pressure=Limit(8.0, 1.0, 100.0, "kPa", "manifold pressure that is taken back meanwhile"),
)
def torque_held_flat(case: Case, limits: Limits) -> Iterator[Remark]:
    """Torque held flat while throttle, spark or pressure is taken back."""
    for setup in case.session.setups:
        here = along(case, setup)
        recorded = ((name, here.channel(name)) for name in LEVERS)
        falls = ((name, falls_by(own, limits["width"])) for name, own in recorded if own is not None)
        taken = {name: fall for name, fall in falls if (fall > limits[LEVERS[name][0]]).any()}
        if not taken or here.torque is None:
            continue
        flat = flat_stretches(here.torque, limits)
        seen = [words for name, fall in taken.items() for words in taken_back(name, fall, flat, limits)]
        if seen:
            yield case.remark(
                setup,
                f"torque is flat within {limits['flat']:.1%} while {' and '.join(seen)}: consistent with torque "
                "management; look for the same ceiling on other cars before a restriction",
            )


LEVERS: Mapping[str, tuple[str, str]] = {
    # A channel's limit by name, and how its being taken back is said.
    "throttle": ("throttle", "throttle closes by {:.2f}"),
    "spark": ("spark", "spark falls by {:.1f}°"),
    "map": ("pressure", "manifold pressure falls by {:.0f} kPa"),
}
LEVER_KNOTS = 5
"""What is taken back is read between the means of so many knots at either end of a stretch (our choice)."""


def falls_by(values: Grid, width_rpm: float) -> Grid:
    """By how much a channel falls over each stretch of this width, by its first knot."""
    ends = np.correlate(values, np.full(LEVER_KNOTS, 1.0 / LEVER_KNOTS), mode="valid")
    apart = knots(width_rpm) - LEVER_KNOTS
    return np.asarray(ends[:-apart] - ends[apart:])


def flat_stretches(torque: Grid, limits: Limits) -> NDArray[np.bool_]:
    """Whether torque is flat over each stretch, by its first knot."""
    windows = np.lib.stride_tricks.sliding_window_view(torque, knots(limits["width"]))
    low = windows.min(axis=1)
    return np.asarray(windows.max(axis=1) - low <= limits["flat"] * low)


def taken_back(name: str, fall: Grid, flat: NDArray[np.bool_], limits: Limits) -> Iterator[str]:
    """By how much one channel falls over the flat stretch where it falls most, where that is over its limit."""
    limit, said = LEVERS[name]
    at = lowest(np.where(flat, -fall, np.nan))
    if at is not None and fall[at] > limits[limit]:
        yield f"{said.format(fall[at])} from {span(stretch_at(at, limits['width']))}"


@rule(
    "throttle-not-full",
    "doubtful",
    "air path",
    "a throttle closed by control, by its cable, or by a mat under the pedal",
    full=Limit(0.95, 0.5, 1.0, "share", "throttle of a full-load pull, where the stock cars' is not known"),
    apart=Limit(0.05, 0.01, 0.5, "share", "how far below the stock cars' median, where known"),
    width=Limit(200.0, 50.0, 2000.0, "rpm", "over how much of the pull"),
)
def throttle_not_full(case: Case, limits: Limits) -> Iterator[Remark]:
    """Throttle less than full once it has opened.

    A platform whose plate reads 88 % when open is no fault of a car.
    """
    recorded = [one for one in case.pulls() if "throttle" in one.figures.channels]
    full = full_throttle(case, limits) if recorded else np.empty(0)
    for one in recorded:
        throttle = one.figures.channels["throttle"]
        below = throttle < full
        if not below.any():
            continue
        below[: int(np.isfinite(throttle).argmax()) + knots(TIP_IN_RPM) - 1] = False
        where = run_of(below, limits["width"])
        if where is not None:
            yield one.remark(
                f"throttle is {mean_over(throttle, where):.0%} from {span(where)}; a full-load pull has "
                f"{mean_over(full, where):.0%} and more: consistent with a cable, a mat, or control that closed it",
                "/curve/throttle",
            )


def full_throttle(case: Case, limits: Limits) -> Grid:
    """The throttle of a full-load pull on the grid."""
    reference = peers(case)
    full: Grid = np.full(GRID_RPM.shape, limits["full"])
    if reference is None or "throttle" not in reference.channels:
        return full
    lower: Grid = np.fmin(full, reference.channels["throttle"] - limits["apart"])
    return lower


@rule(
    "boost-low",
    "doubtful",
    "air path",
    "a boost leak, a wastegate, or a restriction before the compressor",
    below=Limit(7.0, 2.0, 50.0, "kPa", "how far below the stock median in the middle third"),
    falls=Limit(15.0, 3.0, 100.0, "kPa", "how much more than usual it falls to the top"),
    spreads=Limit(2.0, 0.0, 10.0, "pull spreads", "and how much torque is missing there"),
)
def boost_low(case: Case, limits: Limits) -> Iterator[Remark]:
    """A boosted stock car's pressure below its platform's, and less torque there too."""
    missing = limits["spreads"] * case.around.pull_spread
    for here in stock(case) if is_boosted(case) else ():
        found, torque = here.breathing, here.residual_thirds
        if found is None or torque is None or gauge_words(case, here, GAUGE) is not None:
            continue
        low = torque.middle < bay_level(case) - missing
        if -found.above_kpa > limits["below"] and low and here.at_level:
            words = (
                f"lies {-found.above_kpa:.0f} kPa below this platform's stock cars from {span(found.middle)}"
            )
        elif found.falls_more_kpa > limits["falls"] and torque.top < torque.middle - missing:
            words = f"falls {found.falls_more_kpa:.0f} kPa more to the top than this platform's stock cars'"
        else:
            continue
        yield case.remark(
            here.setup,
            f"manifold pressure {words}, and torque is lower there: consistent with a boost leak, the wastegate or a "
            "restriction before the compressor",
        )


def bay_level(case: Case) -> float:
    """ln of what this bay usually reads over the stock medians; nought where it is not known."""
    return case.around.bay_level or 0.0


GAUGE: Mapping[str, float] = {"low": 0.75, "high": 1.25, "near": 12.0, "least": 15.0}
"""The limits of `map-gauge` by which the other checks of pressure go too."""


@rule(
    "map-gauge",
    "doubtful",
    "typing",
    "gauge pressure sent as absolute",
    low=Limit(GAUGE["low"], 0.3, 1.0, "share", "how far below the usual pressure it lies, of the barometer"),
    high=Limit(GAUGE["high"], 1.0, 2.0, "share", "the same, at most"),
    near=Limit(GAUGE["near"], 2.0, 30.0, "kPa", "and how near to the barometer that must be"),
    least=Limit(GAUGE["least"], 5.0, 50.0, "kPa", "lowest of a natural engine at full load, all through"),
)
def map_gauge(case: Case, limits: Limits) -> Iterator[Remark]:
    """Manifold pressure that lies one barometer too low."""
    for setup in case.session.setups:
        words = gauge_words(case, along(case, setup), limits)
        if words is not None:
            yield case.remark(
                setup,
                f"manifold pressure {words}: it looks like gauge pressure; send it absolute: gauge plus the barometer",
            )


def gauge_words(case: Case, here: Along, limits: Limits) -> str | None:
    """How far manifold pressure lies too low to be absolute; None where it does not."""
    own, above, barometer = here.channel("map"), here.above("map"), barometer_of(here)
    if own is not None and is_boosted(case) is False and np.fmax.reduce(own) < limits["least"]:
        return f"stays below {limits['least']:g} kPa at full load"
    if barometer is None or above is None or not -np.fmin.reduce(above) >= limits["low"] * barometer:
        return None
    below = -median_of(above[np.isfinite(above)])
    if abs(below - barometer) > limits["near"]:
        return None
    if not limits["low"] * barometer <= below <= limits["high"] * barometer:
        return None
    return f"lies {below:.0f} kPa below this platform's stock cars, and the barometer is {barometer:.0f} kPa"


def barometer_of(here: Along) -> float | None:
    """Mean station pressure of a setup's pulls [kPa]; None where it was not recorded."""
    return mean_of([one.pull.pressure_kpa for one in here.pulls])


@rule(
    "map-above-barometer",
    "doubtful",
    "typing",
    "the wrong car picked, or manifold pressure in another unit",
    above=Limit(5.0, 1.0, 50.0, "kPa", "how far it may lie over the barometer: tuned intakes gain a little"),
    width=Limit(500.0, 100.0, 3000.0, "rpm", "over how much of the pull, on the mean"),
)
def map_above_barometer(case: Case, limits: Limits) -> Iterator[Remark]:
    """A naturally aspirated engine with more manifold pressure than the barometer gives."""
    for setup in case.session.setups if is_boosted(case) is False else ():
        here = along(case, setup)
        own, barometer = here.channel("map"), barometer_of(here)
        if own is None or barometer is None or not (own > barometer + limits["above"]).any():
            continue
        means = stretches(own, limits["width"])
        at = lowest(-means)
        if at is not None and means[at] > barometer + limits["above"]:
            yield case.remark(
                setup,
                f"manifold pressure is {means[at]:.0f} kPa from {span(stretch_at(at, limits['width']))} and the barometer "
                f"{barometer:.0f} kPa, but this platform breathes without boost: wrong car, or another unit",
            )


@rule(
    "not-stock-map",
    "doubtful",
    "typing",
    "another calibration than stock: declare it",
    above=Limit(7.0, 2.0, 50.0, "kPa", "how far manifold pressure lies above the stock median"),
    limiter=Limit(150.0, 20.0, 2000.0, "rpm", "how far above the platform's limit the pull goes"),
    spark=Limit(4.0, 1.0, 20.0, "°", "how much more spark than the stock median"),
    width=Limit(1000.0, 200.0, 4000.0, "rpm", "over how much of the pull there is more spark"),
)
def not_stock_map(case: Case, limits: Limits) -> Iterator[Remark]:
    """A car that is said to be stock and has more boost, more speed or more spark."""
    for here in stock(case):
        seen = [*more_boost(case, here, limits), *more_speed(case, here, limits), *more_spark(here, limits)]
        if seen:
            words = f"said to be stock, but {' and '.join(seen)}: is another calibration fitted?"
            yield case.remark(here.setup, words, "/parts")


def more_boost(case: Case, here: Along, limits: Limits) -> Iterator[str]:
    """Boosted pressure above the platform's, with torque above it too."""
    found, torque = (here.breathing, here.residual_thirds) if is_boosted(case) else (None, None)
    if found is None or torque is None or found.above_kpa <= limits["above"]:
        return
    if torque.middle > bay_level(case) and here.at_level:
        yield f"manifold pressure lies {found.above_kpa:.0f} kPa above the stock cars' from {span(found.middle)}"


def more_speed(case: Case, here: Along, limits: Limits) -> Iterator[str]:
    """Engine speed beyond the platform's limit."""
    top = max((one.figures.rpm_to for one in here.pulls if one.figures.rpm_to is not None), default=None)
    limit = None if case.platform is None else case.platform.rpm_limit
    if top is not None and limit is not None and top - limit > limits["limiter"]:
        yield f"the pull goes to {top:.0f} rpm where the platform ends at {limit:.0f} (or the rpm scale is wrong)"


def more_spark(here: Along, limits: Limits) -> Iterator[str]:
    """Spark above the platform's over a wide stretch."""
    above = here.above("spark")
    if above is None or not (above > limits["spark"]).any():
        return
    more = stretches(above, limits["width"])
    at = lowest(-more)
    if at is not None and more[at] > limits["spark"]:
        yield f"spark is {more[at]:.1f}° above the stock cars' from {span(stretch_at(at, limits['width']))}"


@rule(
    "intake-restriction",
    "doubtful",
    "air path",
    "an intake that restricts: filter, snorkel, throttle",
    more=Limit(3.0, 1.0, 20.0, "kPa", "how much more than the stock cars' the pressure falls to the top"),
)
def intake_restriction(case: Case, limits: Limits) -> Iterator[Remark]:
    """Naturally aspirated and stock: manifold pressure that falls more than the platform's, and torque with it."""
    for here in stock(case) if is_boosted(case) is False else ():
        found, torque = here.breathing, here.residual_thirds
        if found is None or torque is None or found.falls_more_kpa <= limits["more"]:
            continue
        if torque.top < torque.low:
            yield case.remark(
                here.setup,
                f"manifold pressure falls by {found.falls_kpa:.1f} kPa to the top, {found.falls_more_kpa:.1f} kPa more than "
                "this platform's stock cars', and torque with it: consistent with a restriction in filter, snorkel or "
                "throttle",
            )


@rule(
    "falls-with-rpm",
    "doubtful",
    "exhaust",
    "an exhaust restriction, valve timing or valve float: confirm with back-pressure (about 7 kPa idling and 30 kPa "
    "snapped open are the teaching limits)",
    falls=Limit(
        0.04, 0.01, 0.3, "share", "torque that goes from the middle third to the top one, against stock"
    ),
    pressure=Limit(3.0, 1.0, 30.0, "kPa", "manifold pressure may fall this much more and be as usual"),
    near=Limit(7.0, 1.0, 50.0, "kPa", "how near the stock median it must lie at both ends to be as usual"),
)
def falls_with_rpm(case: Case, limits: Limits) -> Iterator[Remark]:
    """A stock car that breathes in as usual and yet loses torque towards the top."""
    for here in stock(case):
        found, torque = here.breathing, here.residual_thirds
        if found is None or torque is None or found.falls_more_kpa > limits["pressure"]:
            continue
        if not near_usual(here, limits["near"]):
            continue
        lost = torque.middle - torque.top
        if lost > limits["falls"]:
            yield case.remark(
                here.setup,
                f"torque falls by {lost:.1%} from the middle to the top against this platform's stock cars while manifold "
                "pressure is as usual: consistent with an exhaust restriction, valve timing or valve float",
            )


def near_usual(here: Along, near_kpa: float) -> bool:
    """Whether manifold pressure lies near the stock median in its lower third and in its top one."""
    above = here.above("map")
    bands = None if above is None else thirds(above)
    if above is None or bands is None:
        return False
    return all(abs(mean_over(above, band)) <= near_kpa for band in (bands[0], bands[2]))


@rule(
    "gains-with-rpm",
    "note",
    "air path",
    "a part in the intake, head or exhaust that is not listed, or cam timing",
    gains=Limit(0.04, 0.01, 0.3, "share", "torque gained from the lower third to the top one, against stock"),
)
def gains_with_rpm(case: Case, limits: Limits) -> Iterator[Remark]:
    """A car said to be stock that gains on the stock cars towards the top."""
    for here in stock(case):
        torque = here.residual_thirds
        if torque is not None and torque.top - torque.low > limits["gains"]:
            yield case.remark(
                here.setup,
                f"torque gains {torque.top - torque.low:.1%} on this platform's stock cars from the lower third to the top: "
                "consistent with a part that is not listed, or with cam timing",
                "/parts",
            )


@rule(
    "shape-unlike-stock",
    "note",
    "air path",
    "cam timing, a restriction, or another rpm scale: record manifold pressure to tell",
    origin=OUR_CHOICE,
    falls=Limit(0.04, 0.01, 0.3, "share", "torque lost from the lower third to the top one, against stock"),
)
def shape_unlike_stock(case: Case, limits: Limits) -> Iterator[Remark]:
    """A stock car that loses on the stock cars towards the top, where no manifold pressure says why."""
    for here in stock(case):
        torque = here.residual_thirds
        if torque is None or torque.low - torque.top <= limits["falls"] or here.breathing is not None:
            continue
        yield case.remark(
            here.setup,
            f"torque loses {torque.low - torque.top:.1%} on this platform's stock cars from the lower third to the top: "
            "consistent with cam timing, a restriction or another rpm scale; record manifold pressure to tell",
        )
