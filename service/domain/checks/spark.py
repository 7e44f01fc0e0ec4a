"""What spark says: less of it where torque is missing, the same place or another in every pull, and cuts."""

from collections.abc import Iterator, Sequence

import numpy as np

from service.domain.checks.along import (
    Along,
    along,
    log_torque,
    lowest,
    mean_over,
    shape,
    span,
    stretch_at,
    stretches,
)
from service.domain.checks.case import Case, Grid, PullCase, Remark, once_a_setup
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.curve import GRID_RPM
from service.domain.derive import footing
from service.domain.records import PostedPull
from service.domain.trace import CUT_RPM, CUT_SHARE, Trace

LEAST_PULLS = 3
"""Fewer pulls in one state have no mean that a single one can be held against (our choice)."""
BELOW_STOCK = Limit(
    3.0, 0.5, 20.0, "°", "how much less spark than the stock cars' median: good cars differ by a degree"
)


@rule(
    "spark-low",
    "doubtful",
    "fuel or spark",
    "knock control at work: fuel, heat, carbon, or low octane learned",
    lower=Limit(2.0, 0.5, 20.0, "°", "how much less spark than the other pulls"),
    below_stock=BELOW_STOCK,
    width=Limit(500.0, 100.0, 3000.0, "rpm", "over how much of the pull, on the mean"),
    loss=Limit(0.01, 0.0, 0.2, "share", "torque that is missing there"),
    spreads=Limit(2.0, 0.0, 10.0, "pull spreads", "and at least this much of it"),
)
def spark_low(case: Case, limits: Limits) -> Iterator[Remark]:
    """Less spark and less torque in one place than the other pulls in this state, or than the stock cars, have.

    2° below the stock median would doubt 1 good car in 100 where good cars' spark differs by a degree: widened there.
    """
    for pulls in states(case):
        yield from low_in_one(case, pulls, limits)
    for setup in case.session.setups:
        if case.stock(setup):
            yield from low_against_stock(case, along(case, setup), limits)


def states(case: Case) -> Iterator[list[PullCase]]:
    """Pulls of one state of the car with spark recorded, where there are enough to compare."""
    found: dict[frozenset[str], list[PullCase]] = {}
    for one in case.pulls():
        if "spark" in one.figures.channels and one.figures.grid is not None:
            found.setdefault(frozenset(part.slug for part in one.setup.parts), []).append(one)
    for pulls in found.values():
        if len(pulls) >= LEAST_PULLS and len({footing(one.figures) for one in pulls}) == 1:
            yield pulls


def low_in_one(case: Case, pulls: Sequence[PullCase], limits: Limits) -> Iterator[Remark]:
    """Each pull of a state against the mean of the others."""
    spark = above_others([one.figures.channels["spark"] for one in pulls])
    if not (spark <= -limits["lower"]).any():
        return
    logs = [log_torque(one) for one in pulls]
    torque = above_others([log for log in logs if log is not None])
    for one, own, own_torque in zip(pulls, spark, torque, strict=True):
        at = least(own, limits["lower"], limits["width"])
        if at is None:
            continue
        where = stretch_at(at, limits["width"])
        missing = -mean_over(own_torque, where)
        if missing >= loss_limit(case, limits):
            words = low_words(-mean_over(own, where), missing, where, "the other pulls in this state")
            yield one.remark(words, "/curve/spark")


def above_others(grids: Sequence[Grid]) -> Grid:
    """Each grid less the mean of the others, shape [grids, 231]."""
    stack = np.stack(grids)
    return np.asarray((stack - stack.mean(axis=0)) * (len(grids) / (len(grids) - 1)))


def low_against_stock(case: Case, here: Along, limits: Limits) -> Iterator[Remark]:
    """A stock car's spark against the platform's, and its torque there against its own level."""
    above = here.above("spark")
    at = None if above is None else least(above, limits["below_stock"], limits["width"])
    if above is None or at is None or here.residual is None:
        return
    where = stretch_at(at, limits["width"])
    missing = -mean_over(shape(here.residual), where)
    if missing >= loss_limit(case, limits):
        words = low_words(-mean_over(above, where), missing, where, "this platform's stock cars")
        yield case.remark(here.setup, words)


def least(difference: Grid, lower: float, width_rpm: float) -> int | None:
    """The stretch over which spark is lowest, by its first knot; None where it is not low."""
    if not (difference <= -lower).any():
        return None
    means = stretches(difference, width_rpm)
    at = lowest(means)
    return at if at is not None and means[at] <= -lower else None


def loss_limit(case: Case, limits: Limits) -> float:
    """The loss of torque that this bay's spread does not explain."""
    return max(limits["loss"], limits["spreads"] * case.around.pull_spread)


def low_words(lower: float, missing: float, where: slice, than: str) -> str:
    """How much less spark and torque, and where."""
    return (
        f"{lower:.1f}° less spark and {missing:.1%} less torque than {than} from {span(where)}: consistent with knock "
        "control; check inlet temperature and fuel before the engine"
    )


@rule(
    "spark-low-same-place",
    "note",
    "fuel or spark",
    "the calibration, or a zone where the engine resonates",
    lower=Limit(2.0, 0.5, 20.0, "°", "how much knock retard"),
    below_stock=BELOW_STOCK,
    width=Limit(500.0, 100.0, 3000.0, "rpm", "over how much of the pull, on the mean"),
    apart=Limit(500.0, 100.0, 3000.0, "rpm", "how far the places may lie apart to be one"),
)
def spark_low_same_place(case: Case, limits: Limits) -> Iterator[Remark]:
    """Spark taken out at one place in every pull of a setup."""
    for setup in case.session.setups:
        here = along(case, setup)
        places = low_places(here, limits)
        if (
            len(places) >= 2
            and len(places) == len(here.pulls)
            and max(places) - min(places) <= limits["apart"]
        ):
            yield case.remark(
                setup,
                f"spark is taken out near {np.mean(places):.0f} rpm in each of "
                f"{len(places)} pulls: consistent with the calibration or a resonance rather than marginal fuel",
            )


@rule(
    "spark-low-wanders",
    "note",
    "fuel or spark",
    "marginal fuel, or heat",
    lower=Limit(2.0, 0.5, 20.0, "°", "how much knock retard"),
    below_stock=BELOW_STOCK,
    width=Limit(500.0, 100.0, 3000.0, "rpm", "over how much of the pull, on the mean"),
    apart=Limit(500.0, 100.0, 3000.0, "rpm", "how far the places may lie apart to be one"),
)
def spark_low_wanders(case: Case, limits: Limits) -> Iterator[Remark]:
    """Spark taken out at another place from pull to pull of a setup."""
    for setup in case.session.setups:
        places = low_places(along(case, setup), limits)
        if len(places) >= 2 and max(places) - min(places) > limits["apart"]:
            where = ", ".join(f"{place:.0f}" for place in places)
            yield case.remark(
                setup,
                f"spark is taken out near {where} rpm, another place from pull to pull: "
                "consistent with marginal fuel or heat; check octane and inlet temperature",
            )


def low_places(here: Along, limits: Limits) -> list[float]:
    """Middle of the stretch of each pull where most spark is missing [rpm], of those where enough is.

    By knock retard where it was recorded, else against the platform's stock cars.
    """
    places: list[float] = []
    for one in here.pulls:
        retard, spark = one.figures.channels.get("knock_retard"), one.figures.channels.get("spark")
        at = None
        if retard is not None:
            at = least(-retard, limits["lower"], limits["width"])
        elif spark is not None:
            usual = here.usual("spark")
            at = None if usual is None else least(spark - usual, limits["below_stock"], limits["width"])
        if at is not None:
            places.append(float(GRID_RPM[stretch_at(at, limits["width"])].mean()))
    return places


TOP_OF_PULL = 0.97
"""A trace whose speed goes no further beyond its pull than this share did not run on (our choice)."""


@rule("cut", "note", "fuel or spark", "a fuel or spark cut, or the limiter")
def cut(case: Case, _: Limits) -> Iterator[Remark]:
    """Power that is cut at the top of a pull, so that the curve ends there.

    What a cut is, the trace rule says (`service.domain.trace`): one bad sample is a spike there, and a dip is none.
    """
    yield from once_a_setup(
        one.remark(
            f"power falls by over {CUT_SHARE:.0%} within {CUT_RPM:g} rpm beyond {one.figures.rpm_to:.0f} rpm and does not "
            "come back higher up: consistent with a fuel or spark cut or the limiter; the curve is good up to there, and the "
            f"{one.figures.trace.left_out['cut']} samples after it are left out",
            "/curve",
        )
        for one in case.pulls()
        if one.figures.trace is not None
        and one.figures.trace.left_out.get("cut", 0) > 0
        and not lifted_off(one.pull, one.figures.trace)
    )


def lifted_off(pull: PostedPull, trace: Trace) -> bool:
    """Whether power went because the pull was over: it stays away, and the recorded trace goes on with coasting down."""
    if not trace.left_out.get("after the pull", 0) or not trace.used.size:
        return False
    rpm, top = pull.channels["rpm"], int(trace.used[trace.rpm.argmax()])
    if rpm[top + 1 :].max(initial=0.0) > rpm[top] / TOP_OF_PULL:
        return False
    torque = load(pull)
    low = torque[top + 1 :] < (1.0 - CUT_SHARE) * torque[top]
    return not low.any() or bool(low[int(low.argmax()) :].all())


def load(pull: PostedPull) -> Grid:
    """What is proportional to torque, by what was posted."""
    channels = pull.channels
    torque = channels.get("torque", channels.get("axle_torque"))
    return channels["power"] / np.maximum(channels["rpm"], 1.0) if torque is None else torque
