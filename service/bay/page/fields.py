"""The fields of the page: how each is shown, stepped and read. What was typed stays as it was typed, right or wrong."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.bay.known import KEYS, NotUnderstood, Said, nine_digits, understood
from service.domain.units import from_si, symbol, to_si

STEPS: Final[Mapping[tuple[str, str], float]] = {
    ("temperature", "si"): 0.5, ("temperature", "us"): 1.0, ("temperature", "ps"): 0.5,
    ("pressure", "si"): 0.1, ("pressure", "us"): 0.05, ("pressure", "ps"): 1.0,
    ("tyre_pressure", "si"): 5.0, ("tyre_pressure", "us"): 1.0, ("tyre_pressure", "ps"): 0.1,
}  # fmt: skip
"""About what an instrument in a bay resolves (our choice)."""


@dataclass(frozen=True)
class Field:
    """One field. Figures have limits, those of the ledger, and a value from which an empty one is stepped, all as they
    are kept; `share`: kept as 0..1, shown in percent."""

    name: str
    label: str
    low: float = 0.0
    high: float = 0.0
    start: float = 0.0
    step: float = 1.0
    share: bool = False
    is_text: bool = False

    @property
    def quantity(self) -> str | None:
        """The quantity, where it has units of its own."""
        return KEYS[self.name].quantity

    def unit(self, units: str) -> str:
        """The symbol behind the figure."""
        return "%" if self.share else symbol(self.quantity, units) if self.quantity else ""

    def shown(self, value: Any, units: str) -> str:
        """A kept value as it stands in the field."""
        if self.is_text or value is None:
            return str(value or "")
        figure = float(value) * 100.0 if self.share else float(value)
        return plain(from_si(figure, self.quantity, units) if self.quantity else figure)

    def read(self, typed: str, units: str) -> Any:
        """What was typed as it is kept. Raises ValueError with what is wrong and the way out."""
        if self.is_text:
            return understood({self.name: typed}, self.label, units)[self.name]
        try:
            figure = float(typed.replace(",", "."))
        except ValueError:
            figure = math.nan
        if not math.isfinite(figure):
            raise ValueError(
                f"{self.label}: “{typed}” is no number; use − and +, or leave it empty where it is not known"
            )
        kept = figure / 100.0 if self.share else figure
        kept = nine_digits(float(to_si(kept, self.quantity, units)) if self.quantity else kept)
        if not self.low <= kept <= self.high:
            low, high = (self.shown(limit, units) for limit in (self.low, self.high))
            raise ValueError(
                f"{self.label}: {typed} lies outside {low} to {high} {self.unit(units)}".rstrip()
                + "; look at the instrument again, and at its unit"
            )
        if KEYS[self.name].read is not KEYS["gear"].read:
            return kept
        if kept != int(kept):
            raise ValueError(f"{self.label}: {typed} must be a whole number; use − and +")
        return int(kept)

    def stepped(self, typed: str, units: str, up: bool) -> str:
        """What stands in the field after one press of + or −. Raises ValueError where no number stands there."""
        if not typed.strip():
            return plain(nearest(float(self.shown(self.start, units)), self.step_in(units)))
        self.read(typed, units)
        moved = float(typed.replace(",", ".")) + (1 if up else -1) * self.step_in(units)
        low, high = (float(self.shown(limit, units)) for limit in (self.low, self.high))
        return plain(min(max(moved, low), high))

    def step_in(self, units: str) -> float:
        """One press [unit shown]."""
        return STEPS[self.quantity, units] if self.quantity else self.step


AIR: Final = (
    Field("temperature", "Air temperature", -60.0, 80.0, start=20.0),
    Field("pressure", "Station pressure, absolute", 40.0, 115.0, start=100.0),
    Field("humidity", "Relative humidity", 0.0, 1.0, start=0.5, share=True),
    Field("dew_point", "Dew point, instead of humidity", -100.0, 80.0, start=10.0),
)
CAR: Final = (
    Field("gear", "Gear of the pulls", 1, 20, start=4),
    Field("ratio", "Engine turns for one of the axle", 0.05, 100.0, start=4.0, step=0.01),
    Field("tyre_size", "Tyre size, as written on it", is_text=True),
    Field("tyre_pressure", "Tyre pressure", 50.0, 1000.0, start=230.0),
    Field("operator", "Who runs it: initials or a number", is_text=True),
)
STATE: Final = (
    Field("octane", "Octane number", 50.0, 130.0, start=95.0),
    Field("ethanol", "Ethanol in the fuel, measured", 0.0, 1.0, start=0.1, share=True),
    Field("label", "Your own words for this setup", is_text=True),
)
ENGINE: Final = (
    Field("coolant", "Coolant at the start", -60.0, 250.0, start=85.0),
    Field("oil", "Oil at the start", -60.0, 250.0, start=85.0),
)
CHOICES: Final[Mapping[str, tuple[str, Mapping[str, str]]]] = {
    "parts_known": (
        "Is that list all that is not stock?",
        {"complete": "All of it", "partial": "Not all", "unknown": "Not known"},
    ),
    "stock_checked": (
        "Was the rest looked at?",
        {"verified": "Looked at", "declared": "Owner says so", "unknown": "Not known"},
    ),
    "octane_method": ("The octane number is by", {"ron": "RON", "mon": "MON", "aki": "AKI (pump, US)"}),
}
"""Choices, and the words for each."""


def plain(figure: float) -> str:
    """A figure with no more digits than it has."""
    return f"{round(figure, 4):.10g}"


def nearest(figure: float, step: float) -> float:
    """The multiple of a step next to a figure."""
    return round(figure / step) * step


def shown_all(fields: Iterable[Field], said: Mapping[str, Any], units: str) -> dict[str, str]:
    """What stands in each field for what is known."""
    return {field.name: field.shown(said.get(field.name), units) for field in fields}


def read_all(fields: Iterable[Field], typed: Mapping[str, str], units: str) -> tuple[Said, dict[str, str]]:
    """What was typed, in SI, and what is wrong with each field that cannot be used. Empty is not known."""
    said: Said = {}
    faults: dict[str, str] = {}
    for field in fields:
        text = typed.get(field.name, "").strip()
        if not text:
            continue
        try:
            said[field.name] = field.read(text, units)
        except NotUnderstood as error:
            faults[field.name] = str(error)
        except ValueError as error:
            faults[field.name] = str(error)
    return said, faults


def pressed(
    fields: Iterable[Field], typed: dict[str, str], step: str, units: str
) -> tuple[dict[str, str], dict[str, str]]:
    """The fields after one press, `name+` or `name-`, and what is wrong where it could not be done."""
    for field in fields:
        if step[:-1] == field.name:
            try:
                value = field.stepped(typed.get(field.name, ""), units, step.endswith("+"))
            except ValueError as error:
                return typed, {field.name: str(error)}
            return typed | {field.name: value}, {}
    return typed, {}


def emptied(said: Said, before: Mapping[str, Any], fields: Iterable[Field]) -> list[Field]:
    """What was said of the car in work and now stands empty: taken back, and not recorded."""
    return [field for field in fields if field.name in before and field.name not in said]
