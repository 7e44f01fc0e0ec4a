"""`python -m seed --url URL --token ADMIN_TOKEN`: fills a running ledger with the invented shop."""

import argparse
import sys
from pathlib import Path

import httpx

from seed.history import DEFAULT_SEED
from seed.post import PostRefusedError, load, summary_lines

DONE, COULD_NOT = 0, 1


def main(arguments: list[str] | None = None) -> int:
    """Posts the shop; exit code 0 done, 1 could not, 2 wrong use."""
    asked = _parser().parse_args(arguments)
    try:
        summary = load(
            asked.url, asked.token, cars=asked.cars, seed=asked.seed, truth=asked.truth, refit=asked.refit,
            progress=not asked.quiet,
        )  # fmt: skip
    except PostRefusedError as refused:
        print(refused, file=sys.stderr)
        return COULD_NOT
    except (httpx.HTTPError, LookupError) as fault:
        print(f"could not fill the shop: {fault}", file=sys.stderr)
        return COULD_NOT
    for line in summary_lines(summary):
        print(line)
    return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m seed", description=__doc__)
    parser.add_argument("--url", required=True, help="address of a running ledger")
    parser.add_argument("--token", required=True, help="a token of scope admin")
    parser.add_argument("--cars", type=_some_cars, default=400, help="about how many cars (default 400)")
    parser.add_argument(
        "--seed", type=int, default=DEFAULT_SEED, help="the random seed everything follows from"
    )
    parser.add_argument(
        "--truth", type=Path, default=Path(".bayledger/demo-truth.json"), help="where the truth is written"
    )
    parser.add_argument("--refit", action="store_true", help="ask for a refit at the end and wait for it")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")
    return parser


def _some_cars(text: str) -> int:
    cars = int(text)
    if not 6 <= cars <= 20000:
        raise argparse.ArgumentTypeError("between 6 and 20000 cars")
    return cars


if __name__ == "__main__":
    sys.exit(main())
