"""`python3 bootstrap.py fuzz`: as many requests and bay files as there is time for, and what was found.

    fuzz                     a minute: half for the ledger's addresses, half for the bay's file reader
    fuzz --seconds 3600      an hour
    fuzz --only api --seed 7 the ledger alone, the requests of an earlier run again

Exit code: 0 nothing was found, 1 something was; each fault is printed with the request that shows it. Needs Linux for bay
files.
"""

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.local import start_server
from tests.conftest import hurried, migrate
from tests.fuzz import bay_files
from tests.fuzz.asking import Tally, asked, document_of, operations_of, tried
from tests.fuzz.filled import Filled, filled
from tests.fuzz.linked import linked
from tests.fuzz.spoilt import good_bodies, spoilt_requests

PARTS = ("api", "bay-files")
EXAMPLES, SCENARIOS, STEPS = 25, 20, 12
"""Of each kind in one round; rounds are made while there is time."""


@contextmanager
def ledger() -> Iterator[Filled]:
    """A filled ledger of this run's own."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "data"
        start_server(folder).stop()
        with start_server(hurried(folder)) as running:
            migrate(running.owner_url)
            with filled(running.owner_url, running.service_url) as shop:
                yield shop


def ask(seconds: float, first: int) -> Tally:
    """Rounds of requests until the time is up, each with a seed of its own; a round that was begun is ended."""
    tally, until = Tally(), time.monotonic() + seconds
    with ledger() as shop:
        document, seed = document_of(shop), first
        while time.monotonic() < until:
            for operation in operations_of(document):
                if time.monotonic() < until:
                    tried(asked(operation, shop), lambda case: tally.send(case, shop.token), EXAMPLES, seed)
            for method, path, body in good_bodies(shop):
                if time.monotonic() < until:
                    requests = spoilt_requests(document, shop, method, path, body)
                    tried(requests, lambda case: tally.send(case, shop.token), EXAMPLES, seed)
            linked(document, shop, tally, SCENARIOS, STEPS, seed)
            print(tally.said(f"fuzz: requests up to seed {seed}"), flush=True)
            seed += 1
    return tally


def main() -> int:
    """Ask and read until the time is up, print what was found."""
    options = argparse.ArgumentParser(
        prog="bootstrap.py fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--only", choices=PARTS)
    options.add_argument("--seed", type=int, help="of the first round; else another each time")
    chosen = options.parse_args()
    parts = [chosen.only] if chosen.only else list(PARTS)
    each, faults = chosen.seconds / len(parts), 0
    seed = random.SystemRandom().randrange(1, 2**31) if chosen.seed is None else chosen.seed
    if "bay-files" in parts:
        found = bay_files.run(seconds=each, seed=seed)
        print(f"fuzz: bay files, seed {seed}: {found.files} cases, {found.crashes} crashes", flush=True)
        print(found.said[-4000:] if found.crashes else "", end="")
        faults += found.crashes
    if "api" in parts:
        tally = ask(each, seed)
        print(tally.shown())
        faults += len(tally.faults)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
