"""Where stock cars of a platform lie, one value a car, and where one more value lands among them."""

import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.answers.cache import Kept
from service.answers.cautions import (
    BOOSTED,
    DIESEL,
    NO_PROMISE,
    behind_caution,
    is_spark_form,
    plural,
)
from service.answers.figures import stored_figure
from service.answers.measured import solved_for
from service.answers.model import ModelState
from service.answers.stock_places import (
    LevelledCar,
    PlacesAmong,
    StockCar,
    about_levels,
    levelled,
    places_among,
)
from service.domain.correction import STANDARDS
from service.domain.engine import Engine
from service.domain.history import day_number
from service.domain.levels import level_ratio
from service.domain.measures import Measure
from service.domain.review_words import NOT_A_VERDICT
from service.stats.history.place import Place, Places, Sides, sides_by
from service.stats.spread import MIN_FOR_PERCENTILE, Spread, at_level, describe, percentile_of
from service.store import evidence
from service.store.curves import curves_of_setups
from service.store.db import Connection

CHECKED = {
    "verified": ("verified",),
    "declared": ("verified", "declared"),
    "any": ("verified", "declared", "unknown"),
}
"""Which grades of 'is it stock?' count: by us, also by the owner, also unknown (common practice, no source)."""
AS_READ = (
    "As the bays read, not levelled against each other: two bays can read a few percent apart, and that is still in these "
    "values; no car is placed."
)
FAR_OUTSIDE = 1.2
"""Beyond the weakest and the strongest car by this factor a value is asked after (our choice)."""
FEW_CARS = 8
"""Below this a distribution has no shape worth drawing (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class StockAsked:
    """How the question is put; `value` is a car's own figure [kW or N.m]; `raw`: as the bays read, not levelled."""

    measure: Measure
    standard: str
    level: float
    value: float | None
    checked: str
    raw: bool = False


@dataclass(frozen=True, slots=True)
class Placed:
    """Where one value lands: percentile and interval [0..100] (None under ten cars), and what that means; as one reading
    with its noise, None without the model."""

    value: float
    percentile: float | None
    interval: tuple[float, float] | None
    reading: str
    as_one_reading: Place | None


@dataclass(frozen=True, slots=True)
class StockSpread:
    """The answer, in SI; `as_read`: the same cars with their bays' offsets left in; `places`: of the cars, in their
    order; `levelled`: the values stand at the common level of the bays; `sides`: how the cars divide about the average
    with the noise of their readings, None without places."""

    asked: StockAsked
    spread: Spread | None
    as_read: Spread | None
    cars: tuple[LevelledCar, ...]
    places: Places | None
    placed: Placed | None
    sides: Sides | None
    levelled: bool
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


CAR_KB = 0.7
"""What a stock car takes in memory, as read or levelled (measured)."""


def stock_spread(
    conn: Connection,
    question: evidence.StockQuestion,
    asked: StockAsked,
    kept: Kept,
    state: ModelState | None,
) -> StockSpread:
    """Answer where this platform's stock cars lie; what was read for another question on them is in `kept`."""
    stock = stock_cars_once(conn, question, asked, kept)
    known = levelled_once(conn, question, asked, stock, kept, None if asked.raw else state)
    level, cars = asked.level, known.cars
    places = known.places.of_cars(level) if known.places else None
    return StockSpread(
        asked=asked,
        spread=at_level(known.spread, level) if known.spread else None,
        as_read=at_level(known.as_read, level) if known.as_read else None,
        cars=cars,
        places=places,
        placed=None if asked.value is None or not cars else placed(asked.value, cars, level, known.places),
        sides=None if places is None else sides_by(places.chance_above, level),
        levelled=state is not None and not asked.raw,
        checked=stock.checked,
        left_out=stock.left_out,
        cautions=tuple(cautions(question, asked, known, stock, state)),
    )


@dataclass(frozen=True, slots=True)
class LevelledCars:
    """The stock cars at the common level of the bays, lowest first, how they lie and as they read, what places them, and
    what must be said of their levels: all that the level of the intervals does not change."""

    cars: tuple[LevelledCar, ...]
    spread: Spread | None
    as_read: Spread | None
    places: PlacesAmong | None
    about_levels: tuple[str, ...]


def levelled_once(
    conn: Connection,
    question: evidence.StockQuestion,
    asked: StockAsked,
    stock: StockCars,
    kept: Kept,
    state: ModelState | None,
) -> LevelledCars:
    """The levelled cars, worked out once for each version of their evidence and state of the model."""

    def made() -> LevelledCars:
        cars, places = levelled(stock.cars, state), None
        if state is not None and cars:
            solved = solved_for(conn, state, asked.measure, asked.standard)
            places = places_among(cars, solved, state, question.platform_id)
        return LevelledCars(
            cars=cars,
            spread=describe([car.value for car in cars]) if cars else None,
            as_read=describe([car.raw for car in cars]) if cars else None,
            places=places,
            about_levels=tuple(about_levels(cars, state)),
        )

    of_the_model = None if state is None else state.version
    key = ("levelled", *stock_key(question, asked), of_the_model)
    return kept.get_or_make(key, made, lambda _: kb_of(stock))


def stock_cars_once(
    conn: Connection, question: evidence.StockQuestion, asked: StockAsked, kept: Kept
) -> StockCars:
    """The stock cars, read once for each version of their evidence."""
    key = ("stock", *stock_key(question, asked))
    return kept.get_or_make(key, lambda: stock_cars(conn, question, asked), kb_of)


def stock_key(question: evidence.StockQuestion, asked: StockAsked) -> tuple[Hashable, ...]:
    """What a platform's stock cars in one measure and standard rest on."""
    return (question.platform_id, question.version, asked.measure, asked.standard, asked.checked)


def kb_of(stock: StockCars) -> float:
    """What keeping a platform's stock cars takes [kB]."""
    return CAR_KB * (1 + len(stock.cars))


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
    cars = [
        StockCar(
            vehicle_id=own[-1][0].vehicle_id,
            vehicle=tag,
            session=own[-1][0].session,
            value=math.exp(sum(math.log(value) for _, value in own) / len(own)),
            readings=tuple((row.bay_id, day_number(row.started_at)) for row, _ in own),
        )
        for tag, own in by_car.items()
    ]
    return tuple(sorted(cars, key=lambda car: (car.value, car.vehicle)))


def placed(value: float, cars: Sequence[LevelledCar], level: float, places: PlacesAmong | None) -> Placed:
    """Where a value lands, and the sentence for it."""
    values = [car.value for car in cars]
    found = percentile_of(value, values, level)
    reading = None if places is None else places.of_one_reading(value, level)
    below = sum(v < value for v in values)
    if found is None:
        few = f"{len(values)} car{plural(len(values))} measured here: too few for a percentile"
        return Placed(value, None, None, f"above {below} of the {few}", None)
    share, low, high = found
    tenths = round(10 * below / len(values))
    words = (
        f"above {tenths} of 10 stock cars of this kind" if 0 < tenths < 10 else edge_words(below, len(values))
    )
    among = f"{words}; {level:.0%} sure: {in_100_words(below, len(values), low, high)} such cars read less"
    if reading is not None:
        ends = " to ".join(f"{round(end, 1):.0f}" for end in reading.interval)
        among = (
            f"{among}. One reading in a bay that is not named is less sure than that: with its noise counted, the car "
            f"itself stands above {ends} in 100"
        )
    return Placed(value, share, (low, high), among, reading)


def in_100_words(below: int, cars: int, low: float, high: float) -> str:
    """A percentile's interval, where an end is no end only its other one."""
    if below == 0:
        return f"at most {math.ceil(high)} in 100"
    return f"at least {math.floor(low)} in 100" if below == cars else f"{low:.0f} to {high:.0f} in 100"


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


def is_near(value: float, cars: Sequence[LevelledCar]) -> bool:
    """Whether a value can be a stock car of this kind: kW read as hp, a third apart, is not."""
    return cars[0].value / FAR_OUTSIDE <= value <= cars[-1].value * FAR_OUTSIDE


def cautions(
    question: evidence.StockQuestion,
    asked: StockAsked,
    known: LevelledCars,
    stock: StockCars,
    state: ModelState | None,
) -> Iterator[str]:
    """What must be said beside the distribution."""
    cars = known.cars
    if not cars:
        yield f"Not measured: the ledger holds no usable stock {question.name}. No number is given."
    elif len(cars) < FEW_CARS:
        yield f"Only {len(cars)} car{plural(len(cars))}: too few for the shape of a distribution."
    if asked.value is not None and cars and not is_near(asked.value, cars):
        yield "The value typed lies far outside all cars of this kind: check the value and its units."
    if 0 < len(cars) < MIN_FOR_PERCENTILE:
        yield "Under ten cars no percentile is given."
    for reason, setups in sorted(stock.left_out.items()):
        yield f"{setups} setup{plural(setups)} left out: {reason}."
    yield from behind_caution(state)
    if question.aspiration != "natural" and asked.standard != "none":
        yield f"{BOOSTED}."
    if is_spark_form(question.ignition, asked.standard):
        yield DIESEL
    if stock.peaks_only:
        yield peaks_only(stock.peaks_only)
    if asked.raw:
        yield AS_READ
    else:
        yield from known.about_levels
    yield NOT_A_VERDICT
    yield NO_PROMISE


def peaks_only(setups: int) -> str:
    """What is read of setups without a curve."""
    if setups == 1:
        return "1 setup has peak figures only; they are read as one best pull."
    return f"{setups} setups have peak figures only; each is read as one best pull."
