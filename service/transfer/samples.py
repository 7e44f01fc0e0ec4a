"""Packed figures as lists that a stranger can read, and back: samples of pulls, and curves of setups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from service.domain.codec import EncodedTrace, decode_channels, encode_and_keep

Row = Mapping[str, Any]
PULLS: Final = "pull_raw"
CURVES: Final = "setup_curve"

PACKED: Final = {
    PULLS: ("pull_id", "enc", "channels", "steps", "samples", "raw"),
    CURVES: ("setup_id", "first", "torque_nm", "channels", "channel_values"),
}
"""The columns as the ledger keeps them."""


def unpacked(table: str, row: Row) -> dict[str, Any]:
    """A packed row with a list for each channel."""
    return _unpacked_pull(row) if table == PULLS else _unpacked_curve(row)


def packed(table: str, row: Row) -> tuple[Any, ...]:
    """The row as the ledger keeps it, from its lists."""
    return _packed_pull(row) if table == PULLS else _packed_curve(row)


def _unpacked_pull(row: Row) -> dict[str, Any]:
    steps = [None if step != step else step for step in row["steps"]]
    trace = EncodedTrace(row["enc"], tuple(row["channels"]), tuple(steps), row["samples"], row["raw"])
    lists = {name: values.tolist() for name, values in decode_channels(trace).items()}
    return {**row, "steps": steps, **lists}


def _packed_pull(row: Row) -> tuple[Any, ...]:
    names = row["channels"]
    channels = {name: np.array(_listed(row, name), dtype=np.float64) for name in names}
    trace, _ = encode_and_keep(channels, dict(zip(names, row["steps"], strict=True)))
    if trace.samples != row["samples"]:
        raise ValueError(f"pull {row['pull_id']}: {trace.samples} samples where {row['samples']} belong")
    steps = [float("nan") if step is None else step for step in trace.steps]
    return (row["pull_id"], trace.enc, list(trace.names), steps, trace.samples, trace.raw)


def _unpacked_curve(row: Row) -> dict[str, Any]:
    torque = _singles(row["torque_nm"])
    names = row["channels"]
    values = np.frombuffer(row["channel_values"], dtype="<f4").reshape(len(names), -1) if names else ()
    lists = {name: _with_null(one) for name, one in zip(names, values, strict=True)}
    return {**row, "torque_nm": torque, **lists}


def _packed_curve(row: Row) -> tuple[Any, ...]:
    names = row["channels"]
    values = b"".join(_as_singles(_listed(row, name)) for name in names)
    return (row["setup_id"], row["first"], _as_singles(row["torque_nm"]), names, values)


def _listed(row: Row, name: str) -> Sequence[float | None]:
    found: Sequence[float | None] | None = row.get(name)
    if found is None:
        raise ValueError(f"the channel {name!r} is named, but its list is empty")
    return found


def _singles(raw: bytes) -> list[float | None]:
    return _with_null(np.frombuffer(raw, dtype="<f4"))


def _with_null(values: Any) -> list[float | None]:
    return [None if value != value else value for value in values.astype(np.float64).tolist()]


def _as_singles(values: Sequence[float | None]) -> bytes:
    return np.array([np.nan if one is None else one for one in values], dtype="<f4").tobytes()
