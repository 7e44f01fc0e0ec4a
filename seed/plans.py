"""What a plan of the invented past is made of: cars, their sessions, the job book. No measured number yet."""

from dataclasses import dataclass, field
from datetime import date, datetime
from uuid import UUID, uuid5

from seed.effects import Effects
from seed.jobs import State

SHOP_NAMESPACE = UUID("0f6c1c1e-6a54-5d0e-9a53-6a1f3a1d7b10")  # any fixed value: ids follow from content
UNSTATED = "unknown"  # a figure that was corrected, and nobody wrote down to what


@dataclass(frozen=True)
class Car:
    """One car. effect: its level against the typical stock car; tilt: more on top than below [log]."""

    number: int
    tag: str
    platform: str
    model_year: int
    odometer_km: int
    effect: float
    tilt: float
    tired: bool = False


@dataclass(frozen=True)
class SessionPlan:
    """One car strapped down once: where, when, in which states, recorded how, and what is wrong with it."""

    index: int
    car: Car
    bay: str
    started_at: datetime
    states: tuple[State, ...]
    sequence: int = 0
    form: str = "curve"
    basis: str = "observed"
    basis_factor: bool = True
    humidity: str = "humidity"
    parts_known: str = "complete"
    stock_checked: str = "verified"
    faults: tuple[str, ...] = ()

    def session_id(self, seed: int) -> str:
        """The same session has the same id whenever the shop is made again."""
        return str(uuid5(SHOP_NAMESPACE, f"{seed}|{self.car.tag}|{self.bay}|{self.started_at.isoformat()}"))


@dataclass(frozen=True)
class Fitting:
    """A part that stayed on a car: what the shop's job book says."""

    vehicle: str
    part: str
    fitted_on: date
    removed_on: date | None
    price_paid: float
    labour_hours: float


@dataclass(frozen=True)
class History:
    """The whole invented past."""

    effects: Effects
    cars: tuple[Car, ...]
    sessions: tuple[SessionPlan, ...]
    fittings: tuple[Fitting, ...]
    wrong_parts: dict[int, tuple[str, str]] = field(default_factory=dict)
