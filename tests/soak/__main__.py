"""`python3 bootstrap.py soak`: bays and readers at work for twenty minutes, and what became of it."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.soak.soak import Plan, soak
from tests.soak.told import faults_of, lines_of


def main() -> int:
    """Run, print, and fail where something went wrong."""
    asked = argparse.ArgumentParser(prog="soak", description=__doc__)
    asked.add_argument("--minutes", type=float, default=20.0)
    asked.add_argument("--bays", type=int, default=8, choices=range(1, 9), metavar="1..8")
    asked.add_argument("--readers", type=int, default=8)
    options = asked.parse_args()
    plan = Plan(60.0 * options.minutes, options.bays, options.readers)
    print(f"At work for {options.minutes:g} minutes ...", file=sys.stderr, flush=True)
    with tempfile.TemporaryDirectory(prefix="bl-") as folder:
        soaked = soak(Path(folder) / "data", plan)
    for line in lines_of(soaked):
        print(line)
    faults = faults_of(soaked)
    print(
        "FAILED: " + "; ".join(faults) if faults else "no error, nothing lost, nothing doubled, memory flat"
    )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
