"""How the columns of an old spreadsheet are to be read: a TOML document, every mistake in it named at once."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.domain.correction import STANDARDS
from service.tables import entries
from service.tables.dates import is_form
from service.tables.entries import Check, Entries
from service.tables.errors import BadMapping
from service.tables.mapping import SOURCES, TESTS
from service.tables.numbers import DECIMALS, THOUSANDS
from service.tables.units import known_words

QUANTITIES: Final[Mapping[str, str]] = {
    "power": "power",
    "power_rpm": "speed",
    "torque": "torque",
    "torque_rpm": "speed",
    "temperature": "temperature",
    "pressure": "pressure",
    "humidity": "share",
    "dew_point": "temperature",
    "coolant": "temperature",
    "oil": "temperature",
    "inlet": "temperature",
    "tyre_pressure": "pressure",
    "ethanol": "share",
    "spark_advance": "angle",
}
"""Columns of figures that need their unit."""
PLAIN: Final = ("factor", "ratio", "ramp", "octane", "best_of", "gear", "sequence")
"""Columns of figures that have none."""
WORDS: Final = (
    "vehicle", "bay", "parts", "label", "notes", "operator", "tyre_size", "standard", "parts_known", "stock_checked",
    "octane_method", "test", "source", "curve",
)  # fmt: skip
TIMES: Final = ("date", "clock")
COLUMNS: Final = (*TIMES, *WORDS, *QUANTITIES, *PLAIN)
NEEDED: Final = ("vehicle", "date")
PARTS_KNOWN: Final = ("complete", "partial", "unknown")
STOCK_CHECKED: Final = ("verified", "declared", "unknown")
ROWS: Final = ("setups", "pulls")
OBSERVED: Final = "observed"
UNKNOWN: Final = "unknown"
MOST_BEST_OF: Final = 20

Fault = str | None


@dataclass(frozen=True, slots=True)
class OldColumn:
    """Where a column stands, by name or by number counted from 1; the unit of its figures, how its times are written, or
    what parts its words."""

    place: str | int
    unit: str = ""
    formats: tuple[str, ...] = ()
    separator: str = ""


@dataclass(frozen=True, slots=True)
class OldFile:
    """How the file is laid out; lines are counted from 1. rows: whether each row is a setup of its own, or rows of one
    state that follow each other are the pulls of one."""

    sheet: str | int = 1
    encoding: str | None = None
    separator: str = ","
    decimal: str = "."
    thousands: str = ""
    names_line: int = 1
    first_row: int = 2
    rows: str = "setups"


@dataclass(frozen=True, slots=True)
class Curves:
    """Where the files that a column names lie, and the mapping file that reads them; beside the mapping that says so."""

    folder: str
    mapping: str


@dataclass(frozen=True, slots=True)
class OldMapping:
    """How to read one old file. `every` holds for each row that has no cell of its own; words are translated by `parts`,
    `vehicles`, `bays` and `standards`, where small and capital letters are the same."""

    file: OldFile
    columns: Mapping[str, OldColumn]
    every: Mapping[str, Any]
    zone: ZoneInfo
    clock: time | None
    parts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    vehicles: Mapping[str, str] = field(default_factory=dict)
    bays: Mapping[str, str] = field(default_factory=dict)
    standards: Mapping[str, str] = field(default_factory=dict)
    curves: Curves | None = None


def said(words: str) -> str:
    """Words as they are looked up: blanks and capitals do not matter."""
    return " ".join(words.split()).casefold()


def read_mapping(text: str) -> OldMapping:
    """The mapping a TOML text holds. Raises BadMapping, which names each mistake with its key, value and way out."""
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # no TOML, or deeper or longer than Python reads
        raise BadMapping([f"the mapping is no TOML: {error}; mend that place"]) from None
    faults: list[str] = []
    tables = {
        name: Entries(name, document.pop(name, {}), faults)
        for name in ("file", "columns", "every", "parts", "vehicles", "bays", "standards")
    }
    file = _file(tables["file"])
    columns = _columns(tables["columns"], file)
    zone, clock = _zone(tables["every"]), _clock(tables["every"], columns)
    every = _every(tables["every"], columns)
    curves = _curves(document.pop("curves", None), columns, faults)
    words = {name: _words(tables[name]) for name in ("vehicles", "bays", "standards")}
    parts = _parts(tables["parts"])
    faults += [f"{name}: no such table; there are [{'], ['.join(tables)}] and [curves]" for name in document]
    if faults or zone is None:
        raise BadMapping(faults)
    return OldMapping(file, columns, every, zone, clock, parts, **words, curves=curves)


def _file(table: Entries) -> OldFile:
    plain, take = OldFile(), table.take
    shape = OldFile(
        sheet=take("sheet", _sheet, plain.sheet),
        encoding=take("encoding", entries.encoding, plain.encoding),
        separator=take("separator", _separator, plain.separator),
        decimal=take("decimal", entries.one_of(DECIMALS), plain.decimal),
        thousands=take("thousands", entries.one_of(THOUSANDS), plain.thousands),
        names_line=take("names_line", entries.whole(0), plain.names_line),
        first_row=take("first_row", entries.whole(1), plain.first_row),
        rows=take("rows", entries.one_of(ROWS), plain.rows),
    )
    if shape.decimal == shape.thousands:
        table.fault("thousands", shape.thousands, "is the decimal mark too; leave one of the two out")
    if shape.names_line >= shape.first_row:
        table.fault("names_line", shape.names_line, f"must stand above first_row, {shape.first_row}")
    table.end(OldFile.__slots__)
    return shape


def _columns(table: Entries, file: OldFile) -> dict[str, OldColumn]:
    columns = {}
    for name in COLUMNS:
        if name in table.values:
            columns[name] = _column(
                Entries(f"columns.{name}", table.values.pop(name), table.faults), name, file
            )
    table.end(COLUMNS)
    for name in NEEDED:
        if name not in columns:
            table.missing(name, "every row needs its car and its day")
    if not {"power", "torque", "curve"} & set(columns):
        table.missing("power", "a record needs `power`, `torque` or a `curve`")
    return columns


def _column(table: Entries, name: str, file: OldFile) -> OldColumn:
    if ("name" in table.values) == ("number" in table.values):
        table.faults.append(f"{table.name}: give name or number, one of the two")
    if "name" in table.values and file.names_line == 0:
        table.fault(
            "name", table.values["name"], "the file has no line of names (names_line = 0); use number"
        )
    place = table.take("name", entries.text(200)) or table.take("number", entries.whole(1), 1)
    unit, separator = "", ""
    formats: tuple[str, ...] = ()
    known = ["name", "number"]
    if name in QUANTITIES:
        known.append("unit")
        if "unit" not in table.values:
            table.missing("unit", f"one of {known_words(QUANTITIES[name])}")
        unit = table.take("unit", entries.unit(QUANTITIES[name]), "")
    elif name in TIMES:
        known.append("format")
        formats = _as_tuple(table.take("format", _format(name), ()))
    elif name == "parts":
        known.append("separator")
        separator = table.take("separator", entries.text(10), ",")
    table.end(known)
    return OldColumn(place, unit, formats, separator)


def _zone(table: Entries) -> ZoneInfo | None:
    if "zone" not in table.values:
        table.missing("zone", 'where the days are counted, such as "Europe/London"')
        return None
    name = table.values.pop("zone")
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, TypeError, OSError):
        table.fault("zone", name, 'is no time zone known here; use a name such as "Europe/London" or "UTC"')
        return None


def _clock(table: Entries, columns: Mapping[str, OldColumn]) -> time | None:
    """The time of day that stands for those that were not written down: chosen by a person, for a post needs one."""
    word = table.take("clock", _time_of_day)
    if word is None and "clock" not in columns:
        date = columns.get("date")
        if date is None or not any("%H" in one or "%I" in one for one in date.formats):
            table.missing("clock", 'the time that stands for one that is not known, such as "12:00"')
    return None if word is None else time.fromisoformat(word)


def _every(table: Entries, columns: Mapping[str, OldColumn]) -> dict[str, Any]:
    checks: dict[str, Check] = {
        "bay": entries.text(64),
        "parts_known": entries.one_of(PARTS_KNOWN),
        "stock_checked": entries.one_of(STOCK_CHECKED),
        "test": entries.one_of(TESTS),
        "source": entries.one_of(SOURCES),
        "basis": _basis,
        "best_of": lambda value: None if entries.is_whole(value, 1, MOST_BEST_OF) else "must be 1 to 20",
        "gear": lambda value: None if entries.is_whole(value, 1, 20) else "must be 1 to 20",
        "operator": entries.text(40),
    }
    every = {name: table.take(name, check) for name, check in checks.items() if name in table.values}
    table.end((*checks, "zone", "clock"))
    if "bay" not in columns and "bay" not in every:
        table.missing("bay", "name the column of the bay, or the one bay of the whole file")
    if "parts" in columns and "parts_known" not in columns and "parts_known" not in every:
        table.missing("parts_known", f"how much the old lists tell: {', '.join(PARTS_KNOWN)}")
    return {name: value for name, value in every.items() if value is not None}


def _curves(value: Any, columns: Mapping[str, OldColumn], faults: list[str]) -> Curves | None:
    if value is None:
        if "curve" in columns:
            faults.append("[curves] is missing: say folder and mapping of the files that the column names")
        return None
    table = Entries("curves", value, faults)
    for key in ("folder", "mapping"):
        if key not in table.values:
            table.missing(key, "the folder of the files, and the mapping file that reads them")
    found = Curves(
        table.take("folder", entries.text(1000), ""), table.take("mapping", entries.text(1000), "")
    )
    table.end(("folder", "mapping"))
    return found


def _words(table: Entries) -> dict[str, str]:
    found = {}
    for word, slug in table.values.items():
        if not isinstance(slug, str) or not slug:
            table.fault(word, slug, "must be the name that it stands for")
        elif table.name == "standards" and slug not in (*STANDARDS, OBSERVED, UNKNOWN):
            table.fault(word, slug, f"no such standard; one of {', '.join(STANDARDS)}, observed, unknown")
        else:
            found[said(word)] = slug
    return found


def _parts(table: Entries) -> dict[str, tuple[str, ...]]:
    found = {}
    for word, slugs in table.values.items():
        listed = [slugs] if isinstance(slugs, str) else slugs
        if not isinstance(listed, list) or not all(isinstance(one, str) and one for one in listed):
            table.fault(word, slugs, "must be a slug, a list of slugs, or [] for nothing fitted")
        else:
            found[said(word)] = tuple(listed)
    return found


def _as_tuple(value: Any) -> tuple[str, ...]:
    return tuple(value) if isinstance(value, list | tuple) else (value,)


def _sheet(value: Any) -> Fault:
    return (
        None
        if entries.is_whole(value, 1, 1000) or (isinstance(value, str) and value)
        else "a name or a number"
    )


def _separator(value: Any) -> Fault:
    return None if isinstance(value, str) and len(value) == 1 and value not in '"\r\n' else "one character"


def _format(name: str) -> Check:
    words = ("%d", "%m") if name == "date" else ("%H",)

    def check(value: Any) -> Fault:
        listed = value if isinstance(value, list) else [value]
        good = listed and all(
            isinstance(one, str) and all(w in one for w in words) and is_form(one) for one in listed
        )
        shown = '"%d.%m.%Y"' if name == "date" else '"%H:%M"'
        return None if good else f"must hold {' and '.join(words)} once, such as {shown}; or a list of such"

    return check


def _time_of_day(value: Any) -> Fault:
    try:
        return None if time.fromisoformat(value).tzinfo is None else "must have no offset; zone says it"
    except (TypeError, ValueError):
        return 'must be a time of day, such as "12:00"'


def _basis(value: Any) -> Fault:
    if value in (OBSERVED, UNKNOWN):
        return None
    if not isinstance(value, dict) or not set(value) <= {"standard", "factor"}:
        return 'must be "observed", "unknown" or {standard = "...", factor = 1.02}'
    if value.get("standard") not in tuple(STANDARDS):
        return f"no such standard; one of {', '.join(STANDARDS)}"
    factor = value.get("factor", 1.0)
    return None if type(factor) in (int, float) and 0.5 <= factor <= 2.0 else "factor: must be 0.5 to 2"
