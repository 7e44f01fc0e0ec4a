"""A row of an old file as a record in SI: what it says, and nothing that it does not say."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, Final, NamedTuple

from service.domain.correction import STANDARDS
from service.tables.numbers import number
from service.tables.records import AIR
from service.tables.units import Unit, one_in_si, unit_in
from service.transfer.history_mapping import (
    OBSERVED,
    PLAIN,
    QUANTITIES,
    UNKNOWN,
    OldColumn,
    OldMapping,
    said,
)
from service.transfer.sheets import Cell, SourceRow, as_text

LONGEST_LABEL: Final = 200
"""What a setup's label holds; longer words stand whole in the history."""
WHOLE: Final = ("best_of", "gear", "sequence")
OF_SESSION: Final = ("operator", "gear", "ratio", "tyre_size", "tyre_pressure", "sequence")
ENGINE: Final = ("coolant", "oil", "inlet")
PEAKS: Final = ("power", "power_rpm", "torque", "torque_rpm")
FUEL: Final = ("ethanol", "octane", "octane_method")

Figures = Mapping[str, "float | int | None"]
PartsOf = Callable[[str], "str | None"]
"""Why a slug cannot be taken as a part, with the nearest there are; None where it can."""


@dataclass(frozen=True, slots=True)
class OldRecord:
    """One row: its car, bay and day; `timed` where the time of day was written. What it says of the strap-down, the setup and
    the pull stands as in a posted document in SI; `words` are its cells as they were typed."""

    line: int
    vehicle: str
    bay: str
    day: str
    started_at: str
    timed: bool
    session: dict[str, Any]
    setup: dict[str, Any]
    pull: dict[str, Any]
    words: dict[str, str]
    curve: str | None = None

    def plain(self) -> dict[str, Any]:
        """The same as a dictionary: what it holds is shared, not copied."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Unread:
    """A row that cannot be taken, and why; its car, bay and day where these can be read, else empty."""

    line: int
    faults: list[str]
    vehicle: str
    bay: str
    day: str

    @property
    def placed(self) -> bool:
        """Whether it is known which strap-down it belongs to."""
        return bool(self.vehicle and self.bay and self.day)


class Faulty(ValueError):
    """A cell that cannot be read."""


@dataclass
class Reader:
    """Reads rows by a mapping, whose columns stand at `places`; `why_no_part` says which slugs are parts."""

    mapping: OldMapping
    places: Mapping[str, int]
    why_no_part: PartsOf
    units: dict[str, Unit] = field(init=False)

    def __post_init__(self) -> None:
        found = {name: unit_in(one.unit, QUANTITIES[name]) for name, one in self._figures()}
        self.units = {name: unit for name, unit in found.items() if unit is not None}

    def _figures(self) -> list[tuple[str, OldColumn]]:
        return [(name, one) for name, one in self.mapping.columns.items() if name in QUANTITIES]

    def read(self, row: SourceRow) -> OldRecord | Unread:
        """The row's record, or every reason why it cannot be taken."""
        faults: list[str] = []
        cells = _Cells(self, row, faults)
        when, vehicle, bay = cells.moment(), cells.vehicle(), cells.bay()
        figures = {name: cells.figure(name) for name in (*QUANTITIES, *PLAIN) if name in self.places}
        words = {name: text for name in self.places if (text := cells.text(name))}
        setup, pull = self._setup(cells, figures, words), self._pull(cells, figures, words)
        if not faults and not {"power", "torque"} & set(pull.get("peaks", ())) and "curve" not in words:
            faults.append("power: neither power nor torque is given, nor a curve; a record needs one of them")
        if faults:
            return Unread(row.number, faults, vehicle, bay, when.day)
        return OldRecord(
            line=row.number,
            vehicle=vehicle,
            bay=bay,
            day=when.day,
            started_at=when.started_at,
            timed=when.timed,
            session=_known(
                {**self._of_all("gear", "operator"), **_known({**words, **figures}, OF_SESSION)}, OF_SESSION
            ),
            setup=setup,
            pull=pull,
            words=words,
            curve=words.get("curve"),
        )

    def _of_all(self, *names: str) -> dict[str, Any]:
        """What the mapping says of every row."""
        return {name: self.mapping.every.get(name) for name in names}

    def _setup(self, cells: _Cells, figures: Figures, words: Mapping[str, str]) -> dict[str, Any]:
        """What the row says of the car's state."""
        parts, known = cells.parts()
        label = words.get("label", words.get("parts", ""))
        fuel = _known({**figures, "octane_method": cells.word("octane_method")}, FUEL)
        return _some(
            {
                "label": label if 0 < len(label) <= LONGEST_LABEL else None,
                "parts": parts,
                "parts_known": known,
                "stock_checked": cells.word("stock_checked"),
                "fuel": fuel,
                "spark_advance": figures.get("spark_advance"),
            }
        )

    def _pull(self, cells: _Cells, figures: Figures, words: Mapping[str, str]) -> dict[str, Any]:
        """What it says of the pull: its peaks, where no curve is named."""
        best_of = figures.get("best_of")
        peaks = {
            "best_of": self.mapping.every.get("best_of") if best_of is None else best_of,
            "peaks": _known(figures, PEAKS),
        }
        return _some(
            {
                "ambient": _known(figures, AIR),
                "engine": _known(figures, ENGINE),
                "ramp": figures.get("ramp"),
                "test": cells.word("test"),
                "source": cells.word("source"),
                "basis": cells.basis(figures.get("factor")),
                **({} if "curve" in words else peaks),
            }
        )


class When(NamedTuple):
    """A row's day, when it began, and whether the time of day was written."""

    day: str
    started_at: str
    timed: bool


NEVER: Final = When("", "", False)


@dataclass
class _Cells:
    """The cells of one row; what is wrong with them is collected."""

    reader: Reader
    row: SourceRow
    faults: list[str]

    def cell(self, name: str) -> Cell:
        """A column's cell, None where the row is too short or the cell is empty."""
        place = self.reader.places.get(name)
        if place is None or place >= len(self.row.cells):
            return None
        found = self.row.cells[place]
        return None if found == "" else found

    def text(self, name: str) -> str:
        """The same as it was typed."""
        return as_text(self.cell(name), self.reader.mapping.file.decimal)

    def moment(self) -> When:
        """When the row was recorded: a day always, a time of day where one is written."""
        mapping, cell = self.reader.mapping, self.cell("date")
        try:
            day, at = _day_in(cell, mapping.columns["date"].formats)
            clock = self.cell("clock")
            if clock is not None:
                at = _time_in(clock, mapping.columns["clock"].formats)
        except Faulty as error:
            self.faults.append(str(error))
            return NEVER
        if at is None and mapping.clock is None:
            self.faults.append(
                "clock: no time of day is given; say in [every] which clock stands for one not known"
            )
            return NEVER
        began = datetime.combine(day, at or mapping.clock or time(0), tzinfo=mapping.zone)
        return When(day.isoformat(), began.isoformat(), at is not None)

    def vehicle(self) -> str:
        """The car's tag: translated, else in small letters."""
        text = self.text("vehicle")
        if not text:
            self.faults.append("vehicle: no car is named; a record needs one")
        return self.reader.mapping.vehicles.get(said(text), text.lower())

    def bay(self) -> str:
        """The bay's slug, from its column or for the whole file."""
        mapping, text = self.reader.mapping, self.text("bay")
        if text:
            return mapping.bays.get(said(text), text.lower())
        if "bay" not in mapping.every:
            self.faults.append("bay: no bay is named; name it, or one for the whole file in [every]")
        return str(mapping.every.get("bay", ""))

    def parts(self) -> tuple[list[str], str]:
        """The fitted parts by slug, and how well they are known: a cell that says nothing says nothing."""
        mapping, text = self.reader.mapping, self.text("parts")
        if not text:
            return [], UNKNOWN
        found: list[str] = []
        for words in text.split(mapping.columns["parts"].separator):
            if words.strip():
                found += self._parts_in(words.strip())
        stated = self.word("parts_known")
        return list(dict.fromkeys(found)), stated or UNKNOWN

    def _parts_in(self, words: str) -> tuple[str, ...]:
        listed = self.reader.mapping.parts.get(said(words))
        slugs = (said(words).replace(" ", "-"),) if listed is None else listed
        for slug in slugs:
            wrong = self.reader.why_no_part(slug)
            if wrong is not None:
                what = (
                    f"{words!r} is not in [parts], and"
                    if listed is None
                    else f"[parts] says {words!r} is {slug!r}, but"
                )
                self.faults.append(f"parts: {what} {wrong}")
        return slugs

    def word(self, name: str) -> str | None:
        """One of a few words, or that of the whole file."""
        return self.text(name).lower() or self.reader.mapping.every.get(name)

    def figure(self, name: str) -> float | int | None:
        """A figure in SI; None where the cell is empty."""
        cell = self.cell(name)
        if cell is None:
            return None
        file = self.reader.mapping.file
        value = (
            _plain_figure(cell) if not isinstance(cell, str) else number(cell, file.decimal, file.thousands)
        )
        if value is None:
            self.faults.append(
                f"{name}: {as_text(cell)!r} is no figure written with {file.decimal!r}; mend it, or leave it empty"
            )
            return None
        if name in WHOLE:
            if value != int(value):
                self.faults.append(f"{name}: {value:g} must be a whole number")
            return int(value)
        return one_in_si(value, self.reader.units[name]) if name in self.reader.units else value

    def basis(self, factor: float | None) -> Any:
        """How the figures were given; a correction that nobody wrote down is unknown."""
        mapping, text = self.reader.mapping, self.text("standard")
        if not text:
            basis = mapping.every.get("basis", UNKNOWN)
            if isinstance(basis, dict):
                return {**basis, "factor": factor if factor is not None else basis.get("factor")}
        else:
            basis = mapping.standards.get(said(text), text.lower())
        if basis == OBSERVED:
            return OBSERVED
        if basis not in (*STANDARDS, UNKNOWN):
            self.faults.append(
                f"standard: {text!r} is none; say in [standards] which it stands for: {', '.join(STANDARDS)}"
            )
        return {"standard": basis, "factor": factor}


def _plain_figure(cell: Cell) -> float | None:
    return float(cell) if isinstance(cell, int | float) and not isinstance(cell, bool) else None


def _known(values: Mapping[str, Any], names: Sequence[str]) -> dict[str, Any]:
    """Those of some values that are known."""
    return {name: values[name] for name in names if values.get(name) is not None}


def _some(values: Mapping[str, Any]) -> dict[str, Any]:
    """What is known, without what is empty; an empty list of parts says something."""
    return {name: value for name, value in values.items() if value is not None and value != {}}


def _day_in(cell: Cell, formats: Sequence[str]) -> tuple[date, time | None]:
    if isinstance(cell, datetime):
        return cell.date(), None if cell.time() == time(0) else cell.time()
    if isinstance(cell, date):
        return cell, None
    if not isinstance(cell, str):
        shown = "nothing is there" if cell is None else f"{cell!r} is no date: format the cells as dates"
        raise Faulty(f"date: {shown}; a record needs its day")
    for form in formats:
        moment = _parsed(cell, form)
        if moment is not None:
            return moment.date(), moment.time() if "%H" in form or "%I" in form else None
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        wanted = " or ".join(formats) or "2019-03-28"
        raise Faulty(f"date: {cell!r} is not written as {wanted}; mend it, or the format") from None
    if moment.tzinfo is not None:
        raise Faulty(
            f"date: {cell!r} has an offset of its own; leave it out, the zone is that of the mapping"
        )
    return moment.date(), moment.time() if len(cell) > len("2019-03-28") else None


def _time_in(cell: Cell, formats: Sequence[str]) -> time:
    if isinstance(cell, datetime):
        return cell.time()
    if isinstance(cell, time):
        return cell
    for form in formats or ("%H:%M", "%H:%M:%S"):
        moment = _parsed(as_text(cell), form)
        if moment is not None:
            return moment.time()
    wanted = " or ".join(formats) or "%H:%M"
    raise Faulty(f"clock: {as_text(cell)!r} is not written as {wanted}; mend it, or leave it empty")


def _parsed(text: str, form: str) -> datetime | None:
    try:
        return datetime.strptime(" ".join(text.split()), form)  # noqa: DTZ007 - the zone is the mapping's
    except ValueError:
        return None
