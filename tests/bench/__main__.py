"""`python3 bootstrap.py bench`: how long questions and posts take, as ratios within one run.

Absolute times say more about the machine than about the ledger, so each case is set against a base of the same round:
`ping` = a route without database, `row` = one row by its key. Rounds are interleaved, every case a few times in each;
a case's figure is the median over rounds of its round's median over its base's.

How soon the dashboard's pages speak is measured in a browser on the demo (tests/bench/pages.py): `--only pages`.

The history model alone is then measured without a service (tests/bench/model.py): `--only model --model-sizes shop 91k
250k` does so at three sizes, which takes some ten minutes.
"""

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench.cases import Case, every_case
from tests.bench.history import fill
from tests.bench.importing import TARGETS as IMPORT_TARGETS
from tests.bench.importing import import_figures
from tests.bench.line import Line
from tests.bench.model import BENCH_SIZES, TARGETS, model_figures
from tests.bench.pages import EVERYTHING_MS, FIRST_WORDS_MS, page_times
from tests.bench.serving import Service, service_in

PARTS = ("service", "model", "pages", "import")
ROUNDS = 15
PSS_TARGET_MB = 250.0
WARM = 2
"""Rounds before those that count."""


def main() -> int:
    """Measure, print, and judge where that was asked for."""
    asked = argparse.ArgumentParser(prog="bench", description=__doc__)
    asked.add_argument("--rounds", type=int, default=ROUNDS)
    asked.add_argument("--strict", action="store_true", help="exit 1 where a target is missed")
    asked.add_argument("--only", choices=PARTS, help="the one of these parts")
    asked.add_argument("--model-sizes", nargs="+", choices=BENCH_SIZES, default=["shop"], help="of its shops")
    asked.add_argument("--import-rows", type=int, default=5000, help="of the old history that is imported")
    options = asked.parse_args()
    reports: dict[str, Callable[[], int]] = {
        "service": lambda: report_service(options.rounds),
        "model": lambda: report_model(options.model_sizes),
        "pages": report_pages,
        "import": lambda: report_import(options.import_rows),
    }
    missed = sum(report() for part, report in reports.items() if options.only in (None, part))
    return 1 if options.strict and missed else 0


def report_model(sizes: list[str]) -> int:
    """Print what the history model costs beside its targets; answer how many were missed."""
    missed = 0
    for size in sizes:
        print(f"{f'history model, {size}: CPU [ms]':34}{'':16}{'target':>10}", flush=True)
        for name, figure in model_figures(size).items():
            missed += shown(name, None, figure, TARGETS.get(name, {}).get(size), "")
    return missed


def report_import(rows: int) -> int:
    """Print what an import of old history costs; answer how many targets were missed."""
    print(f"{f'import of {rows} old rows':42}{'':8}{'target':>10}", flush=True)
    figures = import_figures(rows)
    return sum(
        shown(f"{name:42}", None, figure, IMPORT_TARGETS.get(name), "") for name, figure in figures.items()
    )


def report_pages() -> int:
    """Print how soon each page speaks and is whole; answer how many targets were missed."""
    print(f"{'pages of the demo, nothing cached':34}{'ms':>8}{'ratio':>8}{'target':>10} ms", flush=True)
    missed = 0
    for name, times in page_times():
        for what, ms, target in (
            ("first words", times.words_ms, FIRST_WORDS_MS),
            ("everything drawn", times.everything_ms, EVERYTHING_MS),
        ):
            late = ms > target
            words = f"{target:10.0f}  {'MISSED' if late else 'reached'}"
            ratio = ms / times.bare_ms
            print(f"{f'{name}, {what}':34}{ms:8.0f}{ratio:8.1f}{words:20}  x without its script", flush=True)
            missed += late
    return missed


def report_service(rounds: int) -> int:
    """Fill a ledger, print what its service takes; answer how many targets were missed."""
    with (
        tempfile.TemporaryDirectory(prefix="bench-") as folder,
        service_in(Path(folder) / "ledger") as service,
    ):
        began = time.monotonic()
        with Line(service.url, service.token) as line:
            fill(line, service.url, service.token)
            print(f"history loaded in {time.monotonic() - began:.0f} s")
            return report(line, service, rounds)


def report(line: Line, service: Service, rounds: int) -> int:
    """Print every ratio beside its target; answer how many were missed."""
    loaded_mb = service.pss_mb()
    cases = every_case(line)
    medians = measured(line, cases, rounds)
    print(f"{'':34}{'ms':>8}{'ratio':>8}{'target':>10}")
    missed = 0
    for case in cases:
        ratio = statistics.median(a / b for a, b in zip(medians[case.name], medians[case.base], strict=True))
        missed += shown(case.name, statistics.median(medians[case.name]), ratio, case.target, case.base)
    for name, mb in (("demo loaded", loaded_mb), ("after this run", service.pss_mb())):
        missed += shown(f"PSS of the service, {name} [MB]", None, mb, PSS_TARGET_MB, "")
    return missed


def measured(line: Line, cases: list[Case], rounds: int) -> dict[str, list[float]]:
    """Each case's median per round [ms]."""
    medians: dict[str, list[float]] = {case.name: [] for case in cases}
    for number in range(rounds + WARM):
        for case in cases:
            took = [timed(line, case) for _ in range(case.times)]
            if number >= WARM:
                medians[case.name].append(statistics.median(took))
    return medians


def timed(line: Line, case: Case) -> float:
    """One request's time [ms]; making it is not counted."""
    request = case.request()
    began = time.perf_counter()
    status, _, body = line.send(request)
    took = time.perf_counter() - began
    if status != case.status:
        raise RuntimeError(f"{case.name} answered {status}: {body.decode()[:500]}")
    return 1000.0 * took


def shown(name: str, ms: float | None, ratio: float, target: float | None, base: str) -> int:
    """Print one line; 1 where its target is missed."""
    missed = target is not None and ratio > target
    words = "" if target is None else f"{target:10.1f}  {'MISSED' if missed else 'reached'}"
    of = f"  x {base.split(' (')[0]}" if base else ""
    print(f"{name:34}{'' if ms is None else f'{ms:.2f}':>8}{ratio:8.2f}{words:20}{of}")
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
