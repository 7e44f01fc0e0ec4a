"""Large files: time grows with the rows and no faster, memory stays within a few times the file."""

import time
import tracemalloc

import numpy as np

from service.tables.learning import propose
from service.tables.pulls import read_file
from service.tables.records import Mapping
from tests.tables.shapes import torque_nm

ROWS = 100_000


def trace(rows: int) -> bytes:
    rpm = np.linspace(1800.0, 6600.0, rows)
    torque = torque_nm(rpm)
    table = [f"{n / 100:.2f};{r:.1f};{t:.2f}" for n, (r, t) in enumerate(zip(rpm, torque, strict=True))]
    return "\n".join(["Time (s);Engine speed (rpm);Torque (Nm)", *table]).encode()


def seconds(raw: bytes, mapping: Mapping) -> float:
    begun = time.process_time()
    assert read_file(raw, mapping).pulls[0].channels["rpm"].size > 1000
    return time.process_time() - begun


def test_ten_times_the_rows_take_about_ten_times_as_long():
    small, large = trace(ROWS // 10), trace(ROWS)
    mapping = propose(small).mapping
    each = min(seconds(small, mapping) for _ in range(3))
    assert seconds(large, mapping) < 25.0 * each


def test_reading_needs_less_memory_than_ten_times_the_file():
    raw = trace(ROWS // 4)
    mapping = propose(trace(ROWS // 100)).mapping
    tracemalloc.start()
    try:
        read = read_file(raw, mapping)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert read.pulls[0].channels["rpm"].size == ROWS // 4
    assert peak < 10 * len(raw), f"{peak / 1e6:.0f} MB for a file of {len(raw) / 1e6:.0f} MB"
