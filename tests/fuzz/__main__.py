"""`python3 bootstrap.py fuzz`: as many requests, stories and bay files as there is time for, and what was found.

    fuzz                     a minute: a third each for the ledger's addresses, stories of changes, the bay's file reader
    fuzz --seconds 3600      an hour
    fuzz --only api --seed 7 the ledger's addresses alone, the requests of an earlier run again

Exit code: 0 nothing was found, 1 something was; each fault is printed with the request or the story that shows it. Needs
Linux for bay files.
"""

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.local import LocalServer, start_server
from tests.conftest import hurried, migrate, new_database
from tests.fuzz import bay_files
from tests.fuzz.asking import Tally, asked, document_of, operations_of, tried
from tests.fuzz.filled import filled
from tests.fuzz.linked import linked
from tests.fuzz.spoilt import good_bodies, spoilt_requests
from tests.fuzz.story import told
from tests.fuzz.telling import stories_in

EXAMPLES, SCENARIOS, STEPS = 25, 20, 12
STORIES = 5
"""Of each kind in one round; rounds are made while there is time."""


@contextmanager
def server() -> Iterator[LocalServer]:
    """An embedded Postgres of this run's own, the schema in it."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "data"
        start_server(folder).stop()
        with start_server(hurried(folder)) as running:
            migrate(running.owner_url)
            yield running


def ask(seconds: float, first: int) -> Tally:
    """Rounds of requests until the time is up, each with a seed of its own; a round that was begun is ended."""
    tally, until = Tally(), time.monotonic() + seconds
    with server() as running, filled(running.owner_url, running.service_url) as shop:
        document, seed = document_of(shop.app), first
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


def tell(seconds: float, first: int) -> Tally:
    """Rounds of stories, each over an empty ledger of its own."""
    whole, until, seed = Tally(), time.monotonic() + seconds, first
    with server() as running:
        while time.monotonic() < until:
            owner_url, url = new_database(running, f"story_{seed}", "bayledger")
            with stories_in(owner_url, url) as stories:
                told(stories, STORIES, STEPS, seed)
            print(stories.said(f"fuzz: {STORIES} stories, seed {seed}"), flush=True)
            whole.add(stories.tally)
            seed += 1
    return whole


def read(seconds: float, seed: int) -> int:
    """Bay files until the time is up; how many were a fault."""
    found = bay_files.run(seconds=seconds, seed=seed)
    print(f"fuzz: bay files, seed {seed}: {found.files} cases, {found.crashes} crashes", flush=True)
    print(found.said[-4000:] if found.crashes else "", end="")
    return found.crashes


def told_of(tally: Tally) -> int:
    """Print every fault; how many there are."""
    print(tally.shown())
    return len(tally.faults)


PARTS = {
    "api": lambda seconds, seed: told_of(ask(seconds, seed)),
    "stories": lambda seconds, seed: told_of(tell(seconds, seed)),
    "bay-files": read,
}


def main() -> int:
    """Ask, tell and read until the time is up, print what was found."""
    options = argparse.ArgumentParser(
        prog="bootstrap.py fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--only", choices=PARTS)
    options.add_argument("--seed", type=int, help="of the first round; else another each time")
    chosen = options.parse_args()
    parts = [chosen.only] if chosen.only else list(PARTS)
    seed = random.SystemRandom().randrange(1, 2**31) if chosen.seed is None else chosen.seed
    faults = sum(PARTS[part](chosen.seconds / len(parts), seed) for part in parts)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
