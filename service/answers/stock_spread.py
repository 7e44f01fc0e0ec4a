"""Where stock cars of a platform lie, one value a car, and where one more value lands among them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.answers.cache import Kept
from service.answers.cautions import DIESEL, NO_PROMISE, NOT_A_VERDICT, is_spark_form, plural
from service.answers.figures import level_ratio, stored_figure
from service.domain.correction import STANDARDS
from service.domain.engine import Engine
from service.domain.measures import Measure
from service.stats.spread import MIN_FOR_PERCENTILE, Spread, describe, percentile_of
from service.store import evidence
from service.store.curves import curves_of_setups
from service.store.db import Connection

CHECKED = {
    "verified": ("verified",),
    "declared": ("verified", "declared"),
    "any": ("verified", "declared", "unknown"),
}
"""Which grades of 'is it stock?' count: by us, also by the owner, also unknown (common practice, no source)."""
FEW_CARS = 8
"""Below this a distribution has no shape worth drawing (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StockAsked:
    """How the question is put; `value` is a car's own figure [kW or N.m]."""

    measure: Measure
    standard: str
    level: float
    value: float | None
    checked: str


@dataclass(frozen=True, slots=True)
class StockCar:
    """One car's value [kW or N.m]: the mean of its stock setups, with its newest session."""

    vehicle: str
    session: UUID
    value: float
    setups: int
    percentile: float | None


@dataclass(frozen=True, slots=True)
class Placed:
    """Where one value lands: percentile and interval [0..100] (None under ten cars), and what that means."""

    value: float
    percentile: float | None
    interval: tuple[float, float] | None
    reading: str


@dataclass(frozen=True, slots=True)
class StockSpread:
    """The answer, in SI."""

    asked: StockAsked
    spread: Spread | None
    cars: tuple[StockCar, ...]
    placed: Placed | None
    checked: Mapping[str, int]
    left_out: Mapping[str, int]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StockCars:
    """A platform's stock cars at one measure and standard, and what was left out: all that no level changes."""

    cars: tuple[StockCar, ...]
    checked: Mapping[str, int]
    left_out: Mapping[str, int]
    peaks_only: int


LARGEST_KEPT = 2000
"""Platforms with more stock cars than this are read anew each time, so that memory stays small (our choice)."""


def stock_spread(
    conn: Connection, question: evidence.StockQuestion, asked: StockAsked, kept: Kept[object]
) -> StockSpread:
    """Answer where this platform's stock cars lie; what was read for another question on them is in `kept`."""
    stock = stock_cars_once(conn, question, asked, kept)
    values = [car.value for car in stock.cars]
    return StockSpread(
        asked=asked,
        spread=describe(values, asked.level) if values else None,
        cars=stock.cars,
        placed=None if asked.value is None or not values else placed(asked.value, values, asked.level),
        checked=stock.checked,
        left_out=stock.left_out,
        cautions=tuple(cautions(question, asked, len(stock.cars), stock.left_out, stock.peaks_only)),
    )


def stock_cars_once(
    conn: Connection, question: evidence.StockQuestion, asked: StockAsked, kept: Kept[object]
) -> StockCars:
    """The stock cars, read once for each version of their evidence."""
    key = ("stock", question.platform_id, question.version, asked.measure, asked.standard, asked.checked)

    def small(stock: object) -> bool:
        return isinstance(stock, StockCars) and len(stock.cars) <= LARGEST_KEPT

    found = kept.get_or_make(key, lambda: stock_cars(conn, question, asked), small)
    assert isinstance(found, StockCars)
    return found


def stock_cars(conn: Connection, question: evidence.StockQuestion, asked: StockAsked) -> StockCars:
    """Read the stock setups of a platform and take one value a car."""
    rows = evidence.stock_setups(conn, question.platform_id)
    curves = {} if asked.measure.is_peak else curves_of_setups(conn, [row.setup_id for row in rows])
    figures, left_out = usable_figures(rows, asked, question.engine, curves)
    peaks_only = sum(row.best_of is not None for row, _ in figures)
    return StockCars(cars_of(figures), checked_counts(figures), left_out, peaks_only)


def usable_figures(
    rows: Sequence[evidence.StockRow],
    asked: StockAsked,
    engine: Engine,
    curves: Mapping[int, NDArray[np.float64]],
) -> tuple[list[tuple[evidence.StockRow, float]], dict[str, int]]:
    """Each usable setup with its figure at the asked standard, and how many setups were left out, by reason."""
    figures: list[tuple[evidence.StockRow, float]] = []
    left_out: dict[str, int] = {}
    for row in rows:
        reason, value = figure_of(row, asked, engine, curves)
        if value is None:
            left_out[reason] = left_out.get(reason, 0) + 1
        else:
            figures.append((row, value))
    return figures, left_out


def figure_of(
    row: evidence.StockRow,
    asked: StockAsked,
    engine: Engine,
    curves: Mapping[int, NDArray[np.float64]],
) -> tuple[str, float | None]:
    """(why not, figure) of one setup."""
    if row.stock_checked not in CHECKED[asked.checked]:
        return "not checked to be stock", None
    if row.doubts:
        return "doubts stand against the pulls, not confirmed", None
    ratio = level_ratio(row, asked.standard, engine)
    if ratio is None:
        return f"the air was not recorded, so not known in {STANDARDS[asked.standard].name}", None
    stored = stored_figure(row, asked.measure, curves)
    return "without this measure", None if stored is None else stored * ratio


def cars_of(figures: Sequence[tuple[evidence.StockRow, float]]) -> tuple[StockCar, ...]:
    """One value a car, the geometric mean of its setups, lowest first."""
    by_car: dict[str, list[tuple[evidence.StockRow, float]]] = {}
    for row, value in figures:
        by_car.setdefault(row.vehicle, []).append((row, value))
    means = {tag: math.exp(sum(math.log(v) for _, v in own) / len(own)) for tag, own in by_car.items()}
    values = list(means.values())
    cars = [
        StockCar(tag, own[-1][0].session, means[tag], len(own), percentile(means[tag], values))
        for tag, own in by_car.items()
    ]
    return tuple(sorted(cars, key=lambda car: (car.value, car.vehicle)))


def percentile(value: float, values: Sequence[float]) -> float | None:
    """A car's own place among the cars [0..100]; None under ten."""
    found = percentile_of(value, values)
    return None if found is None else found[0]


def placed(value: float, values: Sequence[float], level: float) -> Placed:
    """Where a value lands, and the sentence for it."""
    found = percentile_of(value, values, level)
    below = sum(v < value for v in values)
    if found is None:
        few = f"{len(values)} car{plural(len(values))} measured here: too few for a percentile"
        return Placed(value, None, None, f"above {below} of the {few}")
    share, low, high = found
    tenths = round(10 * below / len(values))
    words = (
        f"above {tenths} of 10 stock cars of this kind" if 0 < tenths < 10 else edge_words(below, len(values))
    )
    reading = (
        f"{words}; {level:.0%} sure: among all such cars from percentile {low:.0f} to {high:.0f}, by the "
        f"{len(values)} cars measured and not counting the noise of this reading itself"
    )
    return Placed(value, share, (low, high), reading)


def edge_words(below: int, cars: int) -> str:
    """The words at either end, where tenths would say too much."""
    if below == 0:
        return f"below all {cars} stock cars measured here"
    if below == cars:
        return f"above all {cars} stock cars measured here"
    return f"above {below} of {cars} stock cars of this kind"


def checked_counts(figures: Sequence[tuple[evidence.StockRow, float]]) -> dict[str, int]:
    """How many of the used setups were verified, declared or unknown to be stock."""
    counts = dict.fromkeys(("verified", "declared", "unknown"), 0)
    for row, _ in figures:
        counts[row.stock_checked] += 1
    return counts


def cautions(
    question: evidence.StockQuestion,
    asked: StockAsked,
    cars: int,
    left_out: Mapping[str, int],
    peaks_only: int,
) -> list[str]:
    """What must be said beside the distribution."""
    said = []
    if cars == 0:
        said.append(f"Not measured: the ledger holds no usable stock {question.name}. No number is given.")
    elif cars < FEW_CARS:
        said.append(f"Only {cars} car{plural(cars)}: too few for the shape of a distribution.")
    if 0 < cars < MIN_FOR_PERCENTILE:
        said.append("Under ten cars no percentile is given.")
    said += [
        f"{setups} setup{plural(setups)} left out: {reason}." for reason, setups in sorted(left_out.items())
    ]
    if question.aspiration != "natural" and asked.standard != "none":
        said.append(
            "Boosted engine: its boost control makes up for thin air in part, so correction overstates its power in "
            "thin air."
        )
    if is_spark_form(question.ignition, asked.standard):
        said.append(DIESEL)
    if peaks_only:
        said.append(
            f"{peaks_only} setup{plural(peaks_only)} have peak figures only, each read as one best pull."
        )
    return [
        *said,
        "The bays are not levelled against each other yet: two bays can read a few percent apart.",
        NOT_A_VERDICT,
        NO_PROMISE,
    ]
