"""Small histories by hand: a row says only what matters to the test, the rest is ordinary."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from service.domain.history import BayFacts, CarFacts, Catalogue, History, PartFacts, PlatformFacts

INTAKE: Final = 101
OTHER_INTAKE: Final = 102
EXHAUST: Final = 201
TUNE: Final = 301
SLOTS: Final = {
    INTAKE: "intake-pipe",
    OTHER_INTAKE: "intake-pipe",
    EXHAUST: "rear-exhaust",
    TUNE: "calibration",
}
TURBO: Final = 1
SECOND_TURBO: Final = 2
NATURAL: Final = 3
LEVEL: Final = 5.0
"""ln of what the cars of these histories make as built."""


@dataclass(frozen=True)
class Setup:
    """One row; `session` None: a strap-down of its own; `spread`: of its pulls about their line (three or more)."""

    car: int
    parts: tuple[int, ...] = ()
    value: float = LEVEL
    platform: int = TURBO
    bay: int = 1
    session: int | None = None
    at: float = 20000.0
    complete: bool = True
    levelled: bool = True
    pulls: int = 3
    best_of: int = 0
    spread: float = 0.004
    slope: float = 0.0
    inlet_c: float = 25.0
    ethanol: float = 0.05


def history(*rows: Setup) -> History:
    """The rows as a history; ids in the order given."""
    setups = [(i, row) for i, row in enumerate(rows, 1)]
    setups.sort(key=lambda each: (each[1].car, each[1].at, each[1].session or 1000 + each[0]))
    rows_in_order = [row for _, row in setups]

    def column(name: str, kind: type) -> np.ndarray:
        return np.array([getattr(row, name) for row in rows_in_order], dtype=kind)

    counts = [len(row.parts) for row in rows_in_order]
    lined = [row.slope if row.pulls >= 3 and not row.best_of else np.nan for row in rows_in_order]
    df = np.array([row.pulls - 1 if not row.best_of else 0 for row in rows_in_order])
    lines = np.isfinite(np.array(lined)).astype(int)
    sxx = np.array([row.pulls * (row.pulls**2 - 1) / 12 for row in rows_in_order])
    line = np.nan_to_num(np.array(lined)) ** 2 * sxx
    return History(
        setup_id=np.array([i for i, _ in setups], dtype=np.int64),
        vehicle_id=column("car", np.int64),
        platform_id=column("platform", np.int64),
        session_id=np.array([row.session or 1000 + i for i, row in setups], dtype=np.int64),
        bay_id=column("bay", np.int64),
        at=column("at", np.float64),
        part_start=np.concatenate(([0], np.cumsum(counts))).astype(np.int64),
        part_id=np.array([part for row in rows_in_order for part in sorted(row.parts)], dtype=np.int64),
        complete=column("complete", np.bool_),
        levelled=column("levelled", np.bool_),
        stock=np.array([not row.parts and row.complete for row in rows_in_order], dtype=bool),
        pulls=np.array([row.pulls if not row.best_of else 1 for row in rows_in_order], dtype=np.int64),
        best_of=column("best_of", np.int64),
        spread_ss=column("spread", np.float64) ** 2 * (df - lines) + line,
        spread_df=df.astype(np.int64),
        slope=np.array(lined, dtype=np.float64),
        inlet_c=column("inlet_c", np.float64),
        ethanol=column("ethanol", np.float64),
        value=column("value", np.float64),
    )


def catalogue(**events: tuple[float, ...]) -> Catalogue:
    """What the ids mean; `bay1=(...)` gives a bay its recorded events."""
    aspirations = {TURBO: "turbo", SECOND_TURBO: "turbo", NATURAL: "natural"}
    return Catalogue(
        platforms={
            p: PlatformFacts(f"platform-{p}", f"Platform {p}", kind) for p, kind in aspirations.items()
        },
        parts={part: PartFacts(f"part-{part}", f"Part {part}", slot, None) for part, slot in SLOTS.items()},
        bays={b: BayFacts(f"bay-{b}", f"Bay {b}", "roller", events.get(f"bay{b}", ())) for b in (1, 2, 3)},
        cars={car: CarFacts(f"car-{car}", False) for car in range(1, 200)},
    )


def before_and_after(
    car: int,
    part: int,
    gain: float,
    *,
    beside: tuple[int, ...] = (),
    platform: int = TURBO,
    bay: int = 1,
    level: float = LEVEL,
) -> tuple[Setup, Setup]:
    """One car in one strap-down without a part and with it."""
    session = 5000 + car * 10 + part % 10
    before = Setup(car, beside, level, platform, bay, session)
    return before, Setup(car, (*beside, part), level + gain, platform, bay, session)
