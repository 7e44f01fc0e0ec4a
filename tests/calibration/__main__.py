"""`python3 bootstrap.py calibration`: tries the history model on simulated shops of known truth, in two processes."""

import argparse
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed

# Two processes share the machine, and numpy reads this when it is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.calibration.report import report_lines
from tests.calibration.rows import Pool
from tests.calibration.trials import SUBJECTS, try_shop
from tests.calibration.world import SIZES

SIZES_TRIED = ("tiny", "small", "shop")
SEEDS, FIRST_SEED = 20, 2000
PROCESSES = 2


def main() -> int:
    """Try all shops and print the rows."""
    asked = argparse.ArgumentParser(prog="calibration", description=__doc__)
    asked.add_argument("--seeds", type=int, default=SEEDS, help="shops of each size")
    asked.add_argument("--first", type=int, default=FIRST_SEED, help="the first seed")
    asked.add_argument("--sizes", default=",".join(SIZES_TRIED), help=f"of {', '.join(SIZES)}")
    asked.add_argument("--only", default=",".join(SUBJECTS), help=f"of {', '.join(SUBJECTS)}")
    options = asked.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    sizes, subjects = options.sizes.split(","), options.only.split(",")
    begun = time.monotonic()
    shops: dict[str, dict[int, Pool]] = {size: {} for size in sizes}
    for size, seed, shop in tried([(seed, size) for size in reversed(sizes) for seed in seeds], subjects):
        shops[size][seed] = shop
        print(f"{size} {seed} after {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    for line in report_lines(shops):
        print(line, flush=True)
    return 0


def tried(jobs: list[tuple[int, str]], subjects: list[str]) -> Iterator[tuple[str, int, Pool]]:
    """Every job's scores as they come, in two processes."""
    with ProcessPoolExecutor(PROCESSES) as executor:
        running = {executor.submit(try_shop, seed, size, subjects): (size, seed) for seed, size in jobs}
        for one in as_completed(running):
            size, seed = running[one]
            yield size, seed, one.result()


if __name__ == "__main__":
    sys.exit(main())
