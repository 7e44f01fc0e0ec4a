"""What a platform's stock cars read so far: the company that a posted car is held against."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.checks.case import StockReference
from service.domain.curve import GRID_RPM

Grid = NDArray[np.float64]

FEWEST_CARS: Final = 3
"""A median over fewer cars than this says little (our choice)."""
MAD_TO_SD: Final = 1.4826
"""A normal distribution's standard deviation over its median absolute deviation (Iglewicz & Hoaglin 1993)."""


@dataclass(frozen=True, slots=True)
class StockSetup:
    """One setup of a stock car: corrected peak power [kW] and its speed [rpm], curves on GRID_RPM."""

    vehicle_id: int
    power_kw: float
    power_rpm: float
    gear: int | None
    speed_ratio: float | None
    ethanol: float | None
    torque_nm: Grid | None
    channels: Mapping[str, Grid] = field(default_factory=dict)


def stock_reference(setups: Sequence[StockSetup]) -> StockReference | None:
    """Medians over one setup a car, the first of each in the order given; None below FEWEST_CARS cars."""
    of_car: dict[int, StockSetup] = {}
    for setup in setups:
        of_car.setdefault(setup.vehicle_id, setup)
    cars = list(of_car.values())
    if len(cars) < FEWEST_CARS:
        return None
    return StockReference(
        cars=len(cars),
        power_kw=median(car.power_kw for car in cars),
        power_rpm=median(car.power_rpm for car in cars),
        power_sd=robust_spread([car.power_kw for car in cars]),
        torque_nm=median_curve([car.torque_nm for car in cars if car.torque_nm is not None]),
        channels=ChannelMedians([car.channels for car in cars]),
        speed_ratio=ratios_by_gear(cars),
        ethanol=median_known([car.ethanol for car in cars]),
    )


class ChannelMedians(Mapping[str, Grid]):
    """The median of each channel over some cars, made when a check first asks for it: a post has few of them."""

    def __init__(self, cars: Sequence[Mapping[str, Grid]]) -> None:
        self._cars = cars
        self._names = dict.fromkeys(name for channels in cars for name in channels)
        self._made: dict[str, Grid] = {}

    def __getitem__(self, name: str) -> Grid:
        if name not in self._names:
            raise KeyError(name)
        if name not in self._made:
            self._made[name] = median_curve([channels[name] for channels in self._cars if name in channels])
        return self._made[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def robust_spread(values: Sequence[float]) -> float:
    """Relative spread, from the median absolute deviation of the logarithms."""
    logs = np.log(values).tolist()
    middle = median(logs)
    return MAD_TO_SD * float(median(abs(log - middle) for log in logs))


def median_curve(curves: Sequence[Grid]) -> Grid:
    """Median at every knot, NaN where fewer than FEWEST_CARS curves reach. One sort: NaN sorts last."""
    if not curves:
        return np.full(GRID_RPM.size, np.nan)
    stack = np.array(curves)  # a third of the time of `np.stack`
    stack.sort(axis=0)
    count = np.isfinite(stack).sum(axis=0)
    knots = np.arange(GRID_RPM.size)
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    middle: Grid = (stack[low, knots] + stack[np.minimum(high, len(stack) - 1), knots]) / 2.0
    middle[count < FEWEST_CARS] = np.nan
    return middle


def ratios_by_gear(cars: Sequence[StockSetup]) -> dict[int, float]:
    """Median engine speed over roller speed in each gear that cars were pulled in."""
    by_gear: dict[int, list[float]] = {}
    for car in cars:
        if car.gear is not None and car.speed_ratio is not None:
            by_gear.setdefault(car.gear, []).append(car.speed_ratio)
    return {gear: median(ratios) for gear, ratios in by_gear.items()}


def median_known(values: Sequence[float | None]) -> float | None:
    """Median of what was recorded; None below FEWEST_CARS."""
    known = [value for value in values if value is not None]
    return median(known) if len(known) >= FEWEST_CARS else None
