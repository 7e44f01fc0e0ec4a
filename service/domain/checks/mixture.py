"""What the mixture says: leaner or richer than the platform's stock cars, dangerously lean, a probe that is dead.

A lambda gauge's scale does not matter here: 12.7 to 12.8 on the gasoline scale is lambda 0.86 to 0.87, whatever the
ethanol share (12.7 / 14.7, common practice, no source).
"""

from collections.abc import Iterator

import numpy as np

from service.domain.checks.along import (
    DEAD_SPREAD,
    FREE_AIR,
    along,
    dead,
    lowest,
    mean_over,
    peers,
    run_of,
    span,
    stretch_at,
    stretches,
    thirds,
)
from service.domain.checks.case import Case, Grid, Remark, StockReference
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.records import PostedSetup

PROBES = ("before-catalyst", "after-catalyst", "tailpipe")
"""Where lambda can be measured; only the first reads what the engine gives at every flow."""


def by_spark(case: Case) -> bool:
    """Whether the engine is known to be of spark ignition: a diesel's lambda at full load is another matter."""
    return case.platform is not None and case.platform.ignition == "spark"


def before_catalyst(setup: PostedSetup) -> bool:
    """Whether nobody says that lambda was measured further back."""
    return setup.lambda_probe in (None, PROBES[0])


def off_platform(case: Case, setup: PostedSetup) -> tuple[float, float] | None:
    """(lambda, how far above the platform's stock median) over the top third of the pulls."""
    if not by_spark(case) or not before_catalyst(setup):
        return None
    here = along(case, setup)
    own, above = here.live_lambda, here.above("lambda")
    bands = None if above is None else thirds(above)
    if own is None or above is None or bands is None:
        return None
    return mean_over(own, bands[2]), mean_over(above, bands[2])


@rule(
    "lambda-unlike-platform",
    "doubtful",
    "fuel or spark",
    "fuel supply (pump, filter, injector), an air meter that reads wrong, or another calibration",
    apart=Limit(0.045, 0.01, 0.3, "lambda", "how far a stock car may lie from the stock median"),
)
def lambda_unlike_platform(case: Case, limits: Limits) -> Iterator[Remark]:
    """A stock car's mixture in the top third of the pull against the platform's stock cars.

    0.03 is common practice, but where cars and gauges differ by 0.015 it would doubt 1 good car in 20: widened.
    """
    for setup in case.session.setups:
        found = off_platform(case, setup) if case.stock(setup) else None
        if found is not None and abs(found[1]) > limits["apart"]:
            yield case.remark(setup, apart_words(*found))


@rule(
    "lambda-unlike-stock",
    "note",
    "fuel or spark",
    "what is fitted, or fuel supply",
    apart=Limit(0.045, 0.01, 0.3, "lambda", "how far a changed car may lie from the stock median"),
)
def lambda_unlike_stock(case: Case, limits: Limits) -> Iterator[Remark]:
    """A changed car's mixture in the top third of the pull against the platform's stock cars."""
    for setup in case.session.setups:
        found = None if case.stock(setup) else off_platform(case, setup)
        if found is not None and abs(found[1]) > limits["apart"]:
            yield case.remark(setup, apart_words(*found))


def apart_words(own: float, apart: float) -> str:
    """How far a setup's lambda lies from the platform's."""
    side = "leaner" if apart > 0.0 else "richer"
    return (
        f"lambda is {own:.3f} in the top third, {abs(apart):.3f} {side} than this platform's stock cars: consistent "
        f"with {'fuel supply or an air leak' if apart > 0.0 else 'too much fuel or an air meter'}; check the gauge first"
    )


@rule(
    "lambda-leans-out",
    "doubtful",
    "fuel or spark",
    "fuel supply that does not keep up: pump, filter, injectors",
    trend=Limit(0.05, 0.02, 0.3, "lambda", "how much leaner the top third may be than the middle"),
)
def lambda_leans_out(case: Case, limits: Limits) -> Iterator[Remark]:
    """Mixture that grows leaner towards the limiter, beyond what the platform's stock cars do where that is known."""
    for setup in case.session.setups if by_spark(case) else ():
        here = along(case, setup)
        own = here.live_lambda
        trend = None if own is None else leaning(own)
        if own is None or trend is None or trend <= limits["trend"]:
            continue
        usual = here.usual("lambda")
        stock = None if usual is None else leaning(np.where(np.isfinite(own), usual, np.nan))
        if trend - max(stock or 0.0, 0.0) > limits["trend"]:
            yield case.remark(
                setup,
                f"lambda grows {trend:.3f} leaner from the middle third to the top one (limit {limits['trend']:g}"
                f"{'' if stock is None else f', stock cars {stock:+.3f}'}): consistent with fuel supply; look at fuel "
                "pressure before the next pull",
            )


def leaning(values: Grid) -> float | None:
    """How much leaner the top third is than the middle one."""
    bands = thirds(values)
    return None if bands is None else mean_over(values, bands[2]) - mean_over(values, bands[1])


@rule(
    "lean-at-full-load",
    "doubtful",
    "fuel or spark",
    "a mixture that can harm the engine",
    lean=Limit(0.95, 0.85, 1.2, "lambda", "leanest mixture of a boosted spark-ignition engine at full load"),
    width=Limit(500.0, 100.0, 3000.0, "rpm", "over how much of the upper half of the pull"),
    apart=Limit(0.03, 0.0, 0.3, "lambda", "how much leaner than the platform's stock cars, where known"),
)
def lean_at_full_load(case: Case, limits: Limits) -> Iterator[Remark]:
    """A boosted spark-ignition engine that runs lean at full load.

    Also of a car that is not stock; platforms that run at 1 by design are no fault.
    """
    if not by_spark(case) or case.platform is None or not case.platform.engine.is_boosted:
        return
    reference = peers(case)
    for one in case.pulls():
        values = one.figures.channels.get("lambda")
        found = None if values is None else leanest(values, reference, limits)
        if values is not None and found is not None and not dead(values, DEAD_SPREAD, FREE_AIR):
            where, lean = found
            yield one.remark(
                f"stop and check: lambda is {lean:.2f} from {span(where)} at full load under boost (limit "
                f"{limits['lean']:g}); look at the gauge, fuel pressure and fuel before another pull",
                "/curve/lambda",
            )


def leanest(values: Grid, reference: StockReference | None, limits: Limits) -> tuple[slice, float] | None:
    """The leanest stretch in the upper half of a pull, and its lambda; None where it is not lean."""
    if not np.fmax.reduce(values) > limits["lean"]:
        return None
    known = np.flatnonzero(np.isfinite(values))
    middle = (known[0] + known[-1]) // 2 if known.size else 0
    if not (values[middle:] > limits["lean"]).any():
        return None
    upper = values.copy()
    upper[:middle] = np.nan
    means = stretches(upper, limits["width"])
    at = lowest(-means)
    if at is None or means[at] <= limits["lean"]:
        return None
    where = stretch_at(at, limits["width"])
    usual = None if reference is None else reference.channels.get("lambda")
    stock = np.nan if usual is None else mean_over(usual, where)
    return None if means[at] <= stock + limits["apart"] else (where, float(means[at]))


@rule(
    "rich",
    "note",
    "fuel or spark",
    "too much fuel: some 3 % of power is lost at lambda 0.75 and 8 % at 0.70",
    rich=Limit(0.75, 0.6, 0.9, "lambda", "richest mixture of a spark-ignition engine that wants no word"),
    width=Limit(500.0, 100.0, 3000.0, "rpm", "over how much of the pull"),
)
def rich(case: Case, limits: Limits) -> Iterator[Remark]:
    """Mixture so rich that it costs power."""
    for setup in case.session.setups if by_spark(case) else ():
        own = along(case, setup).live_lambda
        where = None if own is None else run_of(own < limits["rich"], limits["width"])
        if own is not None and where is not None:
            words = (
                f"lambda is {mean_over(own, where):.3f} from {span(where)}, richer than {limits['rich']:g}"
            )
            yield case.remark(
                setup, f"{words}: consistent with lost power; lean it only with the knock in view"
            )


@rule(
    "lambda-dead",
    "doubtful",
    "fuel or spark",
    "a dead or unplugged probe, a probe in free air, or rows of the overrun",
    spread=Limit(DEAD_SPREAD, 0.0, 0.05, "lambda", "a living probe's reading spreads by more over a pull"),
    free_air=Limit(FREE_AIR, 1.5, 9.0, "lambda", "what only free air reads"),
)
def lambda_dead(case: Case, limits: Limits) -> Iterator[Remark]:
    """A lambda channel that says nothing."""
    for one in case.pulls():
        values = one.figures.channels.get("lambda")
        why = None if values is None else dead(values, limits["spread"], limits["free_air"])
        if why is not None:
            yield one.remark(
                f"lambda {why}: see whether the probe is in, heated and plugged", "/curve/lambda"
            )


@rule(
    "lambda-not-before-catalyst",
    "note",
    "fuel or spark",
    "a probe behind the catalyst or at the tailpipe",
)
def lambda_not_before_catalyst(case: Case, _: Limits) -> Iterator[Remark]:
    """Lambda measured behind the catalyst or at the tailpipe."""
    for setup in case.session.setups:
        if before_catalyst(setup) or not any("lambda" in one.figures.channels for one in case.pulls(setup)):
            continue
        place = "behind the catalyst" if setup.lambda_probe == PROBES[1] else "at the tailpipe"
        words = (
            f"lambda was measured {place}: it reads lean at low flow, and is not compared with the platform's"
        )
        yield case.remark(setup, words, "/lambda_probe")


@rule(
    "ethanol-unlike",
    "note",
    "fuel or spark",
    "the fuel, not a part",
    apart=Limit(0.10, 0.02, 0.9, "share", "how far the ethanol share lies from this platform's usual"),
    right=Limit(0.03, 0.01, 0.2, "lambda", "how near lambda lies to the stock median to be right"),
    spark=Limit(1.0, 0.2, 20.0, "°", "how much more spark than the stock median"),
)
def ethanol_unlike(case: Case, limits: Limits) -> Iterator[Remark]:
    """Another ethanol share than the platform's usual, its mixture right and its spark higher."""
    reference = peers(case)
    if reference is None or reference.ethanol is None:
        return
    for setup in case.session.setups:
        if setup.ethanol is None or abs(setup.ethanol - reference.ethanol) <= limits["apart"]:
            continue
        above, mixture = along(case, setup).above("spark"), off_platform(case, setup)
        bands = None if above is None else thirds(above)
        if above is None or bands is None or mixture is None:
            continue
        more = mean_over(above, bands[2])
        if abs(mixture[1]) <= limits["right"] and more >= limits["spark"]:
            yield case.remark(
                setup,
                f"{setup.ethanol:.0%} ethanol where {reference.ethanol:.0%} is usual for this platform, lambda right and "
                f"{more:.1f}° more spark: consistent with the fuel, not with a part",
                "/fuel/ethanol",
            )
