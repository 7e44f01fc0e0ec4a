"""The parts of the bench that need no served history, as figures: the model, the pages, an import, the simulated truth."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from tests.bench import names
from tests.bench.importing import TARGETS as IMPORT_TARGETS
from tests.bench.importing import import_figures
from tests.bench.model import TARGETS as MODEL_TARGETS
from tests.bench.model import model_figures
from tests.bench.pages import EVERYTHING_MS, FIRST_WORDS_MS, demo_and_pages
from tests.bench.results import Figure
from tests.calibration.__main__ import FIRST_SEED, SIZES_TRIED, tried
from tests.calibration.figures import MET, MISSED, TOO_FEW
from tests.calibration.report import columns_of, figures_of
from tests.calibration.rows import ROWS, Pool
from tests.calibration.trials import SUBJECTS


def model_part(sizes: Sequence[str]) -> Iterator[Figure]:
    """What the history model costs by itself, on simulated shops."""
    for size in sizes:
        for name, value in model_figures(size).items():
            yield Figure(f"model: {name}", value, "", size, most=MODEL_TARGETS.get(name, {}).get(size))


def import_part(rows: int) -> Iterator[Figure]:
    """What an import of old history costs."""
    for name, value in import_figures(rows).items():
        yield Figure(f"import: {name}", value, "", f"{rows:,} rows", most=IMPORT_TARGETS.get(name))


def pages_part() -> Iterator[Figure]:
    """How soon the demo is ready, and each of its pages speaks and is whole."""
    ready_s, pages = demo_and_pages()
    yield Figure(names.DEMO_READY, ready_s, "s", "demo")
    slowest = max(pages, key=lambda name: pages[name].everything_ms)
    yield Figure(names.PAGE_USABLE, pages[slowest].everything_ms / 1000.0, "s", slowest)
    for name, times in pages.items():
        yield Figure(f"page {name}: first words", times.words_ms, "ms", "demo", most=FIRST_WORDS_MS)
        yield Figure(f"page {name}: everything drawn", times.everything_ms, "ms", "demo", most=EVERYTHING_MS)
        yield Figure(
            f"page {name}: over it without its script", times.everything_ms / times.bare_ms, "", "demo"
        )


def truth_part(seeds: int) -> Iterator[Figure]:
    """How many rows of the calibration keep to their targets, on so many simulated shops of each size."""
    jobs = [(seed, size) for size in reversed(SIZES_TRIED) for seed in range(FIRST_SEED, FIRST_SEED + seeds)]
    shops: dict[str, dict[int, Pool]] = defaultdict(dict)
    for size, seed, shop in tried(jobs, list(SUBJECTS)):
        shops[size][seed] = shop
    for column in (one for one in columns_of(shops) if one.whole):
        verdicts = Counter(figure.verdict for row in ROWS for figure in figures_of(row, column).values())
        for name, verdict in ((names.TRUTH_MISSED, MISSED), ("rows met", MET), ("rows on too few", TOO_FEW)):
            yield Figure(name, verdicts[verdict], f"of {verdicts.total()}", column.words)
