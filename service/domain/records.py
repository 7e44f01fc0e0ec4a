"""What a bay posts, in SI, before anything is derived from it.

Plain frozen records: the schemas make them, the domain reads them, the store keeps them. `None` means that the
bay did not record it; no default is ever filled in.
"""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.engine import HasEngine

Channel = NDArray[np.float64]
Level = Literal["refused", "doubtful", "note"]


@dataclass(frozen=True, slots=True)
class PostedPeaks:
    """Peak figures of a pull whose curve is lost: power [kW], torque [N.m], their engine speeds [rpm]."""

    power_kw: float | None
    power_rpm: float | None
    torque_nm: float | None
    torque_rpm: float | None


@dataclass(frozen=True, slots=True)
class PostedPull:
    """One run through the rev range at full load, as the bay sent it."""

    n: int
    started_at: datetime | None = None
    temperature_c: float | None = None
    pressure_kpa: float | None = None
    humidity: float | None = None
    dew_point_c: float | None = None
    coolant_c: float | None = None
    oil_c: float | None = None
    inlet_c: float | None = None
    inlet_end_c: float | None = None
    test: str | None = None
    ramp_rpm_s: float | None = None
    smoothing: dict[str, object] | None = None
    source: str | None = None
    basis_standard: str | None = None
    basis_factor: float | None = None
    status: str = "accepted"
    reason: str | None = None
    best_of: int | None = None
    channels: dict[str, Channel] = field(default_factory=dict)
    steps: dict[str, float] = field(default_factory=dict)
    peaks: PostedPeaks | None = None


@dataclass(frozen=True, slots=True)
class PostedPart:
    """A fitted part by slug, and the slot it sits in where the post says so."""

    slug: str
    slot: str | None = None


@dataclass(frozen=True, slots=True)
class PostedSetup:
    """The car in one state, and its pulls."""

    n: int
    parts: tuple[PostedPart, ...]
    parts_known: str
    stock_checked: str
    pulls: tuple[PostedPull, ...]
    label: str | None = None
    ethanol: float | None = None
    octane: float | None = None
    octane_method: str | None = None
    spark_advance_deg: float | None = None
    lambda_probe: str | None = None


@dataclass(frozen=True, slots=True)
class PostedSession:
    """One car strapped down once in one bay."""

    id: UUID | None
    vehicle: str
    bay: str
    started_at: datetime
    setups: tuple[PostedSetup, ...]
    operator: str | None = None
    gear: int | None = None
    ratio: float | None = None
    tyre_size: str | None = None
    tyre_pressure_kpa: float | None = None
    sequence: int | None = None
    clock: datetime | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A known part, as pairing and the slot checks need it."""

    part_id: int
    slug: str
    slots: frozenset[str]


@dataclass(frozen=True, slots=True)
class PlatformFacts(HasEngine):
    """What the checks know of a platform."""

    platform_id: int
    aspiration: str
    ignition: str
    rpm_limit: float | None
    rated_power_kw: float | None
    charge_cooling: str | None = None
    fuel_per_cycle: float | None = None
    boost_ratio: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check says about a post: where, how grave, and the way out."""

    code: str
    level: Level
    message: str
    pointer: str
    setup_n: int | None = None
    pull_n: int | None = None
