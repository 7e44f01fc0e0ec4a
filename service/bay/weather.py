"""The air in the bay: fixed figures, or the latest row of a file that a weather station writes.

    [weather]                              # fixed; in the bay's units
    temperature = 21.5
    pressure = 99.6
    humidity = 0.45

    [weather]                              # or from a file, each column with its own unit
    file = "/weather/today.csv"
    separator = ";"                        # left out: a comma
    decimal = ","                          # left out: a point
    names_line = 1                         # the line with the columns' names; left out: 1
    at_most_min = 15                       # older rows say nothing of a pull; left out: 15
    time = { column = "Time", format = "%d.%m.%Y %H:%M:%S" }
    temperature = { column = "Air", unit = "degC" }
    pressure = { column = "Station pressure", unit = "hPa" }
    humidity = { column = "RH", unit = "%" }

A row counts for a pull when it is the last one at or before it, and not older than that: unknown stays unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from service.bay.handed import Air
from service.bay.known import NotUnderstood, Said, told_first, understood
from service.bay.last_air import SaidLast, beyond
from service.bay.settings import FILE, BayNotSet, BaySettings, path_of
from service.bay.work import Work
from service.tables.cells import SEPARATORS, cells_of, lines_of
from service.tables.numbers import DECIMALS, number
from service.tables.text import decode
from service.tables.units import Unit, known_words, one_in_si, unit_in

QUANTITIES: Final[Mapping[str, str]] = {
    "temperature": "temperature",
    "pressure": "pressure",
    "humidity": "share",
    "dew_point": "temperature",
}
SHAPE: Final = ("file", "separator", "decimal", "names_line", "at_most_min", "time")
AT_MOST_MIN: Final = 15.0
"""Our choice: a bay with its door open warms by some degrees in a quarter of an hour."""
LOOKED_AT: Final = 100_000
"""Rows looked at from the end of the file: a day of one a second [rows]."""


@dataclass(frozen=True)
class Aired:
    """The air at a moment; or why it is not known."""

    said: Said
    why_not: str | None = None


@dataclass(frozen=True)
class StationFile:
    """A weather station's file and how to read it."""

    path: Path
    separator: str
    decimal: str
    names_line: int
    at_most: timedelta
    time: tuple[str, str]
    columns: Mapping[str, tuple[str, Unit]]

    def at(self, moment: datetime) -> Aired:
        """The air at a moment, by the file as it stands now."""
        try:
            return self._in(lines_of(decode(self.path.read_bytes()).text), moment)
        except (OSError, ValueError) as error:
            return Aired({}, f"{self.path} cannot be read: {error}")

    def _in(self, lines: Sequence[str], moment: datetime) -> Aired:
        names = [
            cell.strip()
            for line in lines[self.names_line - 1 :][:1]
            for cell in cells_of(line, self.separator)
        ]
        wanted = [self.time[0], *(column for column, _ in self.columns.values())]
        missing = [column for column in wanted if column not in names]
        if missing:
            return Aired({}, f"{self.path} has no column {', '.join(missing)} in line {self.names_line}")
        for when, row in self._from_the_end(lines, names):
            if when <= moment:
                return self._of(row, names, moment - when)
        return Aired({}, f"{self.path} has no row at or before {moment.isoformat()}")

    def _from_the_end(
        self, lines: Sequence[str], names: Sequence[str]
    ) -> Iterator[tuple[datetime, list[str]]]:
        """Rows that say when, the latest first; one that is just being written is not whole."""
        place = names.index(self.time[0])
        for line in reversed(lines[self.names_line :][-LOOKED_AT:]):
            row = cells_of(line, self.separator)
            if len(row) < len(names):
                continue
            try:
                when = datetime.strptime(row[place].strip(), self.time[1])  # noqa: DTZ007 - the station's own time
            except ValueError:
                continue
            yield (when if when.tzinfo else when.astimezone()), row

    def _of(self, row: Sequence[str], names: Sequence[str], age: timedelta) -> Aired:
        if age > self.at_most:
            return Aired(
                {}, f"the last row of {self.path} is {age.total_seconds() / 60:.0f} min older than the pull"
            )
        said = {}
        for name, (column, unit) in self.columns.items():
            value = number(row[names.index(column)], self.decimal)
            if value is not None:
                said[name] = one_in_si(value, unit)
        return Aired(said)


def weather_by(settings: BaySettings) -> Callable[[datetime], Aired]:
    """The air by the bay's settings. Raises BayNotSet with every fault at once."""
    where, said = f"{settings.folder / FILE} [weather]", settings.weather
    faults = list(faults_of(said, where))
    if faults:
        raise BayNotSet("\n".join(faults))
    if "file" in said:
        return station_file(settings.folder, said).at
    try:
        fixed = Aired(understood(said, where, settings.units))
    except NotUnderstood as error:
        raise BayNotSet(str(error)) from error
    return lambda _: fixed


def is_fixed(settings: BaySettings) -> bool:
    """Whether the weather is the settings' own figures, and no instrument's."""
    return "file" not in settings.weather


def taken_back_in_words(settings: BaySettings, names: Mapping[str, str]) -> str:
    """What became of what was taken back: each name, and how a person calls it."""
    by_file = [words for name, words in names.items() if name in settings.weather and not is_fixed(settings)]
    nobody = [words for words in names.values() if words not in by_file]
    said = [f"Taken back, and not recorded until it is said again: {', '.join(nobody)}."] if nobody else []
    said += [f"Taken back, and left to the weather file again: {', '.join(by_file)}."] if by_file else []
    return " ".join(said)


def standing(settings: BaySettings, aired: Aired, work: Work | None) -> Aired:
    """What the weather says of a pull of the session in work: fixed figures that were taken back stand no more."""
    if work is None or not is_fixed(settings):
        return aired
    return Aired(
        {name: value for name, value in aired.said.items() if name not in work.forgotten}, aired.why_not
    )


def not_said_again(last: SaidLast, work: Work | None, aired: Aired) -> SaidLast:
    """What of the air that was said last is not known by another way: said of this car, brought by its files, or the
    weather's."""
    of_files = work.runs[-1].document.get("ambient", {}) if work is not None and work.runs else {}
    return beyond(last, {*(work.remembered if work else ()), *of_files, *aired.said})


def air_by(settings: BaySettings) -> Air:
    """What the weather file says, as a desk asks for it; nothing where the bay has none."""
    weather = weather_by(settings)
    return (lambda _: {}) if is_fixed(settings) else lambda moment: weather(moment).said


def defaults_of(settings: BaySettings) -> Said:
    """What the settings say where nobody else does: fixed weather is nobody's reading, and so a default too."""
    if not is_fixed(settings):
        return settings.defaults
    fixed = understood(settings.weather, f"{settings.folder / FILE} [weather]", settings.units)
    return told_first(fixed, settings.defaults)


def station_file(folder: Path, said: Mapping[str, Any]) -> StationFile:
    """The file that checked settings describe."""
    path = path_of(folder, said["file"])
    assert path is not None
    columns = {}
    for name, quantity in QUANTITIES.items():
        unit = unit_in(said[name]["unit"], quantity) if name in said else None
        if unit is not None:
            columns[name] = (said[name]["column"], unit)
    return StationFile(
        path=path,
        separator=said.get("separator", ","),
        decimal=said.get("decimal", "."),
        names_line=said.get("names_line", 1),
        at_most=timedelta(minutes=said.get("at_most_min", AT_MOST_MIN)),
        time=(said["time"]["column"], said["time"]["format"]),
        columns=columns,
    )


def faults_of(said: Mapping[str, Any], where: str) -> Iterator[str]:
    """Every fault of the table, with the way out."""
    known = (*QUANTITIES, *(SHAPE if "file" in said else ()))
    for name in said:
        if name not in known:
            yield f"{where}: there is no {name!r} here; there are {', '.join(known)}"
    if "file" not in said:
        return
    kinds = {"file": str, "separator": str, "decimal": str, "names_line": int, "at_most_min": (int, float)}
    for name, kind in kinds.items():
        if name in said and (not isinstance(said[name], kind) or isinstance(said[name], bool)):  # type: ignore[arg-type]
            yield f"{where}: {name} = {said[name]!r} must be {'text in quotes' if kind is str else 'a number'}"
    if said.get("decimal", ".") not in DECIMALS:
        yield f"{where}: decimal = {said['decimal']!r} must be one of {', '.join(DECIMALS)}"
    if said.get("separator", ",") not in SEPARATORS:
        yield f"{where}: separator = {said['separator']!r} must be one of {', '.join(map(repr, SEPARATORS))}"
    yield from missing_words(said, "time", ("column", "format"), where)
    for name, quantity in QUANTITIES.items():
        if name not in said:
            continue
        lacking = list(missing_words(said, name, ("column", "unit"), where))
        yield from lacking
        if not lacking and unit_in(said[name]["unit"], quantity) is None:
            yield f"{where}: {name}: unit = {said[name]['unit']!r} is not known; write one of {known_words(quantity)}"
    if not any(name in said for name in QUANTITIES):
        yield f"{where}: names no column; there are {', '.join(QUANTITIES)}"


def missing_words(said: Mapping[str, Any], name: str, words: Sequence[str], where: str) -> Iterator[str]:
    """What a column's table does not say."""
    column = said.get(name)
    if not isinstance(column, dict) or not all(isinstance(column.get(word), str) for word in words):
        example = ", ".join(f'{word} = "..."' for word in words)
        yield f"{where}: {name} = {column!r} must be a table: {name} = {{ {example} }}"
