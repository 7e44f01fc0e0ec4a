"""What the history model costs on a simulated shop: fit, pass, answer, curve, one changed car, memory.

The shop and its history are the calibration's simulator's. Each size runs in a process of its own, so that its peak of
memory is its own. Times are CPU of one thread [ms], the least of several rounds: what else runs on a machine only adds to
them. What is asked of many cells or cars is their mean.
"""

import os
import pickle
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import numpy as np

from service.domain.history import Catalogue, Floats, History, Ints
from service.stats.history.curves import curve
from service.stats.history.fit import fit
from service.stats.history.fitted import Fit
from service.stats.history.gains import answer
from service.stats.history.system import Others, System, build
from tests.calibration.readings import simulate
from tests.calibration.world import KNOTS, SIZES, Size, make_world

BENCH_SIZES: Mapping[str, Size] = {
    "tiny": SIZES["tiny"],
    "shop": SIZES["shop"],
    "91k": Size("91k", 36_300, 46, 20, 10),
    "250k": Size("250k", 100_000, 80, 30, 12),
}
"""By name; the last two after the number of setups they come to."""
ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

FIT, PASS = "fit", "full pass"
ANSWER, FIRST_ANSWER = "answer", "answer, first of the widest cell"
CURVES, CURVE = "curve, first: knots solved", "curve, knots solved before"
UPDATE, APART = "one car changed", "a gain then, from a rebuild [1e-9]"
MEMORY = "peak memory [MiB]"
TARGETS: Mapping[str, Mapping[str, float]] = {
    ANSWER: {"shop": 5.0, "91k": 5.0, "250k": 5.0},
    CURVES: {"shop": 30.0},
    UPDATE: {"shop": 20.0, "91k": 2000.0, "250k": 2000.0},
    PASS: {"91k": 5000.0},
    FIT: {"250k": 600_000.0},
    APART: dict.fromkeys(BENCH_SIZES, 1.0),
    MEMORY: {"91k": 1024.0, "250k": 3815.0},
}
"""By figure and size [ms unless it says otherwise]."""

Found = TypeVar("Found")

ROUNDS = 3
CELLS, DRAWN, CHANGED = 40, 8, 8
RPM = np.linspace(2000.0, 7000.0, KNOTS)
SEED = 20


@dataclass(frozen=True, slots=True)
class Shop:
    """A history and what its ids mean; knots, [n, KNOTS]: each setup's curve, all ending alike, or NaN where it has none."""

    history: History
    catalogue: Catalogue
    knots: Floats


def model_figures(name: str) -> dict[str, float]:
    """Every figure of one size, simulated and measured in processes of their own."""
    for variable in ONE_THREAD:
        os.environ.setdefault(variable, "1")
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        file = Path(folder) / "shop"
        in_a_process(partial(keep, name, file))
        return in_a_process(partial(measured_of, file))


def in_a_process(work: Callable[[], Found]) -> Found:
    """What some work finds in a new process that ends with it."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as process:
        return process.submit(work).result()


def keep(name: str, file: Path) -> None:
    """Simulate a shop into a file."""
    file.write_bytes(pickle.dumps(shop_of(BENCH_SIZES[name]), protocol=pickle.HIGHEST_PROTOCOL))


def measured_of(file: Path) -> dict[str, float]:
    """The figures of the shop in a file, its peak of memory among them."""
    shop: Shop = pickle.loads(file.read_bytes())
    return {**measured(shop), MEMORY: peak_mib()}


def shop_of(size: Size) -> Shop:
    """A simulated shop; curves that end early take their outermost value further, as the service has it."""
    simulated = simulate(make_world(SEED, size))
    knots = simulated.curves
    first = np.isfinite(knots).argmax(axis=1)
    begun = np.maximum(np.arange(KNOTS), first[:, np.newaxis])
    return Shop(simulated.history, simulated.catalogue, np.take_along_axis(knots, begun, axis=1))


def measured(shop: Shop) -> dict[str, float]:
    """CPU of each question to a shop's model [ms], and how far a live gain lies from a rebuilt one [1e-9]."""
    history, catalogue = shop.history, shop.catalogue
    fitted, fit_ms = timed(lambda: fit(history, catalogue))
    system, pass_ms = timed(lambda: build(fitted, history, catalogue), ROUNDS)
    cells = cells_of(history)
    widest = max(cells, key=lambda cell: system.cars_with(*cell))
    _, first_ms = timed(lambda: answer(system.gain(*widest), fitted))
    _, answers_ms = timed(lambda: [answer(system.gain(*cell), fitted) for cell in cells], ROUNDS)
    others, solve_ms = timed(lambda: system.solve_for(history.setup_id, shop.knots), ROUNDS)
    _, drawn_ms = timed(lambda: draw(others, widest, fitted))
    _, curves_ms = timed(lambda: [draw(others, cell, fitted) for cell in cells[:DRAWN]], ROUNDS)
    changing = list(islice(cars_of(history), CHANGED))
    _, updates_ms = timed(lambda: [system.replaced(*car, catalogue) for car in changing], ROUNDS)
    return {
        FIT: fit_ms,
        PASS: pass_ms,
        FIRST_ANSWER: first_ms,
        ANSWER: answers_ms / len(cells),
        CURVES: solve_ms + drawn_ms,
        CURVE: curves_ms / DRAWN,
        UPDATE: updates_ms / CHANGED,
        APART: 1e9 * apart(system, shop, cells),
    }


def timed(work: Callable[[], Found], times: int = 1) -> tuple[Found, float]:
    """What some work finds, and its CPU, the least of so many times [ms]."""
    took = []
    for _ in range(times):
        began = time.process_time()
        found = work()
        took.append(1000.0 * (time.process_time() - began))
    return found, min(took)


def draw(others: Others, cell: tuple[int, int], fitted: Fit) -> Floats:
    """The curve of a gain with all its bands, from solved knots: its middle."""
    return curve(RPM, others.gain(*cell), others.correlation, fitted).typical


def cells_of(history: History) -> list[tuple[int, int]]:
    """Some (part, platform) that were measured."""
    platforms = np.repeat(history.platform_id, np.diff(history.part_start))
    cells = sorted(set(zip(history.part_id.tolist(), platforms.tolist(), strict=True)))
    chosen = np.random.default_rng(SEED).permutation(len(cells))[:CELLS]
    return [cells[i] for i in chosen.tolist()]


def cars_of(history: History) -> Iterator[tuple[Ints, History]]:
    """Cars by chance, each with its setups as they are."""
    cars, rng = np.unique(history.vehicle_id), np.random.default_rng(SEED)
    while True:
        car = rng.choice(cars, 1)
        yield car, history.take(np.flatnonzero(history.vehicle_id == car))


def apart(system: System, shop: Shop, cells: list[tuple[int, int]]) -> float:
    """The largest difference of a gain after a car was taken out live to one from a build without it [ln]."""
    car, _ = next(cars_of(shop.history))
    left = shop.history.take(np.flatnonzero(shop.history.vehicle_id != car))
    live = system.replaced(car, left.take(np.arange(0)), shop.catalogue)
    rebuilt = build(system.fit, left, shop.catalogue)
    return max(abs(live.gain(*cell).mean - rebuilt.gain(*cell).mean) for cell in cells)


def peak_mib() -> float:
    """The most memory that this process held at once [MiB] (Linux)."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024.0
    raise LookupError("no VmHWM of this process")
