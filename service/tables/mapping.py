"""A mapping as TOML: read with every mistake named at once, and written with the reasons beside it."""

from __future__ import annotations

from collections.abc import Iterable
from collections.abc import Mapping as MappingOf
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError

from service.domain.correction import STANDARDS
from service.tables import entries
from service.tables.cells import SEPARATORS
from service.tables.dates import is_form
from service.tables.entries import Check, Entries
from service.tables.errors import BadMapping
from service.tables.numbers import DECIMALS, THOUSANDS
from service.tables.records import (
    AIR,
    CHANNELS,
    ENGINE_CHANNELS,
    FACTS,
    Basis,
    Column,
    FileShape,
    HeaderFact,
    Mapping,
    Open,
    PullWords,
    Smoothing,
)
from service.tables.units import AIR_FUEL_RATIO, known_words, unit_in

TESTS: Final = ("sweep", "inertia", "steps")
SOURCES: Final = ("live", "file", "paper", "photo")
ROWS: Final = ("time", "rpm")
PULLS: Final = ("one", "stacked", "side-by-side")
MARK: Final = "TO BE SETTLED"
"""Before whatever in a mapping waits for a person."""
SHIFT_S: Final = 10.0  # our choice: a probe that lags longer is broken


def read(text: str) -> Mapping:
    """The mapping a TOML text holds. Raises BadMapping, which names each mistake with its key, value and way out."""
    try:
        document = tomlkit.parse(text).unwrap()
    except (TOMLKitError, ValueError, RecursionError) as error:
        raise BadMapping([f"the mapping is no TOML: {error}; mend that place"]) from None
    faults: list[str] = []
    whole = Entries("", document, faults)
    file = _file(whole.table("file", {}))
    columns = _columns(whole.table("columns", {}), file)
    pull = _pull(whole.table("pull", {}))
    header = _header(whole.table("header", {}))
    air = _air(whole.table("air", {}), file)
    whole.end(("[file]", "[columns]", "[pull]", "[header]", "[air]"))
    if faults:
        raise BadMapping(faults)
    return Mapping(file, columns, pull, header, air)


def _file(table: Entries | None) -> FileShape:
    assert table is not None
    plain = FileShape()
    take = table.take
    shape = FileShape(
        encoding=take("encoding", entries.encoding, plain.encoding),
        separator=take("separator", entries.one_of(SEPARATORS), plain.separator, 'such as ";"'),
        decimal=take("decimal", entries.one_of(DECIMALS), plain.decimal, '"." or ","'),
        thousands=take("thousands", entries.one_of(THOUSANDS), plain.thousands),
        names_line=take("names_line", entries.whole(0), 0, "the line of the columns' names, or 0 for none"),
        units_line=take("units_line", entries.whole(0), 0),
        first_row=take("first_row", entries.whole(1), 1, "the line of the first figures"),
        footer_lines=take("footer_lines", entries.whole(0), 0),
        rows=take("rows", entries.one_of(ROWS), "time", '"time" or "rpm"'),
        pulls=take("pulls", entries.one_of(PULLS), "one"),
        pull_column=take("pull_column", _place),
    )
    if shape.pull_column is not None and shape.pulls != "stacked":
        table.faults.append(f'file.pull_column = {shape.pull_column!r}: needs pulls = "stacked"')
    if isinstance(shape.pull_column, str) and shape.names_line == 0:
        table.faults.append(
            f"file.pull_column = {shape.pull_column!r}: the file has no line of names (names_line = 0); use its number"
        )
    if shape.decimal == shape.thousands:
        table.faults.append(
            f"file.thousands = {shape.thousands!r}: is the decimal mark too; leave one of the two out"
        )
    for key in ("names_line", "units_line"):
        if getattr(shape, key) >= shape.first_row:
            table.faults.append(
                f"file.{key} = {getattr(shape, key)}: must stand above first_row, {shape.first_row}"
            )
    table.end(FileShape.__dataclass_fields__)
    return shape


def _columns(table: Entries | None, file: FileShape) -> dict[str, Column]:
    assert table is not None
    columns = {}
    for channel in CHANNELS:
        column = table.table(channel)
        if column is not None:
            columns[channel] = _column(column, CHANNELS[channel], file)
    table.end(CHANNELS)
    if "rpm" not in columns:
        table.faults.append("columns.rpm is missing: say which column is the engine speed")
    if not any(channel in columns for channel in ENGINE_CHANNELS):
        table.faults.append(f"columns.torque is missing: a curve needs one of {', '.join(ENGINE_CHANNELS)}")
    counts = {len(one.places) for one in columns.values()} - {0, 1}
    if len(counts) > 1:
        table.faults.append(
            f"columns name {' and '.join(map(str, sorted(counts)))} places; side by side each needs one for every pull"
        )
    if "time" not in columns:
        for channel, one in columns.items():
            if one.shift_s is not None:
                table.faults.append(
                    f"columns.{channel}.shift_s = {one.shift_s}: needs a time column; add [columns.time]"
                )
    return columns


def _air(table: Entries | None, file: FileShape) -> dict[str, Column]:
    assert table is not None
    columns = {
        fact: _column(one, FACTS[fact], file) for fact in AIR if (one := table.table(fact)) is not None
    }
    table.end(AIR)
    if {"humidity", "dew_point"} <= columns.keys():
        table.faults.append("air.dew_point: is the humidity said in another way; leave one of the two out")
    for fact, column in columns.items():
        if len(column.places) > 1 or column.shift_s is not None or column.gauge:
            table.faults.append(f"air.{fact}: takes name or number, and unit; leave the rest out")
    return columns


def _column(table: Entries, quantity: str, file: FileShape) -> Column:
    if ("name" in table.values) == ("number" in table.values):
        table.faults.append(f"{table.name}: give name or number, one of the two")
    names, numbers = table.take("name", _names), table.take("number", _numbers)
    places = _as_tuple(names if names is not None else numbers)
    if len(places) > 1 and file.pulls != "side-by-side":
        table.faults.append(
            f'{table.name} = {list(places)!r}: several columns need file.pulls = "side-by-side"'
        )
    if names is not None and file.names_line == 0:
        table.faults.append(
            f"{table.name}.name = {names!r}: the file has no line of names (names_line = 0); use number"
        )
    unit = table.take("unit", entries.unit(quantity), "", f"one of {known_words(quantity)}")
    shift = table.take("shift_s", _between(-SHIFT_S, SHIFT_S, "seconds"))
    gauge = table.take("gauge", _gauge(quantity), False)
    scale = table.take("stoichiometric", _scale(quantity))
    parsed = unit_in(unit, quantity)
    if parsed is not None and parsed.pint_name == AIR_FUEL_RATIO and scale is None:
        table.faults.append(
            f"{table.name}.stoichiometric is missing: an air/fuel ratio needs that of its scale, such as 14.7"
        )
    if parsed is not None and parsed.gauge is False and gauge:
        table.faults.append(f"{table.name}.gauge = True: but {unit!r} is absolute; leave gauge out")
    table.end(("name", "number", "unit", "shift_s", "gauge", "stoichiometric"))
    shifted = None if shift is None else float(shift)
    return Column(places, unit, shifted, bool(gauge), None if scale is None else float(scale))


def _pull(table: Entries | None) -> PullWords:
    assert table is not None
    basis = table.take("basis", _basis)
    test = table.take("test", entries.one_of(TESTS))
    source = table.take("source", entries.one_of(SOURCES))
    smoothing = table.table("smoothing")
    words = None
    if smoothing is not None:
        method = smoothing.take("method", entries.text(100), "", "how the curve was smoothed")
        width = smoothing.take("width_rpm", _between(0.0, 5000.0, "rpm"))
        smoothing.end(("method", "width_rpm"))
        words = Smoothing(method, None if width is None else float(width))
    table.end(("basis", "test", "source", "smoothing"))
    return PullWords(_basis_record(basis), test, source, words)


def _basis_record(basis: Any) -> Basis | None:
    if basis is None:
        return None
    if basis == "observed":
        return Basis(None)
    factor = basis.get("factor")
    return Basis(basis["standard"], None if factor is None else float(factor))


def _header(table: Entries | None) -> dict[str, HeaderFact]:
    assert table is not None
    facts = {}
    for fact in ("started_at", *FACTS):
        one = table.table(fact)
        if one is None:
            continue
        needed = "" if fact == "started_at" else "the words before the value"
        keys = _as_tuple(one.take("key", _names, None, needed))
        if fact == "started_at":
            form = one.take("format", _format, "", 'such as "%d.%m.%Y %H:%M"')
            facts[fact] = HeaderFact(keys, format=form)
            one.end(("key", "format"))
        else:
            unit = one.take("unit", entries.unit(FACTS[fact]), "", f"one of {known_words(FACTS[fact])}")
            facts[fact] = HeaderFact(keys, unit=unit)
            one.end(("key", "unit"))
    table.end(("started_at", *FACTS))
    return facts


def _as_tuple(value: Any) -> tuple[Any, ...]:
    if value is None:
        return ()
    return tuple(value) if isinstance(value, list) else (value,)


def _between(low: float, high: float, unit: str) -> Check:
    return lambda v: (
        None if type(v) in (int, float) and low <= v <= high else f"must be {low:g} to {high:g} {unit}"
    )


def _names(value: Any) -> str | None:
    listed = value if isinstance(value, list) else [value]
    good = listed and all(isinstance(one, str) and one.strip() for one in listed)
    return None if good else "must be a name, or a list of names"


def _numbers(value: Any) -> str | None:
    listed = value if isinstance(value, list) else [value]
    good = listed and all(entries.is_whole(one, 1) for one in listed)
    return None if good else "must be a column's number counted from 1, or a list of them"


def _place(value: Any) -> str | None:
    good = entries.is_whole(value, 1) or (isinstance(value, str) and bool(value.strip()))
    return None if good else "must be a column's number counted from 1, or its name"


def _gauge(quantity: str) -> Check:
    if quantity != "pressure":
        return lambda _: "only a pressure can be a gauge's; leave it out"
    return lambda value: None if isinstance(value, bool) else "must be true or false"


def _scale(quantity: str) -> Check:
    if quantity != "mixture":
        return lambda _: "only an air/fuel ratio has a scale; leave it out"
    return _between(1.0, 40.0, "(14.7 for petrol's scale)")


def _format(value: Any) -> str | None:
    parts = ("%d",), ("%m", "%b", "%B"), ("%Y", "%y")
    good = (
        isinstance(value, str) and all(any(part in value for part in one) for one in parts) and is_form(value)
    )
    return None if good else 'must name day, month and year once, such as "%d.%m.%Y %H:%M"'


def _basis(value: Any) -> str | None:
    if value == "observed":
        return None
    if not isinstance(value, dict) or not set(value) <= {"standard", "factor"}:
        return 'must be "observed" or {standard = "...", factor = 1.02}'
    if value.get("standard") not in (*STANDARDS, "unknown"):
        return f"no such standard; one of {', '.join(STANDARDS)}, or unknown"
    return None if "factor" not in value else _between(0.5, 2.0, "as factor")(value["factor"])


def written(mapping: Mapping, reasons: Iterable[str] = (), waiting: Iterable[Open] = ()) -> str:
    """The mapping as TOML; the reasons stand above it as comments, and what waits for a person as comments in its table,
    each line a choice. `read` gives the same mapping back, where every column has a unit."""
    document = tomlkit.document()
    for reason in reasons:
        for line in reason.splitlines():
            document.add(_comment(line))
    left = list(waiting)
    document.add(
        "file",
        _plain_table(
            {
                key: value
                for key, value in vars(mapping.file).items()
                if value or key not in ("encoding", "pull_column")
            }
        ),
    )
    columns = tomlkit.table(is_super_table=True)
    for channel, column in mapping.columns.items():
        columns.add(channel, _plain_table(_column_values(column), _taken(left, f"columns.{channel}")))
    if mapping.columns:
        document.add("columns", columns)
    if mapping.air:
        air = tomlkit.table(is_super_table=True)
        for fact, column in mapping.air.items():
            air.add(fact, _plain_table(_column_values(column)))
        document.add("air", air)
    pull = _pull_values(mapping.pull)
    if pull:
        document.add("pull", _plain_table(pull, _taken(left, "pull")))
    if mapping.header:
        facts = {fact: _fact_values(where) for fact, where in mapping.header.items()}
        document.add("header", _plain_table(facts, _taken(left, "header")))
    for one in left:
        document.add(tomlkit.nl())
        for line in (f"{MARK}: {one.why}", f"[{one.table}]", *one.lines):
            document.add(_comment(line))
    return tomlkit.dumps(document)


def _taken(waiting: list[Open], table: str) -> list[Open]:
    """What waits in one table, out of the list."""
    found = [one for one in waiting if one.table == table]
    waiting[:] = [one for one in waiting if one.table != table]
    return found


def _comment(line: str) -> tomlkit.items.Comment:
    return tomlkit.comment("".join(c for c in line if c.isprintable()))


def _plain_table(values: MappingOf[str, Any], waiting: Iterable[Open] = ()) -> tomlkit.items.Table:
    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, _inline(value) if isinstance(value, dict) else value)
    for one in waiting:
        for line in (f"{MARK}: {one.why}", *one.lines):
            table.add(_comment(line))
    return table


def _inline(values: MappingOf[str, Any]) -> tomlkit.items.InlineTable:
    inline = tomlkit.inline_table()
    inline.update(values)
    return inline


def _column_values(column: Column) -> dict[str, Any]:
    key = "name" if isinstance(column.places[0], str) else "number"
    values: dict[str, Any] = {key: _one_or_list(column.places)}
    if column.unit:
        values["unit"] = column.unit
    if column.shift_s is not None:
        values["shift_s"] = column.shift_s
    if column.gauge:
        values["gauge"] = True
    if column.stoichiometric is not None:
        values["stoichiometric"] = column.stoichiometric
    return values


def _one_or_list(places: tuple[Any, ...]) -> Any:
    return places[0] if len(places) == 1 else list(places)


def _pull_values(pull: PullWords) -> dict[str, Any]:
    values: dict[str, Any] = {}
    if pull.basis is not None:
        values["basis"] = "observed" if pull.basis.standard is None else _without_none(vars(pull.basis))
    values |= {"test": pull.test, "source": pull.source}
    values["smoothing"] = None if pull.smoothing is None else _without_none(vars(pull.smoothing))
    return _without_none(values)


def _fact_values(where: HeaderFact) -> dict[str, Any]:
    key = {"key": _one_or_list(where.keys)} if where.keys else {}
    return key | ({"format": where.format} if where.format else {"unit": where.unit})


def _without_none(values: MappingOf[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}
