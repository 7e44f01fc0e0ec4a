"""What a data dictionary is made of: tables, columns, and those that several tables share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

NOT_RECORDED: Final = "not recorded"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its kind (see `columns.KINDS`), meaning, unit, and what null says (empty: it is never null)."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    null: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its name in the ledger, its meaning, its columns in order, what its rows are ordered by.

    own: a sequence gives out the numbers of this column.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    order: tuple[str, ...]
    own: str = ""

    def __getitem__(self, name: str) -> Column:
        return next(one for one in self.columns if one.name == name)


def key(name: str, of: str, kind: str = "int", null: str = "") -> Column:
    """A number by which rows know each other."""
    return Column(name, kind, of, null=null)


def value(name: str, meaning: str, unit: str, null: str = NOT_RECORDED) -> Column:
    """A figure."""
    return Column(name, "float", meaning, unit, null)


def words(name: str, meaning: str, null: str = "") -> Column:
    """A text."""
    return Column(name, "text", meaning, null=null)


VERSION: Final = Column("version", "int", "how often the record was written; 1 is the first time")
MADE: Final = Column("created_at", "moment", "when the record was made")
AIR: Final = (
    value("temperature_c", "temperature of the air that the engine takes in", "degC"),
    value("pressure_kpa", "absolute pressure at the station", "kPa"),
)
VAPOUR: Final = value("vapour_kpa", "pressure of water vapour in that air", "kPa")
OF_THE_ENGINE: Final = (
    value("coolant_c", "coolant at the start", "degC"),
    value("oil_c", "oil at the start", "degC"),
    value("inlet_c", "inlet air at the start", "degC"),
)
CHANNELS: Final[dict[str, tuple[str, str]]] = {
    "rpm": ("engine speed", "rpm"),
    "torque": ("power at the wheel over engine speed", "N.m"),
    "power": ("power at the wheel", "kW"),
    "axle_torque": ("torque at the axle", "N.m"),
    "time": ("time since any start", "s"),
    "roller_speed": ("speed of the rollers or hubs", "rpm"),
    "throttle": ("throttle, as posted", "1"),
    "lambda": ("lambda", "1"),
    "map": ("absolute pressure in the manifold", "kPa"),
    "spark": ("spark advance before top dead centre", "deg"),
    "knock_retard": ("spark taken back by knock control", "deg"),
    "inlet": ("inlet air", "degC"),
    "speed_ratio": ("engine speed over roller speed", "1"),
}
"""What can be recorded along a pull, and its unit."""


def along(name: str, null: str) -> Column:
    """One channel as a list of its samples."""
    meaning, unit = CHANNELS[name]
    return Column(name, "floats", f"{meaning}, one figure a sample", unit, null)
