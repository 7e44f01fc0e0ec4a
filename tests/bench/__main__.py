"""`python3 bootstrap.py bench`: how good the ledger is, as ratios within one run, each beside what is promised.

Absolute times say more about the machine than about the ledger, so each is set against a base of the same round: `ping` =
a route without a database, `row` = one row by its key.

    bench                                             a history of 10,000 pulls, then the model, the pages, an import
    bench --only questions --pulls 10000 100000 1000000 --keep ~/histories
    bench --only model --model-sizes shop 91k 250k    the history model without a service, some ten minutes
    bench --only truth --seeds 4                      the model on simulated shops of known truth, many minutes
    bench --compare .bench/2026-11-26-12-00-5f3c2ab.json

What was found is written as JSON into .bench/ (--results), growth over several sizes as charts beside it. Ctrl-C leaves
nothing behind.
"""

import argparse
import os
import signal
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Event

from tests.bench.growth import laws, write_charts
from tests.bench.machine import code_state, load_now, machine
from tests.bench.model import BENCH_SIZES
from tests.bench.parts import import_part, model_part, pages_part, truth_part
from tests.bench.questions import ROUNDS, SMOKE, Pace, measure_questions
from tests.bench.report import change_lines, report
from tests.bench.results import Results, UnreadableError, changes, read_results, write_results
from tests.bench.serving import ROOT, end_helpers

PARTS = ("questions", "model", "pages", "import")
ASIDE = ("truth",)
"""Parts that run only when they are asked for."""
FOLDER = ROOT / ".bench"
INTERRUPTED = 130


def main() -> int:
    """Measure, print, keep, and judge where that was asked for."""
    options = read_options()
    stopped = stop_cleanly()
    try:
        earlier = read_results(options.compare) if options.compare else None
        with temporary_files_together():
            results = measured(options)
    except UnreadableError as error:
        print(f"bench: {error}", file=sys.stderr)
        return 2
    except (KeyboardInterrupt, Exception):
        if not stopped.is_set():
            raise
        print("\nStopped; nothing was kept.", file=sys.stderr)
        return INTERRUPTED
    path = options.results or default_path(results)
    write_results(results, path)
    written = [path, *write_charts(results, path.parent, path.stem)]
    show(report(results, laws(results)))
    if earlier is not None:
        show(change_lines(changes(results, earlier), str(options.compare)))
    print(f"\n{results.missed} figures missed their target. Written: {', '.join(map(str, written))}")
    return 1 if options.strict and results.missed else 0


def read_options() -> argparse.Namespace:
    """What was asked for."""
    asked = argparse.ArgumentParser(
        prog="bench", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    asked.add_argument("--only", choices=(*PARTS, *ASIDE), help="the one of these parts")
    asked.add_argument("--pulls", type=positive, nargs="+", default=[10_000], help="histories that are asked")
    asked.add_argument(
        "--keep", type=Path, help="a folder in which loaded histories are kept for the next run"
    )
    asked.add_argument("--rounds", type=positive, default=ROUNDS, help=f"that count (default {ROUNDS})")
    asked.add_argument(
        "--smoke", action="store_true", help="one round of one request each: does it work at all?"
    )
    asked.add_argument("--results", type=Path, help="the JSON file to write (default: a new one in .bench)")
    asked.add_argument("--compare", type=Path, help="an earlier run's JSON file, to be set beside this one")
    asked.add_argument("--strict", action="store_true", help="exit 1 where a target is missed")
    asked.add_argument(
        "--processes",
        type=positive,
        default=1,
        help="that serve each history (each reads a large one by itself)",
    )
    asked.add_argument(
        "--model-sizes", nargs="+", choices=BENCH_SIZES, default=["shop"], help="of simulated shops"
    )
    asked.add_argument(
        "--import-rows", type=positive, default=5000, help="of the old history that is imported"
    )
    asked.add_argument("--seeds", type=positive, default=2, help="simulated shops of each size, for `truth`")
    return asked.parse_args()


def positive(text: str) -> int:
    """A whole number above zero."""
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text} is not above zero")
    return number


def stop_cleanly() -> Event:
    """SIGTERM is Ctrl-C, and the first of either is enough: the way out is not to be cut by another. What was started
    for a moment's work ends at once; a server is stopped by whoever holds it. The event says that it was asked for: what
    goes wrong from then on is no fault of the run's, as a browser that is gone when its page is to be closed."""
    stopped = Event()

    def stop(_signal: int, _frame: object) -> None:
        stopped.set()
        for one in (signal.SIGINT, signal.SIGTERM):
            signal.signal(one, signal.SIG_IGN)
        end_helpers()
        raise KeyboardInterrupt

    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, stop)
    return stopped


@contextmanager
def temporary_files_together() -> Iterator[None]:
    """One folder for whatever this run and its programs leave in passing, a stopped browser's profile too; gone at the
    end."""
    with tempfile.TemporaryDirectory(prefix="bench-", ignore_cleanup_errors=True) as folder:
        Path(folder).chmod(0o711)  # a database that runs as another user finds its own folder in it
        before = os.environ.get("TMPDIR")
        os.environ["TMPDIR"] = tempfile.tempdir = folder
        try:
            yield
        finally:
            tempfile.tempdir = None
            if before is None:
                del os.environ["TMPDIR"]
            else:
                os.environ["TMPDIR"] = before


def measured(options: argparse.Namespace) -> Results:
    """All parts that were asked for."""
    commit, changed = code_state()
    given = {name: str(value) for name, value in vars(options).items()}
    date = datetime.now(UTC).isoformat(timespec="seconds")
    results = Results(date, commit, changed, given, {}, load_now())
    pace = replace(SMOKE if options.smoke else Pace(rounds=options.rounds), processes=options.processes)
    postgres: list[str] = []
    parts: dict[str, Callable[[], None]] = {
        "questions": lambda: postgres.append(
            measure_questions(options.pulls, options.keep, pace, results)
        ),
        "model": lambda: results.add(model_part(options.model_sizes)),
        "pages": lambda: results.add(pages_part()),
        "import": lambda: results.add(import_part(options.import_rows)),
        "truth": lambda: results.add(truth_part(options.seeds)),
    }  # fmt: skip
    for part in (options.only,) if options.only else PARTS:
        parts[part]()
    results.machine = machine(*postgres) if postgres else machine(None)
    results.load_after = load_now()
    return results


def default_path(results: Results) -> Path:
    """A file of its own in .bench, by time and commit."""
    when = results.date[:16].replace("T", "-").replace(":", "-")
    return FOLDER / f"{when}-{results.commit[:7]}{'-changed' if results.changed else ''}.json"


def show(lines: Iterable[str]) -> None:
    """Print lines as they come."""
    for line in lines:
        print(line, flush=True)


if __name__ == "__main__":
    sys.exit(main())
