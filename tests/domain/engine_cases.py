"""Posts for the checks of an engine: one good car, its platform's stock cars, and what a check says of a changed one."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from service.domain.checks import RULES, Case, Surroundings
from service.domain.checks.case import StockReference
from service.domain.curve import GRID_RPM
from service.domain.derive import derive_pull
from service.domain.records import Finding, PlatformFacts, PostedPart, PostedPull, PostedSession, PostedSetup
from tests.factories import hump

NOW = datetime(2026, 3, 18, 17, 0, tzinfo=UTC)
RPM = np.arange(2000.0, 6501.0, 25.0)
X = (RPM - 2000.0) / 4500.0
"""Nought at the beginning of a pull, one at its end."""
TORQUE = np.array([hump(rpm) for rpm in RPM])
NATURAL = PlatformFacts(1, "natural", "spark", 6500.0, None)
TURBO = replace(NATURAL, aspiration="turbo")
DIESEL = replace(TURBO, ignition="compression")
AIR = {"temperature_c": 25.0, "pressure_kpa": 100.0, "humidity": 0.3155}
WARM = {"coolant_c": 84.0, "oil_c": 92.0, "inlet_c": 38.0}
GOOD = {
    "lambda": 0.87 - 0.02 * X + 0.004 * np.sin(40.0 * X),
    "map": 99.5 - 2.0 * X**2,
    "spark": 22.0 + 8.0 * X,
    "throttle": np.ones(len(RPM)),
    "inlet": 38.0 + 6.0 * X,
}
"""Channels of the good car; its platform's stock cars read the same."""
ENGINE = tuple(
    code
    for code, rule in RULES.items()
    if rule.look.__module__.rpartition(".")[2] in ("heat", "mixture", "air_path", "spark")
)
"""The checks of the engine and its conditions."""
INTAKE = (PostedPart("open-intake"),)


def ramp(begins: float) -> np.ndarray:
    """From nought, at a share of the pull, to one at its end."""
    return np.clip((X - begins) / (1.0 - begins), 0.0, 1.0)


def place(rpm: float, half_width: float = 500.0) -> np.ndarray:
    """One within a stretch about an engine speed, nought outside."""
    return (np.abs(RPM - rpm) <= half_width).astype(float)


def pull(n: int = 1, torque: np.ndarray | float = 1.0, channels: dict | None = None, **fields) -> PostedPull:
    """A good pull: its torque times something, some channels otherwise (None: not recorded)."""
    recorded = {**GOOD, **(channels or {}), "torque": TORQUE * torque}
    kept = {name: values for name, values in recorded.items() if values is not None}
    return PostedPull(n=n, **{"channels": {"rpm": RPM, **kept}, **AIR, **WARM, **fields})


def three(torque: np.ndarray | float = 1.0, **fields) -> list[PostedPull]:
    """Three equal pulls."""
    return [pull(n, torque, **fields) for n in (1, 2, 3)]


def setup(
    pulls: Sequence[PostedPull], n: int = 1, parts: tuple[PostedPart, ...] = (), **fields
) -> PostedSetup:
    """A setup whose part list is complete."""
    said = {"parts_known": "complete", "stock_checked": "verified", **fields}
    return PostedSetup(n=n, parts=parts, pulls=tuple(pulls), **said)


def on_grid(values: np.ndarray) -> np.ndarray:
    """Values at RPM, on the common grid."""
    return np.interp(GRID_RPM, RPM, values, left=np.nan, right=np.nan)


def stock_cars(cars: int = 8, ethanol: float | None = None, **channels) -> StockReference:
    """The platform's stock cars: the good car's torque and channels, or others."""
    usual = {name: on_grid(values) for name, values in {**GOOD, **channels}.items()}
    return StockReference(cars, 140.0, 6100.0, 0.03, on_grid(TORQUE), usual, {}, ethanol)


def case(
    setups: Sequence[PostedSetup],
    platform: PlatformFacts = NATURAL,
    reference: StockReference | None = None,
    spread: float = 0.0045,
    **around,
) -> Case:
    """What the checks look at."""
    session = PostedSession(id=None, vehicle="stoat-1", bay="north", started_at=NOW, setups=tuple(setups))
    derived = {(one.n, posted.n): derive_pull(posted, None) for one in setups for posted in one.pulls}
    return Case(session, NOW, derived, platform, Surroundings(spread, reference=reference, **around))


def said(code: str, looked_at: Case, **limits: float) -> list[Finding]:
    """What one check says of a case."""
    return list(RULES[code].findings(looked_at, limits))


def of(code: str, pulls: Sequence[PostedPull], parts: tuple[PostedPart, ...] = (), **around) -> list[str]:
    """The pointers of what one check says of a setup of some pulls."""
    return [found.pointer for found in said(code, case([setup(pulls, parts=parts)], **around))]
