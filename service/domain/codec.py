"""The observed channels of a pull as one small block of bytes, and back.

Encoding 1, where every channel stands on its declared steps: each channel as a whole first value and int16
differences of whole steps. Encoding 2, otherwise: float32. Both byte-shuffled (all first bytes, then all second
bytes) and packed with zstandard. A sample counts as on its steps when the step's multiple is the same number to
within float32, so encoding 1 never loses anything that encoding 2 would have kept; nothing is rounded silently.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import zstandard
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEPS_ENCODING: Final = 1
FLOAT_ENCODING: Final = 2
ZSTD_LEVEL: Final = 3  # our choice: measured best size for its time on pulls of 300 samples
FLOAT32_ROUNDING: Final = 2.0**-24  # relative: half a unit in the last place of float32
FLOAT32_LARGEST: Final = float(np.finfo(np.float32).max)
INT16_LIMIT: Final = 32_767
LARGEST_COUNT: Final = 2.0**53  # whole steps beyond it are not exact in a double

_local = threading.local()  # zstandard's contexts must not be used by two threads at once


@dataclass(frozen=True, slots=True)
class EncodedTrace:
    """Channels of one pull, packed: encoding (1 or 2), names, steps by name order, samples per channel, bytes."""

    enc: int
    names: tuple[str, ...]
    steps: tuple[float | None, ...]
    samples: int
    raw: bytes


def encode_and_keep(
    channels: Mapping[str, NDArray[np.floating]], steps: Mapping[str, float | None]
) -> tuple[EncodedTrace, dict[str, Floats]]:
    """The channels packed, and as they will be decoded; finding their whole steps once serves both."""
    names, values = tuple(channels), _stacked(channels)
    declared = tuple(steps.get(name) for name in names)
    whole = _whole_steps(values, declared)
    if whole is not None:
        encoding, parts, kept = STEPS_ENCODING, _step_parts(whole), whole.values
    else:
        singles = values.astype("<f4")
        encoding, parts, kept = FLOAT_ENCODING, [_shuffled(singles)], singles.astype(np.float64)
    trace = EncodedTrace(encoding, names, declared, values.shape[1], _pack(parts))
    return trace, dict(zip(names, kept, strict=True))


def decode_channels(trace: EncodedTrace) -> dict[str, Floats]:
    """The channels of a packed pull, by name, in the order they were given."""
    shape = (len(trace.names), trace.samples)
    if trace.enc == STEPS_ENCODING:
        values = _counts_of(trace.raw, shape) * _step_column(trace.steps)
    elif trace.enc == FLOAT_ENCODING:
        values = _unshuffled(_unpack(trace.raw, 4 * shape[0] * shape[1]), "<f4", shape).astype(np.float64)
    else:
        raise ValueError(f"trace: encoding {trace.enc} is not known here; it was written by a newer release")
    return dict(zip(trace.names, values, strict=True))


def _stacked(channels: Mapping[str, NDArray[np.floating]]) -> Floats:
    lengths = {values.shape for values in channels.values()}
    if len(lengths) != 1 or len(next(iter(lengths))) != 1:
        raise ValueError(f"curve: channels of shapes {sorted(lengths)}; give lists of one equal length")
    values = np.array([*channels.values()], dtype=np.float64)
    if (np.abs(values) > FLOAT32_LARGEST).any():
        raise ValueError("curve: a value is infinite or too large to be kept; check the unit")
    return values


def _step_column(steps: Sequence[float | None]) -> Floats:
    return np.array(steps, dtype=np.float64)[:, np.newaxis]


class WholeSteps(NamedTuple):
    """Channels in whole steps: how many at each sample, how many more than at the one before, and what they come to."""

    counts: Floats
    differences: Floats
    values: Floats


def _whole_steps(values: Floats, steps: Sequence[float | None]) -> WholeSteps | None:
    """Every channel in whole steps, or None where one is not on its steps or moves too far between samples."""
    if values.shape[1] == 0 or any(step is None or not step > 0.0 for step in steps):
        return None
    column = _step_column(steps)
    counts = np.rint(values / column)
    kept = counts * column
    on_steps = np.abs(kept - values) <= FLOAT32_ROUNDING * np.abs(values)
    if not (on_steps.all() and (np.abs(counts) < LARGEST_COUNT).all()):
        return None
    differences = counts[:, 1:] - counts[:, :-1]
    fits = (np.abs(differences) <= INT16_LIMIT).all()
    return WholeSteps(counts, differences, kept) if fits else None


def _step_parts(whole: WholeSteps) -> list[bytes]:
    return [whole.counts[:, 0].astype("<i8").tobytes(), _shuffled(whole.differences.astype("<i2"))]


def _counts_of(raw: bytes, shape: tuple[int, int]) -> Floats:
    channels, samples = shape
    head = 8 * channels
    data = _unpack(raw, head + 2 * channels * (samples - 1))
    counts = np.empty(shape)
    counts[:, 0] = np.frombuffer(data[:head], dtype="<i8")
    counts[:, 1:] = _unshuffled(data[head:], "<i2", (channels, samples - 1))
    return np.cumsum(counts, axis=1, out=counts)


def _shuffled(values: NDArray[np.generic]) -> bytes:
    flat = np.frombuffer(values.tobytes(), dtype=np.uint8)
    return flat.reshape(-1, values.dtype.itemsize).T.tobytes()


def _unshuffled(data: bytes, dtype: str, shape: tuple[int, int]) -> NDArray[np.generic]:
    width = np.dtype(dtype).itemsize
    flat = np.frombuffer(data, dtype=np.uint8).reshape(width, -1).T.tobytes()
    return np.frombuffer(flat, dtype=dtype).reshape(shape)


def _pack(parts: Sequence[bytes]) -> bytes:
    if not hasattr(_local, "compressor"):
        _local.compressor = zstandard.ZstdCompressor(level=ZSTD_LEVEL)
    packed: bytes = _local.compressor.compress(b"".join(parts))
    return packed


def _unpack(raw: bytes, length: int) -> bytes:
    """Unpacked bytes, refused when they are not as many as the trace's shape says."""
    if not hasattr(_local, "decompressor"):
        _local.decompressor = zstandard.ZstdDecompressor()
    try:
        declared = zstandard.frame_content_size(raw)
        data: bytes = _local.decompressor.decompress(raw) if declared == length else b""
    except zstandard.ZstdError as fault:
        raise ValueError(f"trace: the record is damaged ({fault})") from fault
    if declared != length:
        raise ValueError(f"trace: {declared} bytes stand where {length} belong; the record is damaged")
    return data
