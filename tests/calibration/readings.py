"""What the dynamometers read and what the ledger holds of it: pulls with their noise and faults, as a History."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.history import BEST_OF_UNKNOWN, Catalogue, History
from tests.calibration.stories import Car, Parts, Visit, setups_of, tell_stories
from tests.calibration.world import KNOTS, PEAK_KNOT, Floats, World, catalogue_of, draw

SOAKED, WRONG_FACTOR, MIS_KEYED, HIDDEN, TIRED = 0.03, 0.01, 0.015, 0.03, 0.03
"""Shares: of setups, setups, setups with parts, cars, cars."""
FAULT_SIZE = (0.04, 0.11)
"""How much a hidden part gives and a tired car lacks, from and to [ln]."""
PEAKS_ONLY, BEST_OF_NOT_SAID = 0.15, 0.3
NOT_COMPLETE, NOT_LEVELLED = 0.03, 0.03
STOCK_NOT_SAID = 0.08
NOT_RECORDED = 0.2
STRONG_FUEL = 0.08
ORDINARY_ETHANOL = 0.05
PULLS = ((1, 2, 3, 4, 5), (0.05, 0.15, 0.55, 0.2, 0.05))
STARTS_LATE = 0.2
PLACE = np.linspace(0.0, 1.0, KNOTS)


@dataclass(frozen=True)
class Faults:
    """What went wrong, by row of the history; 0 and False where nothing did."""

    soaked: NDArray[np.bool_]
    wrong_factor: NDArray[np.bool_]
    mis_keyed: NDArray[np.bool_]


@dataclass(frozen=True)
class Truth:
    """What nobody in the shop knows. levels: of a car against its platform, everything hidden included [ln]; own_gains: what a
    part really gives on a car, on its own, by (vehicle, part) [ln]; states: what was really fitted, by row."""

    world: World
    cars: list[Car]
    levels: dict[int, float]
    odd_cars: frozenset[int]
    own_gains: dict[tuple[int, int], float]
    states: list[Parts]
    faults: Faults


@dataclass(frozen=True)
class Simulated:
    """A history, what its ids mean, its curves [ln, KNOTS a row, NaN where not had], its best pulls [ln], and the truth."""

    history: History
    catalogue: Catalogue
    curves: Floats
    best: Floats
    truth: Truth


@dataclass
class Row:
    """One setup as it will stand in the ledger."""

    setup: int
    vehicle: int
    platform: int
    session: int
    bay: int
    at: float
    parts: tuple[int, ...]
    complete: bool
    levelled: bool
    stock: bool
    pulls: int
    best_of: int
    ss: float
    df: int
    slope: float
    inlet: float
    ethanol: float
    value: float
    best: float
    curve: Floats
    soaked: bool
    wrong_factor: bool
    mis_keyed: bool


@dataclass(frozen=True)
class CarTruth:
    """What is true of one car: its level [ln], its tilt over the rev range [ln], its own part gains [ln]."""

    level: float
    tilt: float
    odd: bool
    complete: bool
    gains: dict[int, float]


def simulate(world: World) -> Simulated:
    """The whole history of a shop."""
    rng = np.random.default_rng([world.seed, world.size.cars, 2])
    return measure(world, tell_stories(world, rng), rng)


def measure(world: World, cars: list[Car], rng: np.random.Generator) -> Simulated:
    """Read every setup of every car."""
    bench = Bench(world, rng)
    rows: list[Row] = []
    truths: dict[int, CarTruth] = {}
    for car in cars:
        truths[car.vehicle] = bench.draw_car(car)
        for visit in car.visits:
            rows += bench.visit(car, truths[car.vehicle], visit)
    states = [visit.states[place] for _, visit, place in setups_of(cars)]
    truth = Truth(
        world,
        cars,
        levels={vehicle: one.level for vehicle, one in truths.items()},
        odd_cars=frozenset(vehicle for vehicle, one in truths.items() if one.odd),
        own_gains={(v, part): gain for v, one in truths.items() for part, gain in one.gains.items()},
        states=states,
        faults=Faults(
            *(
                np.array([getattr(row, name) for row in rows])
                for name in ("soaked", "wrong_factor", "mis_keyed")
            )
        ),
    )
    catalogue = catalogue_of(world, frozenset(), len(cars))
    curves, best = np.array([row.curve for row in rows]), np.array([row.best for row in rows])
    return Simulated(history_of(rows), catalogue, curves, best, truth)


class Bench:
    """Reads the cars of one world; remembers the bay-days."""

    def __init__(self, world: World, rng: np.random.Generator) -> None:
        self.world, self.rng = world, rng
        self.days: dict[tuple[int, int], float] = {}
        self.peak_place = {p: float(rng.uniform(-0.2, 0.2)) for p in world.platforms}
        self.base = {p: self._stock_curve() for p in world.platforms}
        self.setups = 0

    def _stock_curve(self) -> Floats:
        """Power over the rev range of a stock car against its peak [ln]."""
        bend = float(self.rng.uniform(0.5, 1.2))
        return -bend * (PLACE - PLACE[PEAK_KNOT]) ** 2 - 0.2 * bend * (PLACE < 0.2)

    def draw_car(self, car: Car) -> CarTruth:
        """A car as it came: its level, what nobody says about it, and what each part will give on it."""
        world, rng = self.world, self.rng
        level = world.platforms[car.platform].stock * float(rng.standard_normal())
        level += world.arrivals if car.arrived else 0.0
        fault = float(rng.choice([1.0, -1.0, 0.0], p=[HIDDEN, TIRED, 1.0 - HIDDEN - TIRED]))
        fitted = frozenset().union(*(state for visit in car.visits for state in visit.states))
        return CarTruth(
            level=level + fault * float(rng.uniform(*FAULT_SIZE)),
            tilt=0.008 * float(rng.standard_normal()),
            odd=fault != 0.0,
            complete=not (fitted and rng.random() < NOT_COMPLETE),
            gains={part: self._own_gain(part, car.platform) for part in sorted(fitted)},
        )

    def _own_gain(self, part: int, platform: int) -> float:
        gain, spreads = self.world.gains[part, platform], self.world.spreads
        sd = float(np.hypot(spreads.car * gain, spreads.floor))
        return gain + float(draw(self.rng, sd, self.world.heavy_tails))

    def visit(self, car: Car, truth: CarTruth, visit: Visit) -> list[Row]:
        """All setups of one strap-down, sharing its air, fuel, day and bookkeeping."""
        world, rng = self.world, self.rng
        shared = (
            self._day(visit) + (1.0 - world.day_share) ** 0.5 * world.spreads.visit * rng.standard_normal()
        )
        hidden = 0.0 if truth.complete else float(rng.uniform(0.0, 0.08))
        levelled = bool(rng.random() > NOT_LEVELLED)
        shared += hidden + (0.0 if levelled else 0.03 * rng.standard_normal())
        strong = (car.arrived and rng.random() < STRONG_FUEL * 3) or rng.random() < STRONG_FUEL
        air = Air(
            inlet=25.0
            + 6.0 * float(np.sin(2.0 * np.pi * visit.at / 365.0))
            + 4.0 * float(rng.standard_normal()),
            ethanol=float(rng.uniform(0.3, 0.85)) if strong else ORDINARY_ETHANOL,
            inlet_said=bool(rng.random() > NOT_RECORDED),
            ethanol_said=bool(rng.random() > NOT_RECORDED),
        )
        wiggle = smooth(rng, 0.002)
        peaks_only = bool(rng.random() < PEAKS_ONLY)
        begins = int(rng.integers(1, 5)) if rng.random() < STARTS_LATE else 0
        rows = []
        for place in range(len(visit.states)):
            row = self._setup(car, truth, visit, place, float(shared), air, wiggle, peaks_only)
            row.levelled = levelled
            row.curve[:begins] = np.nan
            rows.append(row)
        return rows

    def _day(self, visit: Visit) -> float:
        """What all cars of a bay share on a day."""
        key = (visit.bay, int(visit.at))
        if key not in self.days:
            self.days[key] = (
                self.world.day_share**0.5 * self.world.spreads.visit * float(self.rng.standard_normal())
            )
        return self.days[key]

    def _setup(
        self,
        car: Car,
        truth: CarTruth,
        visit: Visit,
        place: int,
        shared: float,
        air: "Air",
        wiggle: Floats,
        peaks_only: bool,
    ) -> Row:
        """One state: its true power here and now, its pulls, and what is written down."""
        world, rng, state = self.world, self.rng, visit.states[place]
        platform, bay = world.platforms[car.platform], world.bays[visit.bay]
        inlet = air.inlet + float(rng.uniform(-1.5, 3.0))
        level = (
            platform.level
            + truth.level
            + shared
            + bay.at(visit.at)
            + bay.tilt * self.peak_place[car.platform]
        )
        level += world.inlet[platform.boosted] * (inlet - 25.0) / 10.0
        if any(world.parts[part].slot == "calibration" for part in state):
            level += world.ethanol * (air.ethanol - ORDINARY_ETHANOL)
        level += float(draw(rng, world.spreads.setup, world.heavy_tails))
        wrong_factor = bool(rng.random() < WRONG_FACTOR)
        level += float(rng.uniform(0.03, 0.08) * rng.choice([-1.0, 1.0])) if wrong_factor else 0.0
        power = level + self._given(car.platform, truth, state)
        soaked = bool(rng.random() < SOAKED)
        pulls = self._pulls(power, platform.boosted, soaked)
        curve = level + self.base[car.platform] + self._given_curve(car.platform, truth, state)
        curve += (truth.tilt + bay.tilt) * (PLACE - PLACE[PEAK_KNOT]) + wiggle + smooth(rng, 0.002)
        curve += float(np.mean(pulls)) - power + 0.0015 * rng.standard_normal(KNOTS)
        written = self._as_keyed(car.platform, state)
        return Row(
            setup=self._next(),
            vehicle=car.vehicle,
            platform=car.platform,
            session=visit.session,
            bay=visit.bay,
            at=visit.at,
            parts=tuple(sorted(written)),
            complete=truth.complete,
            levelled=True,
            stock=not written and truth.complete and bool(rng.random() > STOCK_NOT_SAID),
            inlet=inlet if air.inlet_said else np.nan,
            ethanol=air.ethanol if air.ethanol_said else np.nan,
            best=float(pulls.max()),
            curve=np.full(KNOTS, np.nan) if peaks_only else curve,
            soaked=soaked,
            wrong_factor=wrong_factor,
            mis_keyed=written != state,
            **self._kept(pulls, peaks_only),
        )

    def _next(self) -> int:
        self.setups += 1
        return self.setups

    def _given(self, platform: int, truth: CarTruth, state: Parts) -> float:
        """What a state's parts give on this very car [ln]."""
        world = self.world
        typical = sum(world.gains[part, platform] for part in state)
        return world.together(platform, state) - typical + sum(truth.gains[part] for part in state)

    def _given_curve(self, platform: int, truth: CarTruth, state: Parts) -> Floats:
        """The same over the rev range [ln, KNOTS]."""
        shaped = sum(
            (truth.gains[part] * self.world.shapes[part, platform] for part in sorted(state)), np.zeros(KNOTS)
        )
        return shaped + self._given(platform, truth, state) - sum(truth.gains[part] for part in state)

    def _pulls(self, power: float, boosted: bool, soaked: bool) -> Floats:
        """Repeated pulls; each a little hotter than the one before."""
        world, rng = self.world, self.rng
        order = np.arange(int(rng.choice(PULLS[0], p=PULLS[1])))
        slope = world.heat[boosted] - (float(rng.uniform(0.012, 0.03)) if soaked else 0.0)
        return power + slope * order + draw(rng, world.spreads.pull, world.heavy_tails, len(order))

    def _as_keyed(self, platform: int, state: Parts) -> Parts:
        """The parts as someone typed them."""
        if not state or self.rng.random() > MIS_KEYED:
            return state
        wrong = int(self.rng.choice(sorted(state)))
        slot = self.world.parts[wrong].slot
        alike = [k for k in self.world.fitting(platform) if self.world.parts[k].slot == slot and k != wrong]
        return state - {wrong} | ({int(self.rng.choice(alike))} if alike else set())

    def _kept(self, pulls: Floats, peaks_only: bool) -> dict[str, float]:
        """The figures of a setup: the mean of its pulls, or their best where only that was kept."""
        n = len(pulls)
        if peaks_only:
            best_of = BEST_OF_UNKNOWN if self.rng.random() < BEST_OF_NOT_SAID else n
            return {
                "pulls": 1,
                "best_of": best_of,
                "ss": 0.0,
                "df": 0,
                "slope": np.nan,
                "value": float(pulls.max()),
            }
        order = np.arange(n) - (n - 1) / 2.0
        slope = float(order @ pulls / (order @ order)) if n >= 3 else np.nan
        ss = float(((pulls - pulls.mean()) ** 2).sum())
        return {"pulls": n, "best_of": 0, "ss": ss, "df": n - 1, "slope": slope, "value": float(pulls.mean())}


@dataclass(frozen=True)
class Air:
    """Inlet air [degC], ethanol in the fuel [0..1], and whether anybody wrote them down."""

    inlet: float
    ethanol: float
    inlet_said: bool
    ethanol_said: bool


def smooth(rng: np.random.Generator, sd: float) -> Floats:
    """A smooth wave over the rev range, nothing at the peak [ln, KNOTS]."""
    waves = np.array([np.cos(np.pi * n * PLACE + rng.uniform(0.0, 2.0 * np.pi)) for n in (1, 2, 4)])
    wave = sd * rng.standard_normal(3) @ waves
    return wave - wave[PEAK_KNOT]


def history_of(rows: Sequence[Row]) -> History:
    """Rows as columns."""

    def whole(name: str) -> NDArray[np.int64]:
        return np.array([getattr(row, name) for row in rows], dtype=np.int64)

    def real(name: str) -> Floats:
        return np.array([getattr(row, name) for row in rows], dtype=np.float64)

    def either(name: str) -> NDArray[np.bool_]:
        return np.array([getattr(row, name) for row in rows], dtype=np.bool_)

    return History(
        setup_id=whole("setup"),
        vehicle_id=whole("vehicle"),
        platform_id=whole("platform"),
        session_id=whole("session"),
        bay_id=whole("bay"),
        at=real("at"),
        part_start=np.cumsum([0, *(len(row.parts) for row in rows)]),
        part_id=np.array([part for row in rows for part in row.parts], dtype=np.int64),
        complete=either("complete"),
        levelled=either("levelled"),
        stock=either("stock"),
        pulls=whole("pulls"),
        best_of=whole("best_of"),
        spread_ss=real("ss"),
        spread_df=whole("df"),
        slope=real("slope"),
        inlet_c=real("inlet"),
        ethanol=real("ethanol"),
        value=real("value"),
    )
