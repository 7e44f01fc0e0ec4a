"""`python3 bootstrap.py references`: prints the report, after some minutes of one core."""

import argparse
import sys
import time

from tests.references.report import check_lines, factor_lines, moist_air_lines
from tests.references.trials import PLANTED, SETUPS


def main() -> int:
    """Print all parts."""
    asked = argparse.ArgumentParser(prog="references", description=__doc__)
    asked.add_argument("--setups", type=int, default=SETUPS, help="good setups in each kind of shop")
    asked.add_argument("--planted", type=int, default=PLANTED, help="posts that each fault is planted in")
    options = asked.parse_args()
    print("The last part tries every check on simulated posts: some minutes.", file=sys.stderr)
    for part in (factor_lines(), moist_air_lines(), check_lines(options.setups, options.planted)):
        for line in part:
            print(line, flush=True)
        print()
    print(f"(made in {time.process_time():.0f} s of one core)", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
