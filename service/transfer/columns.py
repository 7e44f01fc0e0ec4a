"""The kinds of columns: how each stands in a cell of delimited text, and in Parquet. An empty cell says null."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

import pyarrow as pa  # type: ignore[import-untyped]

from service.transfer.cells import guarded, unguarded


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind's cell from a value, a value from its cell, its Parquet type, and the value Parquet takes."""

    to_cell: Callable[[Any], str]
    from_cell: Callable[[str], Any]
    arrow: pa.DataType
    to_arrow: Callable[[Any], Any] = lambda value: value


def _flag(cell: str) -> bool:
    if cell not in ("true", "false"):
        raise ValueError(f"{cell!r} is neither true nor false")
    return cell == "true"


def _moment(value: datetime) -> str:
    return value.astimezone(UTC).isoformat()


def _bytes(cell: str) -> bytes:
    if not cell.startswith("\\x"):
        raise ValueError(f"{cell[:20]!r} does not begin with \\x")
    return bytes.fromhex(cell[2:])


def _list(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


KINDS: Final[Mapping[str, Kind]] = {
    "int": Kind(str, int, pa.int64()),
    "float": Kind(repr, float, pa.float64()),
    "text": Kind(guarded, unguarded, pa.string()),
    "json": Kind(guarded, unguarded, pa.string()),
    "bool": Kind(lambda value: "true" if value else "false", _flag, pa.bool_()),
    "moment": Kind(_moment, datetime.fromisoformat, pa.timestamp("us", tz="UTC")),
    "day": Kind(date.isoformat, date.fromisoformat, pa.date32()),
    "money": Kind(str, Decimal, pa.decimal128(12, 2)),
    "uuid": Kind(str, UUID, pa.string(), str),
    "texts": Kind(_list, json.loads, pa.list_(pa.string())),
    "ints": Kind(_list, json.loads, pa.list_(pa.int64())),
    "floats": Kind(_list, json.loads, pa.list_(pa.float64())),
    "bytes": Kind(lambda value: "\\x" + value.hex(), _bytes, pa.binary()),
}


def to_cell(kind: str, value: Any) -> str:
    """A value as a cell."""
    return "" if value is None else KINDS[kind].to_cell(value)


def from_cell(kind: str, cell: str) -> Any:
    """The value that `to_cell` made a cell of. Raises ValueError where it made none such."""
    return None if cell == "" else KINDS[kind].from_cell(cell)


def to_arrow(kind: str, value: Any) -> Any:
    """A value as Parquet takes it."""
    return None if value is None else KINDS[kind].to_arrow(value)
