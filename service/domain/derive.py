"""From posted pulls to comparable figures: observed torque, correction, one summary and one curve per setup.

A pull's torque is brought to one level, and `level_standard` says which: `any`, corrected to the base standard with
its air known, so that other standards follow; a standard's slug, at which it was posted without its air; `observed`,
neither corrected nor correctable; `unknown`, corrected before it was posted by nobody knows how much.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.domain.air import vapour_pressure_kpa
from service.domain.channels import ALONG_THE_CURVE, SPEED_RATIO, channel_grids
from service.domain.correction import BASE_STANDARD, STANDARDS, Air, correction_factor
from service.domain.curve import GRID_RPM, Peaks, clean_trace, derive_many
from service.domain.engine import Engine
from service.domain.order_statistics import best_of_n_bias
from service.domain.records import PostedPeaks, PostedPull
from service.domain.trace import Trace, choose
from service.domain.units import torque_nm

METHOD = 3
"""Number of this way of deriving; kept with each summary so that an upgrade knows what to derive again."""

ANY_STANDARD, OBSERVED, UNKNOWN = "any", "observed", "unknown"
BESIDE_TORQUE = (*ALONG_THE_CURVE, "roller_speed")
PULL_SPREAD_START = 0.005
"""Relative spread of a bay's pulls before it has any history (our choice; 0.4 to 0.8 % is common practice, no source)."""
FEWEST_FOR_SLOPE = 3
"""Pulls that say whether an engine fades from one to the next; through two a line goes always (our choice)."""
ASSUMED_BEST_OF = 3
"""Of how many pulls an old record is taken to be the best where nobody wrote it down (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class DerivedPull:
    """One pull's scalars and its observed torque on the common grid [N.m], NaN outside its range."""

    vapour_kpa: float | None
    factor: float | None
    observed: Peaks
    grid: NDArray[np.float64] | None
    rpm_from: float | None
    rpm_to: float | None
    samples: int
    lambda_mean: float | None
    map_max_kpa: float | None
    level: str
    channels: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    trace: Trace | None = None
    """Which samples were the pull and what was left out; None for a record without a curve."""


@dataclass(frozen=True, slots=True)
class SetupFigures:
    """The figures of a setup's counted pulls together; power [kW], torque [N.m], at `level_standard`."""

    pulls: int
    best_of: int | None
    level_standard: str | None
    factor: float | None
    temperature_c: float | None
    pressure_kpa: float | None
    vapour_kpa: float | None
    power_kw: float | None
    power_rpm: float | None
    power_best_kw: float | None
    power_spread: float | None
    torque_nm: float | None
    torque_rpm: float | None
    torque_best_nm: float | None
    torque_spread: float | None


@dataclass(frozen=True, slots=True)
class SetupSummary(SetupFigures):
    """What a setup's counted pulls say together."""

    spread_ss: float
    spread_df: int
    coolant_c: float | None
    oil_c: float | None
    inlet_c: float | None
    lambda_mean: float | None
    map_max_kpa: float | None
    ramp_rpm_s: float | None
    grid: NDArray[np.float64] | None
    channels: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    speed_ratio: float | None = None
    power_slope: float | None = None
    best_of_recorded: bool | None = None


class ObservedFigures(NamedTuple):
    """Observed peaks of a pull, its torque on the grid [N.m] and its engine speeds [rpm], None without a curve."""

    peaks: Peaks
    grid: NDArray[np.float64] | None
    rpm: NDArray[np.float64] | None


def torque_trace(pull: PostedPull, ratio: float | None) -> Trace:
    """The pull's part of what was recorded: engine speed [rpm] and engine-referred wheel torque [N.m].

    Axle torque is divided by the overall ratio (engine turns per axle turn); power by engine speed.
    """
    rpm = pull.channels["rpm"]
    if "torque" in pull.channels:
        torque = pull.channels["torque"]
    elif "power" in pull.channels:
        torque = torque_nm(pull.channels["power"], rpm)
    else:
        torque = pull.channels["axle_torque"] / (ratio or 1.0)
    return choose(rpm, torque, pull.channels.get("time"), pull.channels.get("throttle"), pull.test)


def air_of(pull: PostedPull) -> Air | None:
    """The air a pull ran in, or None where temperature, pressure or moisture was not recorded."""
    if pull.temperature_c is None or pull.pressure_kpa is None:
        return None
    if pull.humidity is None and pull.dew_point_c is None:
        return None
    vapour = vapour_pressure_kpa(pull.temperature_c, humidity=pull.humidity, dew_point_c=pull.dew_point_c)
    return Air(pull.temperature_c, pull.pressure_kpa, vapour)


def rests_on_engine(pull: PostedPull) -> bool:
    """Whether what was corrected can be divided out only by knowing the engine."""
    standard = STANDARDS.get(pull.basis_standard or "")
    return pull.basis_factor is None and standard is not None and standard.engine_rule is not None


def divided_out(pull: PostedPull, air: Air | None, engine: Engine | None = None) -> float | None:
    """The factor by which a posted figure exceeds the observed one; None where it cannot be known."""
    if pull.basis_standard is None:
        return 1.0
    if pull.basis_factor is not None:
        return pull.basis_factor
    if air is None or pull.basis_standard not in STANDARDS:
        return None
    return STANDARDS[pull.basis_standard].factor(air, engine)


def derive_pull(pull: PostedPull, ratio: float | None, engine: Engine | None = None) -> DerivedPull:
    """Bring one pull to observed figures and say by which factor the base standard corrects them.

    The engine matters to figures posted in a standard that depends on it, without their factor.
    """
    return derive_pulls([pull], ratio, engine)[0]


def derive_pulls(
    pulls: Sequence[PostedPull], ratio: float | None, engine: Engine | None = None
) -> list[DerivedPull]:
    """What `derive_pull` gives for each of many pulls, to the last bit, their curves smoothed together."""
    airs = [air_of(pull) for pull in pulls]
    divided = [divided_out(pull, air, engine) for pull, air in zip(pulls, airs, strict=True)]
    traces = [None if pull.peaks is not None else torque_trace(pull, ratio) for pull in pulls]
    figures = observed_figures(pulls, traces, [1.0 / (factor or 1.0) for factor in divided])
    found = zip(pulls, airs, divided, traces, figures, strict=True)
    return [derived_of(*of_pull) for of_pull in found]


def derived_of(
    pull: PostedPull,
    air: Air | None,
    posted_over_observed: float | None,
    trace: Trace | None,
    figures: ObservedFigures,
) -> DerivedPull:
    """One pull's record, from what was found of it."""
    observed, grid, rpm = figures
    factor, level = level_of(pull, air, posted_over_observed)
    return DerivedPull(
        vapour_kpa=air.vapour_kpa if air else None,
        factor=factor,
        observed=observed,
        grid=grid,
        rpm_from=None if rpm is None else float(rpm[0]),
        rpm_to=None if rpm is None else float(rpm[-1]),
        samples=0 if rpm is None else len(rpm),
        lambda_mean=channel_statistic(pull, trace, "lambda", np.mean),
        map_max_kpa=channel_statistic(pull, trace, "map", np.max),
        level=level,
        trace=trace,
        channels=channels_along(pull, trace, grid),
    )


def channels_along(
    pull: PostedPull, trace: Trace | None, grid: NDArray[np.float64] | None
) -> dict[str, NDArray[np.float64]]:
    """What was recorded beside torque, on the grid, from the samples that are the pull."""
    if trace is None or grid is None:
        return {}
    beside = {name: pull.channels[name][trace.used] for name in BESIDE_TORQUE if name in pull.channels}
    if not beside:
        return {}
    return channel_grids(pull.channels["rpm"][trace.used], beside, np.isfinite(grid))


def observed_figures(
    pulls: Sequence[PostedPull], traces: Sequence[Trace | None], scales: Sequence[float]
) -> list[ObservedFigures]:
    """Peaks, grid and engine speeds of each pull after dividing out what had been corrected."""
    cleaned = {
        n: clean_trace(trace.rpm, trace.torque_nm) for n, trace in enumerate(traces) if trace is not None
    }
    curves = derive_many([(rpm, posted * scales[n]) for n, (rpm, posted) in cleaned.items()])
    found = {
        n: ObservedFigures(peaks, grid, rpm)
        for (n, (rpm, _)), (grid, peaks) in zip(cleaned.items(), curves, strict=True)
    }
    return [
        found.get(n) or ObservedFigures(kept_peaks(pull, scales[n]), None, None)
        for n, pull in enumerate(pulls)
    ]


def observed_trace(
    pull: PostedPull, ratio: float | None, engine: Engine
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What a pull's observed curve is drawn from: its cleaned samples, speed [rpm] and torque [N.m]."""
    trace = torque_trace(pull, ratio)
    rpm, posted = clean_trace(trace.rpm, trace.torque_nm)
    return rpm, posted * (1.0 / (divided_out(pull, air_of(pull), engine) or 1.0))


def kept_peaks(pull: PostedPull, scale: float) -> Peaks:
    """The peaks of a record without a curve, NaN where one was not kept."""
    nan = float("nan")
    kept = pull.peaks or PostedPeaks(None, None, None, None)
    power = nan if kept.power_kw is None else kept.power_kw * scale
    torque = nan if kept.torque_nm is None else kept.torque_nm * scale
    return Peaks(power, kept.power_rpm or nan, torque, kept.torque_rpm or nan)


def level_of(
    pull: PostedPull, air: Air | None, posted_over_observed: float | None
) -> tuple[float | None, str]:
    """(factor, level): what the observed figure is multiplied by to stand at its level, and that level.

    The factor is None where the observed figure is not known: such a figure is kept as it was posted.
    """
    if air is not None and posted_over_observed is not None:
        return correction_factor(BASE_STANDARD, air), ANY_STANDARD
    if pull.basis_standard is None:
        return 1.0, OBSERVED
    if pull.basis_standard in STANDARDS:
        return pull.basis_factor, pull.basis_standard
    return None, UNKNOWN


def channel_statistic(pull: PostedPull, trace: Trace | None, name: str, statistic: object) -> float | None:
    """A scalar of one optional channel over the pull's samples, or None where it was not recorded."""
    if name not in pull.channels or trace is None:
        return None
    return float(statistic(pull.channels[name][trace.used]))  # type: ignore[operator]


def best_of_bias(best_of: int | None) -> float:
    """How far the best of n pulls reads above their mean, in pull standard deviations."""
    return best_of_n_bias(ASSUMED_BEST_OF if best_of is None else best_of)


def best_of_shrink(best_of: int | None) -> float:
    """What the best of n pulls is multiplied by to stand for their mean, at the spread of a bay without history."""
    return 1.0 / (1.0 + best_of_bias(best_of) * PULL_SPREAD_START)


def mean_of(values: Sequence[float | None]) -> float | None:
    """Mean of what was recorded, or None where nothing was."""
    kept = [value for value in values if value is not None and value == value]
    return sum(kept) / len(kept) if kept else None


def footing(pull: DerivedPull) -> tuple[str, bool]:
    """(level, is the observed figure known?): pulls are averaged with others of the same only."""
    return pull.level, pull.factor is not None


def common_footing(pulls: Sequence[DerivedPull]) -> tuple[str, bool] | None:
    """The footing of most of the pulls, the first one's among equals; None without any."""
    counted = Counter(footing(pull) for pull in pulls)
    return counted.most_common(1)[0][0] if counted else None


def summarise_setup(posted: Sequence[PostedPull], derived: Sequence[DerivedPull]) -> SetupSummary:
    """One summary of the given pulls: those that count, the caller having left out the others.

    Pulls with a curve are used alone where there are any; peaks-only records stand in where there are none, with the
    best-of-n bias taken off. Pulls on another footing than most are left out: a corrected and an observed figure have
    no mean.
    """
    curves = [i for i, pull in enumerate(derived) if pull.grid is not None]
    use = curves or list(range(len(derived)))
    common = common_footing([derived[i] for i in use])
    use = [i for i in use if footing(derived[i]) == common]
    posted, derived = [posted[i] for i in use], [derived[i] for i in use]
    level = None if common is None else common[0]
    factors = [pull.factor or 1.0 for pull in derived]
    power = np.array([pull.observed.power_kw * f for pull, f in zip(derived, factors, strict=True)])
    torque = np.array([pull.observed.torque_nm * f for pull, f in zip(derived, factors, strict=True)])
    shrink = [1.0] * len(use)
    if not curves:
        shrink = [best_of_shrink(pull.best_of) for pull in posted]
    spread = log_spread(power if np.isfinite(power).all() else torque)
    airs_known = level == ANY_STANDARD
    return SetupSummary(
        pulls=len(use),
        best_of=None if curves or not use else mean_best_of(posted),
        level_standard=level,
        factor=mean_of([pull.factor for pull in derived]),
        temperature_c=mean_of([pull.temperature_c for pull in posted]) if airs_known else None,
        pressure_kpa=mean_of([pull.pressure_kpa for pull in posted]) if airs_known else None,
        vapour_kpa=mean_of([pull.vapour_kpa for pull in derived]) if airs_known else None,
        power_kw=mean_of((power * shrink).tolist()),
        power_rpm=mean_of([pull.observed.power_rpm for pull in derived]),
        power_best_kw=best_of_values(power),
        power_spread=relative_spread(power),
        torque_nm=mean_of((torque * shrink).tolist()),
        torque_rpm=mean_of([pull.observed.torque_rpm for pull in derived]),
        torque_best_nm=best_of_values(torque),
        torque_spread=relative_spread(torque),
        spread_ss=spread[0],
        spread_df=spread[1],
        coolant_c=mean_of([pull.coolant_c for pull in posted]),
        oil_c=mean_of([pull.oil_c for pull in posted]),
        inlet_c=mean_of([pull.inlet_c for pull in posted]),
        lambda_mean=mean_of([pull.lambda_mean for pull in derived]),
        map_max_kpa=mean_of([pull.map_max_kpa for pull in derived]),
        ramp_rpm_s=mean_of([pull.ramp_rpm_s for pull in posted]),
        grid=mean_grid([pull.grid for pull in derived], factors) if curves else None,
        channels=mean_channels(derived),
        speed_ratio=mean_of([locked_ratio(pull) for pull in derived]),
        power_slope=log_slope(power) if curves else None,
        best_of_recorded=None if curves or not use else all(pull.best_of is not None for pull in posted),
    )


def mean_channels(derived: Sequence[DerivedPull]) -> dict[str, NDArray[np.float64]]:
    """Mean of every channel along the curve, over the pulls that recorded it, where at least half of them reach."""
    names = dict.fromkeys(name for pull in derived for name in pull.channels)
    of_name = {name: [pull.channels[name] for pull in derived if name in pull.channels] for name in names}
    return {name: mean_grid(grids, [1.0] * len(grids)) for name, grids in of_name.items()}


def locked_ratio(pull: DerivedPull) -> float | None:
    """Engine speed over roller speed in the upper half of a pull, where a converter has locked and no boost surges."""
    ratios = pull.channels.get(SPEED_RATIO)
    if ratios is None:
        return None
    known = ratios[np.isfinite(ratios)]
    return float(np.median(known[known.size // 2 :])) if known.size else None


def mean_best_of(pulls: Sequence[PostedPull]) -> int:
    """Of how many pulls the peaks-only records were the best, the assumed number where unknown."""
    return round(sum(pull.best_of or ASSUMED_BEST_OF for pull in pulls) / len(pulls))


def log_spread(values: NDArray[np.float64]) -> tuple[float, int]:
    """Sum of squares of ln(values) about their mean, and its degrees of freedom."""
    kept = values[values > 0]
    if len(kept) < 2:
        return 0.0, 0
    logs = np.log(kept)
    return float(((logs - logs.mean()) ** 2).sum()), len(kept) - 1


def log_slope(values: NDArray[np.float64]) -> float | None:
    """Least-squares slope of ln(values) over their order [1 per place]; None under three values, or where one is missing:
    it would shift the places of the others."""
    if len(values) < FEWEST_FOR_SLOPE or not (values > 0).all():
        return None
    places = np.arange(len(values)) - (len(values) - 1) / 2.0
    return float(places @ np.log(values) / (places @ places))


def relative_spread(values: NDArray[np.float64]) -> float | None:
    """Standard deviation over the mean, or None below two pulls."""
    kept = values[values > 0]
    return float(kept.std(ddof=1) / kept.mean()) if len(kept) > 1 else None


def best_of_values(values: NDArray[np.float64]) -> float | None:
    """The largest recorded value."""
    kept = values[np.isfinite(values)]
    return float(kept.max()) if len(kept) else None


def mean_grid(grids: Sequence[NDArray[np.float64] | None], factors: Sequence[float]) -> NDArray[np.float64]:
    """Mean torque over pulls on the grid [N.m], where at least half of the pulls reach."""
    stack = np.array([g for g in grids if g is not None]) * np.asarray(factors)[:, None]
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    mean = np.full(len(GRID_RPM), np.nan)
    reached = (count > 0) & (2 * count >= len(stack))
    mean[reached] = total[reached] / count[reached]
    return mean
