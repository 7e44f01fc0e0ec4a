"""Doubts and notes about what was written down: air, basis, curve, peaks, clock. Each looks at one pull alone."""

from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from service.domain.checks.along import median_of
from service.domain.checks.case import Case, Grid, Remark, once_a_setup
from service.domain.checks.impossible import CLOCK_SKEW, power_torque_ratios
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.correction import BASE_STANDARD, STANDARDS
from service.domain.derive import UNKNOWN
from service.domain.records import PostedPeaks, PostedPull
from service.domain.units import power_kw, torque_nm

RANGE_STARTS_AT = 0.25
"""A platform's usable range is taken to begin at this share of its rpm limit (our choice)."""
WITHIN_80 = 1.2816
"""Standard deviations within which 80 of 100 normal values lie: the normal distribution's 90 % point."""
ONE_BYTE_KPA = 255.0
"""The highest manifold pressure that one byte of kPa can say (SAE J1979: 0 to 255 kPa)."""
SAME_BYTE_KPA = 0.05
"""How near a pressure must lie to it: what turning units leaves (our choice)."""
TWO_FIGURES = "check both figures, their units and their speeds"


@rule("clock-skew", "note", "typing", "a clock not set")
def skewed_clock(case: Case, _: Limits) -> Iterator[Remark]:
    """The bay's clock at contact against the server's."""
    clock = case.session.clock
    if clock is not None and abs(clock - case.now) > CLOCK_SKEW:
        side = "behind" if clock < case.now else "ahead of"
        yield Remark(
            f"the bay's clock is {span_of(abs(clock - case.now))} {side} the server's (at most {span_of(CLOCK_SKEW)}); "
            "times are kept as sent: set the clock",
            "/clock",
        )


def span_of(apart: timedelta) -> str:
    """A span in the unit in which it is said."""
    seconds = apart.total_seconds()
    for unit, size in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= (2.0 if unit != "min" else 1.0) * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"


@rule("air-incomplete", "note", "weather", "air not recorded", origin=OUR_CHOICE)
def missing_air(case: Case, _: Limits) -> Iterator[Remark]:
    """Air not fully recorded: kept, but the figure cannot be brought to another standard."""
    yield from once_a_setup(
        one.remark(missing_words(one.pull), "/ambient")
        for one in case.pulls()
        if one.figures.vapour_kpa is None
    )


def missing_words(pull: PostedPull) -> str:
    """What was not recorded of a pull's air, and what that leaves."""
    recorded = (("temperature", pull.temperature_c), ("pressure", pull.pressure_kpa))
    missing = [name for name, value in recorded if value is None]
    if pull.humidity is None and pull.dew_point_c is None:
        missing.append("humidity (or dew_point)")
    *first, last = missing
    named = f"{', '.join(first)} and {last}" if first else last
    standard = f" and figures in {pull.basis_standard}" if pull.basis_standard in STANDARDS else ""
    return f"{named} not recorded: kept, but used only for comparisons inside this session{standard}"


@rule("basis-unknown", "note", "typing", "an old record", origin=OUR_CHOICE)
def unknown_basis(case: Case, _: Limits) -> Iterator[Remark]:
    """Figures corrected by a factor that is not known."""
    words = "corrected by an unknown factor: kept as posted, used only for comparisons inside this session"
    yield from once_a_setup(
        one.remark(words, "/basis") for one in case.pulls() if one.figures.level == UNKNOWN
    )


@rule(
    "factor-outside-limits",
    "doubtful",
    "weather",
    "weather typed in wrong, or a site far above the sea",
    origin="SAE J1349: editions limit a correction to about 5-7 % (from memory)",
    low=Limit(0.93, 0.5, 1.0, "-", "smallest factor the standard trusts itself with"),
    high=Limit(1.07, 1.0, 2.0, "-", "largest factor the standard trusts itself with"),
)
def factor_limits(case: Case, limits: Limits) -> Iterator[Remark]:
    """A correction larger than the standard trusts itself with."""
    low, high = limits["low"], limits["high"]
    for one in case.pulls():
        factor = one.figures.factor
        if one.figures.vapour_kpa is None or factor is None or low <= factor <= high:
            continue
        yield one.remark(
            f"the {BASE_STANDARD} factor is {factor:.3f}, outside {low:g} to {high:g}: levels are doubtful, ratios "
            "inside this session are not; look at the air first; where the site explains it, answer in the standard "
            "`none`, or set this limit for the bay (setting `checks`)",
            "/ambient",
        )


@rule(
    "few-samples",
    "doubtful",
    "typing",
    "a curve cut short or thinned out",
    origin=OUR_CHOICE,
    least=Limit(8, 2, 1000, "samples", "fewer samples at different speeds draw no curve"),
)
def few_samples(case: Case, limits: Limits) -> Iterator[Remark]:
    """Too few samples to draw a curve."""
    for one in case.pulls():
        if one.figures.grid is not None and one.figures.samples < limits["least"]:
            words = f"only {one.figures.samples} samples at different speeds; at least {limits['least']:g} draw a curve"
            yield one.remark(words, "/curve/rpm")


@rule(
    "rpm-coverage",
    "doubtful",
    "typing",
    "a pull begun late or broken off",
    least=Limit(0.6, 0.0, 1.0, "share", "share of the platform's rev range that a pull should cover"),
)
def rpm_coverage(case: Case, limits: Limits) -> Iterator[Remark]:
    """Too little of the platform's rev range."""
    if case.platform is None or case.platform.rpm_limit is None:
        return
    usable_range = case.platform.rpm_limit * (1.0 - RANGE_STARTS_AT)
    for one in case.pulls():
        low, high = one.figures.rpm_from, one.figures.rpm_to
        if low is None or high is None or (high - low) / usable_range >= limits["least"]:
            continue
        yield one.remark(
            f"{low:.0f} to {high:.0f} rpm is {(high - low) / usable_range:.0%} of this platform's range; "
            f"at least {limits['least']:.0%} is expected",
            "/curve/rpm",
        )


@rule("best-of-unknown", "note", "typing", "an old record", origin=OUR_CHOICE)
def unknown_best_of(case: Case, _: Limits) -> Iterator[Remark]:
    """A peaks-only record that does not say of how many pulls it is the best."""
    words = "of how many pulls this is the best is not recorded: its level is read as the best of 3"
    yield from once_a_setup(
        one.remark(words, "/best_of")
        for one in case.pulls()
        if one.pull.peaks is not None and one.pull.best_of is None
    )


@rule(
    "peaks-impossible",
    "doubtful",
    "typing",
    "a unit that is not the declared one, a digit too many, or figures of two pulls",
    origin="physics",
    apart=Limit(0.02, 0.0, 0.2, "share", "by how much rounded figures may contradict each other"),
    top=Limit(
        12_000.0, 3_000.0, 20_000.0, "rpm", "the highest engine speed there can be, where it is not recorded"
    ),
)
def impossible_peaks(case: Case, limits: Limits) -> Iterator[Remark]:
    """A peak power that the peak torque cannot give at its speed, or the other way round, of a record without a curve.

    Power is torque times angular speed, and no torque is above the peak torque, no power above the peak power.
    """
    for one in case.pulls():
        if one.pull.peaks is not None:
            for words, name in peak_faults(one.pull.peaks, 1.0 + limits["apart"], limits["top"]):
                yield one.remark(words, f"/peaks/{name}")


def peak_faults(peaks: PostedPeaks, allowed: float, top: float) -> Iterator[tuple[str, str]]:
    """What of two peaks cannot be, in words, with the field that says so; silent where one was not recorded."""
    power, torque = peaks.power_kw, peaks.torque_nm
    if not power or not torque:
        return
    rpm = peaks.power_rpm or top
    needed = float(torque_nm(power, rpm))
    if needed > allowed * torque:
        at = f"at {rpm:,.0f} rpm" if peaks.power_rpm else f"even at {rpm:,.0f} rpm"
        yield (
            f"{power:,.1f} kW {at} takes {needed:,.0f} N·m, and the highest torque is {torque:,.1f} N·m: {TWO_FIGURES}",
            "power",
        )
    if peaks.torque_rpm and power_kw(torque, peaks.torque_rpm) > allowed * power:
        made = float(power_kw(torque, peaks.torque_rpm))
        yield (
            f"{torque:,.1f} N·m at {peaks.torque_rpm:,.0f} rpm makes {made:,.0f} kW, and the highest power is "
            f"{power:,.1f} kW: {TWO_FIGURES}",
            "torque",
        )


@rule("stock-not-checked", "note", "typing", "a car not looked at under the bonnet", origin=OUR_CHOICE)
def unchecked_stock(case: Case, _: Limits) -> Iterator[Remark]:
    """A stock car of which it is not said whether it was looked at."""
    for setup in case.session.setups:
        if case.stock(setup) and setup.stock_checked == "unknown":
            words = (
                "nothing is fitted, but `stock_checked` is unknown: not counted among stock cars until it is "
                "verified or declared"
            )
            yield case.remark(setup, words, "/stock_checked")


@rule(
    "level-implausible",
    "doubtful",
    "typing",
    "another car, a wrong unit or column",
    low=Limit(0.4, 0.0, 1.0, "share", "smallest wheel power over the platform's rated power"),
    high=Limit(1.3, 0.5, 10.0, "share", "largest of a stock car; losses take 10 to 30 %"),
)
def implausible_level(case: Case, limits: Limits) -> Iterator[Remark]:
    """A wheel power far from the platform's rated power."""
    rated = case.platform and case.platform.rated_power_kw
    for setup in case.session.setups:
        power = case.power(setup)
        if power is None or not rated:
            continue
        share = power / rated
        if share < limits["low"] or (share > limits["high"] and not setup.parts):
            yield case.remark(
                setup,
                f"{power:.0f} kW at the wheel is {share:.0%} of this platform's rated power; {limits['low']:.0%} to "
                f"{limits['high']:.0%} is expected of a stock car: is it the right car, unit and column?",
            )


@rule(
    "power-torque-spread",
    "doubtful",
    "typing",
    "columns from two pulls, or one smoothed and the other not",
    spread=Limit(0.01, 0.002, 0.2, "share", "spread of power over torque x speed along the pull"),
)
def spread_of_power(case: Case, limits: Limits) -> Iterator[Remark]:
    """Power that is torque times speed on the whole, but not along the pull.

    Where the two curves cross is the same identity at one speed: there is no check of its own for that.
    """
    for one in case.pulls():
        spread = spread_of_ratios(one.pull, limits["spread"])
        if spread > limits["spread"]:
            yield one.remark(
                f"power over torque x speed varies by {spread:.1%} along the pull (at most "
                f"{limits['spread']:.1%}): post only the column that was measured, or both from one pull with one "
                "smoothing",
                "/curve/power",
            )


def spread_of_ratios(pull: PostedPull, enough: float) -> float:
    """Relative spread of power over torque x speed along a pull, as a standard deviation; 0 where not both are
    posted, and where no two samples are further apart than is `enough`.

    From the deviation that 80 of 100 samples keep within, so that a few odd rows do not matter. Where that is more than
    `enough`, what the columns' own last digits explain is taken off first: 12 kW to the whole kW is 4 % off at most.
    """
    ratios = power_torque_ratios(pull)
    if not len(ratios) or float(ratios[ratios.argmax()] - ratios[ratios.argmin()]) <= enough:
        return 0.0
    apart = np.abs(ratios / median_of(ratios) - 1.0)
    spread = within_80(apart)
    if spread <= enough:
        return spread
    power, torque = pull.channels["power"], pull.channels["torque"]
    asked = np.abs(power_kw(torque, pull.channels["rpm"])) > 1.0
    rounding = half_digit(power) / np.abs(power[asked]) + half_digit(torque) / np.abs(torque[asked])
    return within_80(np.maximum(apart - rounding, 0.0))


def within_80(apart: Grid) -> float:
    """The standard deviation of normal values of which 80 of 100 lie as near as these."""
    return float(np.sort(apart)[int(0.8 * (len(apart) - 1))]) / WITHIN_80


def half_digit(values: Grid) -> float:
    """Half the smallest step between the values of a column: half its last digit where it was rounded."""
    steps = np.diff(np.unique(values))
    return float(steps.min()) / 2.0 if len(steps) else 0.0


@rule(
    "map-at-limit",
    "note",
    "air path",
    "a sensor or protocol that says no more than 255 kPa, with the pressure really higher",
    origin="SAE J1979: one byte, 0 to 255 kPa",
    samples=Limit(5.0, 2.0, 1000.0, "samples", "how many in a row must read exactly 255 kPa"),
)
def pressure_at_limit(case: Case, limits: Limits) -> Iterator[Remark]:
    """Manifold pressure that stays at exactly 255 kPa and never goes above.

    A note: no power comes from this channel.
    A boosted engine that really makes 255 kPa moves by a kilopascal or two about it, and so above it.
    """
    yield from once_a_setup(stuck_at_limit(case, limits["samples"]))


def stuck_at_limit(case: Case, samples: float) -> Iterator[Remark]:
    """The same by pull."""
    for one in case.pulls():
        pressure = one.pull.channels.get("map")
        if pressure is None or abs(float(pressure[pressure.argmax()]) - ONE_BYTE_KPA) > SAME_BYTE_KPA:
            continue
        stuck = longest_run(pressure >= ONE_BYTE_KPA - SAME_BYTE_KPA)
        if stuck >= samples:
            yield one.remark(
                f"manifold pressure reads exactly 255 kPa in {stuck} samples in a row and never more: it is "
                "likely higher; measure it with a sensor of wider range, or leave the channel out",
                "/curve/map",
            )


def longest_run(flags: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> int:
    """The most samples in a row for which it is true."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0
