"""A file of any length takes the same memory: rows are set aside on disk."""

import tracemalloc
from pathlib import Path

import pytest

from service.transfer.history_mapping import read_mapping
from service.transfer.posting import Task, assembled, shelve
from service.transfer.shelf import shelf
from service.transfer.strap_downs import Assembler
from tests.transfer.old_files import COMMA, MAPPING, row, write_csv

FEW, MANY = 150, 1500
MORE = 1.3
"""How much more ten times as many rows may take: buffers fill up at first (our choice)."""


@pytest.fixture
def stoats(stoats_url):
    """The shop of two bays, twelve cars and three parts."""
    return stoats_url


def peak_of(connection, path: Path) -> float:
    """Most memory that Python held while a file was read, put in order and made into sessions [bytes]."""
    task = Task(path, read_mapping(COMMA + MAPPING), path.parent, "old")
    assembler = Assembler(task.mapping.file.rows)
    with shelf() as rows:
        tracemalloc.start()
        shelve(connection, task, rows)
        made = sum(1 for records in rows.strap_downs() for _ in assembled(assembler, records, rows))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert made == rows.records() > 0
    return peak


def test_ten_times_the_rows_take_no_more_memory(stoats, connection, tmp_path):
    files = []
    for count in (20, FEW, MANY):  # the first loads what every later one needs
        rows = [row(date=f"{1 + n % 28:02d}.{1 + n // 28 % 12:02d}.{1990 + n // 336}") for n in range(count)]
        files.append(write_csv(tmp_path / f"{count}.csv", rows))
    _, few, many = (peak_of(connection, file) for file in files)
    assert many < MORE * few
