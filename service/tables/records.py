"""What a mapping says and what a file gives, as records."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CHANNELS: Final[dict[str, str]] = {
    "rpm": "speed",
    "torque": "torque",
    "power": "power",
    "axle_torque": "torque",
    "time": "time",
    "roller_speed": "speed",
    "throttle": "share",
    "lambda": "mixture",
    "map": "pressure",
    "spark": "angle",
    "knock_retard": "angle",
    "inlet": "temperature",
}
"""The contract's channels and the quantity of each."""
ENGINE_CHANNELS: Final = ("torque", "power", "axle_torque")

FACTS: Final[dict[str, str]] = {
    "temperature": "temperature",
    "pressure": "pressure",
    "humidity": "share",
    "dew_point": "temperature",
    "coolant": "temperature",
    "oil": "temperature",
    "inlet": "temperature",
    "factor": "factor",
}
"""Figures a header may hold beside the start of the pull: air of the bay, temperatures of the engine, the factor."""

AIR: Final = ("temperature", "pressure", "humidity", "dew_point")
"""Of them what a column may hold too: it is the pull's own air."""

Place = int | str
"""A column by its number, counted from 1, or by its name."""


@dataclass(frozen=True)
class FileShape:
    """How the file is laid out. Lines are counted from 1; 0 says that there is none; no encoding: found in each file.

    `pull_column`: where each row says by a number or a word which pull it is of; pulls stand below each other then.
    """

    encoding: str = ""
    separator: str = ","
    decimal: str = "."
    thousands: str = ""
    names_line: int = 0
    units_line: int = 0
    first_row: int = 1
    footer_lines: int = 0
    rows: str = "time"
    pulls: str = "one"
    pull_column: Place | None = None


@dataclass(frozen=True)
class Column:
    """One channel's column: where it stands, in which unit; side by side it stands once for each pull."""

    places: tuple[Place, ...]
    unit: str
    shift_s: float | None = None
    gauge: bool = False
    stoichiometric: float | None = None


@dataclass(frozen=True)
class HeaderFact:
    """A fact of the header lines: the words before its value, and its unit or the way its time is written. A time without
    words is found by the way it is written, wherever it stands in a line."""

    keys: tuple[str, ...]
    unit: str = ""
    format: str = ""


@dataclass(frozen=True)
class Basis:
    """The standard figures were corrected to before; None says that they are as observed."""

    standard: str | None
    factor: float | None = None


@dataclass(frozen=True)
class Smoothing:
    """How the bay smoothed what it wrote; width [rpm] if it is known."""

    method: str
    width_rpm: float | None = None


@dataclass(frozen=True)
class PullWords:
    """What holds for every pull of such files. None is not known."""

    basis: Basis | None = None
    test: str | None = None
    source: str | None = None
    smoothing: Smoothing | None = None


@dataclass(frozen=True)
class Mapping:
    """How to read one kind of file. `air`: columns of the bay's air, which stands still along a pull."""

    file: FileShape
    columns: MappingOf[str, Column]
    pull: PullWords = field(default_factory=PullWords)
    header: MappingOf[str, HeaderFact] = field(default_factory=dict)
    air: MappingOf[str, Column] = field(default_factory=dict)


@dataclass(frozen=True)
class Open:
    """What a person must settle in one table of a mapping: why, and the lines among which to choose."""

    table: str
    why: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Facts:
    """What the header said of a pull, in SI; None was not said. The start has no offset from UTC: files give none."""

    started_at: datetime | None = None
    temperature_c: float | None = None
    pressure_kpa: float | None = None
    humidity: float | None = None
    dew_point_c: float | None = None
    coolant_c: float | None = None
    oil_c: float | None = None
    inlet_c: float | None = None
    factor: float | None = None


FACT_FIELDS: Final[dict[str, str]] = {
    "temperature": "temperature_c",
    "pressure": "pressure_kpa",
    "humidity": "humidity",
    "dew_point": "dew_point_c",
    "coolant": "coolant_c",
    "oil": "oil_c",
    "inlet": "inlet_c",
    "factor": "factor",
}


@dataclass(frozen=True)
class RowFault:
    """A line that was left out, or something of it, and why; line 0 is the whole file."""

    line: int
    why: str


@dataclass(frozen=True)
class FilePull:
    """One pull of a file: its channels in SI as the contract's `si` documents take them, and the lines it stood on."""

    channels: dict[str, Floats]
    facts: Facts
    lines: tuple[int, int]


@dataclass(frozen=True)
class ReadFile:
    """All that a file gave: its pulls, the facts of its header, and every line left out."""

    pulls: tuple[FilePull, ...]
    facts: Facts
    faults: tuple[RowFault, ...]
