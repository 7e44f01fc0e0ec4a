"""Simulated shops, easy and hard: their spreads, bays, weather, and the stock cars they measured before.

Spreads: an easy shop is the good end of what shops report, a hard one the other (common practice, no source).
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache

import numpy as np

from seed.air import SITE_PRESSURE_KPA, Air, Weather
from seed.engines import Floats, fine_rpm
from seed.shop import PLATFORMS, Platform
from service.domain.air import standard_pressure_kpa
from service.domain.channels import channel_grids
from service.domain.checks.case import StockReference
from service.domain.curve import GRID_RPM, Peaks, derive
from tests.references.cars import Car, draw_car, sensors, true_torque_nm

FIRST_DAY = datetime(2025, 1, 6, tzinfo=UTC)
DAYS = 364
SHOPS = 5
"""Shops of each kind that the posts are spread over."""
STOCK_CARS = (20, 60)
"""How many stock cars of a platform a shop has measured before, from and to."""
STOCK_CHANNELS = ("lambda", "map", "spark", "throttle", "inlet")
MAD_TO_SD = 1.4826  # of a normal distribution


@dataclass(frozen=True)
class Spreads:
    """Standard deviations: pull to pull, setup to setup, strap-down, bay-day, bay, stock cars and their tilt from low
    to high speed [log]; room_c, from bay to bay [degC]."""

    name: str
    pull: float
    setup: float
    strap: float
    day: float
    bay: float
    stock: float
    tilt: float
    room_c: float


EASY = Spreads("easy", 0.0045, 0.0045, 0.0045, 0.0035, 0.022, 0.025, 0.008, 0.5)
HARD = Spreads("hard", 0.0080, 0.0060, 0.0100, 0.0100, 0.040, 0.045, 0.012, 1.0)
KINDS = (EASY, HARD)


@dataclass(frozen=True)
class Bay:
    """A machine and its room. level, tilt [log]; rate [Hz]; sample_sd, noise of one torque sample [log]; step_rpm,
    of a bay that posts averaged rows instead of samples; smoothing_rpm, of one that smooths; untrimmed: it posts what
    was before and after the pull too; coarse: its channels come over the diagnostic port in whole steps; room_c, pressure_kpa: how its weather station differs."""

    slug: str
    level: float
    tilt: float
    test: str
    ramp: float
    rate: float
    sample_sd: float
    step_rpm: float | None
    smoothing_rpm: float | None
    untrimmed: bool
    coarse: bool
    room_c: float
    pressure_kpa: float
    pressure_digits: int


class Shop:
    """One simulated shop; the same again for the same spreads and number."""

    def __init__(self, spreads: Spreads, number: int) -> None:
        self.spreads = spreads
        self.seed = [round(1e6 * spreads.pull), number]
        rng = np.random.default_rng([*self.seed, 1])
        self.altitude_m = float(rng.uniform(0.0, 250.0))
        self._weather = Weather(rng, FIRST_DAY, DAYS)
        self.bays = (
            self._bay(rng, "drum", test="inertia", rate=40.0, sample_sd=0.008, untrimmed=True),
            self._bay(rng, "brake", test="sweep", rate=20.0, sample_sd=0.01, coarse=True),
            self._bay(rng, "smooth", test="inertia", rate=25.0, sample_sd=0.008, smoothing_rpm=50.0),
            self._bay(rng, "rows", test="sweep", rate=50.0, sample_sd=0.006, step_rpm=25.0, coarse=True),
        )
        self.level = float(np.mean([bay.level for bay in self.bays]))
        self._references: dict[str, tuple[StockReference, ...]] = {}

    def _bay(self, rng: np.random.Generator, slug: str, **machine: object) -> Bay:
        """A bay with what was drawn for it."""
        spreads = self.spreads
        plain = {"step_rpm": None, "smoothing_rpm": None, "untrimmed": False, "coarse": False}
        drawn = {
            "level": spreads.bay * rng.standard_normal(),
            "tilt": 0.004 * rng.standard_normal(),
            "ramp": float(rng.uniform(250.0, 550.0)),
            "room_c": spreads.room_c * rng.standard_normal(),
            "pressure_kpa": 0.03 * rng.standard_normal(),
            "pressure_digits": int(rng.choice((1, 2))),
        }
        return Bay(slug=slug, **{**plain, **drawn, **machine})  # type: ignore[arg-type]

    def air(self, bay: Bay, moment: datetime) -> Air:
        """The air that an engine breathes in a bay."""
        out = self._weather.at(moment)
        height = standard_pressure_kpa(self.altitude_m) - SITE_PRESSURE_KPA
        return Air(out.temperature_c + bay.room_c, out.pressure_kpa + height, out.humidity)

    def stock_references(self, platform: Platform) -> tuple[StockReference, ...]:
        """What the stock cars measured so far read, for a few different sets of them; made when first asked for."""
        if platform.slug not in self._references:
            rng = np.random.default_rng([*self.seed, 2, PLATFORMS.index(platform)])
            cars = [self._measured_stock(platform, rng) for _ in range(STOCK_CARS[1])]
            numbers = rng.integers(STOCK_CARS[0], STOCK_CARS[1] + 1, 6)
            made = [reference_of(platform, [cars[i] for i in rng.permutation(60)[:n]]) for n in numbers]
            self._references[platform.slug] = tuple(made)
        return self._references[platform.slug]

    def _measured_stock(self, platform: Platform, rng: np.random.Generator) -> "MeasuredStock":
        """One stock car in the mean of three pulls, in one of the bays on one day."""
        spreads, bay = self.spreads, self.bays[int(rng.integers(4))]
        car = draw_car(platform, spreads.stock, spreads.tilt, rng)
        away = (spreads.day, spreads.strap, spreads.setup, spreads.pull / 3**0.5)
        level = bay.level + sum(sd * rng.standard_normal() for sd in away)
        read = measure_stock(car, bay.tilt, level, standard_pressure_kpa(self.altitude_m))
        return replace(read, ratio=read.ratio * (1.0 + usual_creep(rng)))


@dataclass(frozen=True)
class MeasuredStock:
    """What a stock car read."""

    peaks: Peaks
    torque_nm: Floats
    channels: dict[str, Floats]
    ratio: float


def measure_stock(car: Car, bay_tilt: float, level: float, barometer_kpa: float) -> MeasuredStock:
    """Peaks, torque and channels on the grid of a car's mean curve, in the reference air."""
    rpm = fine_rpm(car.platform.engine)
    share = rpm / car.platform.engine.peak_rpm
    torque = true_torque_nm(car, (), rpm, None, 5.0) * np.exp(level + bay_tilt * (share - 0.8))
    grid, peaks = derive(rpm, torque)
    read = sensors(car, (), rpm, 22.0, barometer_kpa, 5.0)
    wanted = {name: read[name] for name in STOCK_CHANNELS if name in read}
    channels = channel_grids(rpm, wanted, np.isfinite(grid))
    return MeasuredStock(peaks, grid, channels, roller_ratio(car))


def usual_creep(rng: np.random.Generator) -> float:
    """How much faster a tyre turns than the roller it drives, at full torque [-]; more is slip."""
    return rng.uniform(0.002, 0.012)


def roller_ratio(car: Car) -> float:
    """Engine turns per turn of the roller without slip: the tyre is 0.78 of the roller across."""
    return car.platform.ratio * 0.78 * (1.0 + car.ratio)


def reference_of(platform: Platform, cars: list[MeasuredStock]) -> StockReference:
    """Medians over cars, as the ledger would make them; NaN where fewer than three reach."""
    power = np.array([car.peaks.power_kw for car in cars])
    middle = float(np.median(power))
    return StockReference(
        cars=len(cars),
        power_kw=middle,
        power_rpm=float(np.median([car.peaks.power_rpm for car in cars])),
        power_sd=MAD_TO_SD * float(np.median(np.abs(np.log(power / middle)))),
        torque_nm=median_grid([car.torque_nm for car in cars]),
        channels={name: median_grid([car.channels[name] for car in cars]) for name in cars[0].channels},
        speed_ratio={platform.gear: float(np.median([car.ratio for car in cars]))},
        ethanol=0.05 if platform.octane else None,
    )


def median_grid(grids: list[Floats]) -> Floats:
    """Median over the cars that reach, at every knot; sorted by hand, because numpy's median without NaN is slow."""
    stack = np.sort(np.array(grids), axis=0)  # NaN last
    count = np.isfinite(stack).sum(axis=0)
    knot = np.arange(GRID_RPM.size)
    middle = (stack[np.maximum(count - 1, 0) // 2, knot] + stack[count // 2 % len(stack), knot]) / 2.0
    return np.where(count >= 3, middle, np.nan)


@cache
def shops(spreads: Spreads) -> tuple[Shop, ...]:
    """All simulated shops of a kind."""
    return tuple(Shop(spreads, number) for number in range(SHOPS))
