"""The report as lines of Markdown: every row with its target, a column for each size of shop."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap

from tests.calibration.figures import MET, MISSED, TOO_FEW, Figure
from tests.calibration.rows import ROWS, Pool, Row
from tests.calibration.trials import pooled
from tests.calibration.world import KINDS, SIZES

WIDTH = 120


@dataclass(frozen=True)
class Column:
    """A column of the report: shops of one size, of all kinds or of one."""

    words: str
    size: str
    pool: Pool
    whole: bool


def columns_of(shops: Mapping[str, Mapping[int, Pool]]) -> list[Column]:
    """All shops of each size, then the largest size's by their kind; shops by size and seed."""
    found = [Column(size, size, pooled(of.values()), True) for size, of in shops.items()]
    largest = max(shops, key=lambda size: SIZES[size].cars)
    for kind in dict.fromkeys(KINDS):
        of_kind = [pool for seed, pool in shops[largest].items() if KINDS[seed % len(KINDS)] == kind]
        if 0 < len(of_kind) < len(shops[largest]):
            found.append(Column(f"{largest}, {kind}", largest, pooled(of_kind), False))
    return found


def report_lines(shops: Mapping[str, Mapping[int, Pool]]) -> Iterator[str]:
    """All rows, and how many figures met their target."""
    columns = columns_of(shops)
    yield from what_was_simulated(shops)
    yield ""
    yield "| measure | of | " + " | ".join(column.words for column in columns) + " |"
    yield "|" + " --- |" * (2 + len(columns))
    verdicts: Counter[str] = Counter()
    for row in ROWS:
        figures = [figures_of(row, column) for column in columns]
        for column, each in zip(columns, figures, strict=True):
            verdicts.update(figure.verdict for figure in each.values() if column.whole)
        yield from row_lines(row, figures)
    yield ""
    yield (
        f"Of the columns of all kinds: {verdicts[MET]} figures met their target, {verdicts[MISSED]} missed it, "
        f"{verdicts[TOO_FEW]} rest on too few to say."
    )


def what_was_simulated(shops: Mapping[str, Mapping[int, Pool]]) -> Iterator[str]:
    """What the figures rest on, in words."""
    seeds = sorted({seed for of in shops.values() for seed in of})
    kinds = Counter(KINDS[seed % len(KINDS)] for seed in seeds)
    sizes = ", ".join(f"{size} {SIZES[size].cars} cars" for size in shops)
    yield from wrap(
        f"Simulated shops, seeds {seeds[0]} to {seeds[-1]} ({', '.join(f'{n} {kind}' for kind, n in kinds.items())}), "
        f"{sizes} each. Every shop's spreads are drawn anew; half of the shops have heavy tails. A share's band is "
        "widened by two binomial standard errors, an error's is not. In brackets: on how many it rests.",
        WIDTH,
    )


def figures_of(row: Row, column: Column) -> dict[str, Figure]:
    """A row's figures by their words; none where its subject was not tried."""
    if row.subject not in column.pool:
        return {}
    return {figure.words: figure for figure in row.figures(column.pool, column.size)}


def row_lines(row: Row, by_column: Sequence[Mapping[str, Figure]]) -> Iterator[str]:
    """One row: a line for each of its figures, the target on the first."""
    words = dict.fromkeys(word for figures in by_column for word in figures)
    for place, word in enumerate(words):
        head = f"{row.words} [{row.target or 'no target'}]" if place == 0 else ""
        cells = [cell(figures.get(word)) for figures in by_column]
        yield f"| {head} | {word} | " + " | ".join(cells) + " |"


def cell(figure: Figure | None) -> str:
    """One figure with what it rests on and its verdict."""
    if figure is None or figure.n == 0:
        return ""
    return f"{figure.shown} ({figure.n}) {figure.verdict}".rstrip()
