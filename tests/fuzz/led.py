"""The reader of a bay's files under a fuzzer that is led by what code a file reaches (libFuzzer, by atheris).

    python -m tests.fuzz.led --seconds 60          until the time is up
    python -m tests.fuzz.led --runs 3000 --seed 1  so many files, the same each time

A file is read by a mapping that fits it, by others that do not, and as one nobody has described. It may be refused in our
words (`TableError`) and in no other way; neither may reading one take longer than SLOWEST_S. Exit code 0: so it was.
"""

import argparse
import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["service.tables"], enable_loader_override=False):
    from service.tables import mapping as mappings
    from service.tables.errors import TableError
    from service.tables.example_mapping import EXAMPLE
    from service.tables.learning import propose
    from service.tables.pulls import read_file

from tests.tables.shapes import SHAPES, mapping_of, written

SLOWEST_S = 20
"""A file of LONGEST bytes takes a few hundredths; this is a loop without an end (our choice)."""
LONGEST = 600
HEAD, FOOT = 420, 160
"""What a seed keeps of a file: short ones are read far more often, and their table is still one."""
CHOICE = 1
"""The first byte of an input chooses the mapping; the rest is the file."""
MAPPINGS = [mappings.read(mapping_of(shape)) for shape in SHAPES] + [mappings.read(EXAMPLE)]


def try_file(data: bytes) -> None:
    """Read one file in each way a bay does."""
    if len(data) <= CHOICE:
        return
    raw, mapping = data[CHOICE:], MAPPINGS[data[0] % len(MAPPINGS)]
    with suppress(TableError):
        read_file(raw, mapping, barometer_kpa=99.0)
    with suppress(TableError):
        learned = propose(raw).mapping
        assert mappings.read(mappings.written(learned)) == learned, (
            "a learned mapping is not what it is written as"
        )


def write_seeds(folder: Path) -> None:
    """Short files of every shape, each with its own mapping."""
    for n, shape in enumerate(SHAPES):
        whole = written(shape)
        (folder / f"shape-{n}").write_bytes(bytes([n]) + whole[:HEAD] + whole[-FOOT:])


def main() -> None:
    """Hand over to libFuzzer, which ends the process."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seconds", type=float, default=0, help="0: no limit")
    options.add_argument("--runs", type=int, default=-1, help="-1: no limit")
    options.add_argument("--seed", type=int, default=0, help="0: another each time")
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        write_seeds(folder)
        own = [
            f"-max_total_time={max(0, round(asked.seconds))}", f"-runs={asked.runs}", f"-seed={asked.seed}", f"-max_len={LONGEST}",
            f"-timeout={SLOWEST_S}", f"-artifact_prefix={tempfile.gettempdir()}{os.sep}bay-file-", "-rss_limit_mb=4096",
        ]  # fmt: skip
        atheris.Setup([sys.argv[0], *own, str(folder)], try_file)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
