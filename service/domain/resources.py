"""What the shop knows, as frozen records: one per resource, SI inside, ids for joining and a version for ETags."""

from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal

from service.domain.engine import Engine, engine_of


@dataclass(frozen=True, slots=True)
class Platform:
    """A kind of car: engine, gearbox, drive and market rating, not a model name."""

    slug: str
    name: str
    aspiration: str
    ignition: str
    maker: str | None = None
    model: str | None = None
    generation: str | None = None
    engine: str | None = None
    displacement_l: float | None = None
    transmission: str | None = None
    driven_wheels: str | None = None
    rated_power_kw: float | None = None
    rpm_limit: float | None = None
    charge_cooling: str | None = None
    fuel_per_cycle: float | None = None
    boost_ratio: float | None = None
    platform_id: int = 0
    version: int = 1

    def as_engine(self) -> Engine:
        """What the correction standards must know of it."""
        return engine_of(self)


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One car, by the shop's own tag; one that was merged into another is an alias of that."""

    tag: str
    platform: str
    model_year: int | None = None
    odometer_km: float | None = None
    check_car: bool = False
    vin_hash: bytes | None = field(default=None, repr=False)
    merged_into: str | None = None
    merged_from: tuple[str, ...] = ()
    erased_at: datetime | None = None
    vehicle_id: int = 0
    version: int = 1


@dataclass(frozen=True, slots=True)
class PartSheet:
    """A part as the counter knows it; one that was merged into another is an alias of that."""

    slug: str
    name: str
    slots: tuple[str, ...]
    variant_of: str | None = None
    price: Decimal | None = None
    currency: str | None = None
    price_date: date | None = None
    labour_hours: float | None = None
    fitting_notes: str | None = None
    approval: dict[str, object] | None = None
    merged_into: str | None = None
    merged_from: tuple[str, ...] = ()
    part_id: int = 0
    version: int = 1


@dataclass(frozen=True, slots=True)
class Slot:
    """A place on a car where one part sits."""

    slug: str
    name: str
    ordinal: int


@dataclass(frozen=True, slots=True)
class Modification:
    """When a part went on a car and came off, and what was paid: the invoice side of `setup.parts`."""

    vehicle: str
    part: str
    fitted_on: date
    removed_on: date | None = None
    price_paid: Decimal | None = None
    currency: str | None = None
    labour_hours: float | None = None
    notes: str | None = None
    modification_id: int = 0
    version: int = 1


@dataclass(frozen=True, slots=True)
class Bay:
    """One dynamometer."""

    slug: str
    name: str
    kind: str
    rollers: str | None = None
    site: str | None = None
    altitude_m: float | None = None
    bay_id: int = 0
    version: int = 1


@dataclass(frozen=True, slots=True)
class BayEvent:
    """Something done to a bay after which its level may step."""

    bay: str
    at: datetime
    kind: str
    note: str | None = None
    bay_event_id: int = 0
    version: int = 1


@dataclass(frozen=True, slots=True)
class Caller:
    """Who is asking: the token's name and scope, and for a bay's token its bay."""

    name: str
    scope: str
    bay: str | None = None
    token_id: int = 0

    @property
    def may_change(self) -> bool:
        """Whether it may post and amend, and is one of the shop's own."""
        return self.scope in ("post", "admin")
