"""What a run says on paper: ratios beside their promises first, absolute figures after, the machine named."""

from collections.abc import Iterable, Iterator, Sequence

from tests.bench.growth import Law
from tests.bench.machine import BUSY_WITH_OTHERS
from tests.bench.promises import PROMISES, Promise, Target
from tests.bench.results import MOVED_ERRORS, MOVED_SHARE, Change, Figure, Results, Times

WORDS, OF = 68, 18
NOT_HERE = {
    "questions": "bench --only questions",
    "model": "bench --only model --model-sizes 250k",
    "pages": "bench --only pages",
    "import": "bench --only import",
    "truth": "bench --only truth",
}
"""How to measure what a run left out."""


def report(results: Results, laws: Sequence[Law]) -> Iterator[str]:
    """All of it, line by line."""
    yield from promise_lines(results.figures)
    yield from beside_lines(results.figures)
    yield from law_lines(laws)
    yield from times_lines(results.times)
    yield from results.said
    yield from machine_lines(results)


def promise_lines(figures: Sequence[Figure]) -> Iterator[str]:
    """Every promise with its figures, or with what would measure them."""
    yield f"{'PROMISES, as ratios within this run':{WORDS + OF}}{'measured':>12}  {'promised':<22}"
    for promise in PROMISES:
        yield promise.what
        yield from target_lines(promise, figures)


def target_lines(promise: Promise, figures: Sequence[Figure]) -> Iterator[str]:
    """The figures of one promise, in the order of its targets."""
    for target in promise.targets:
        found = [figure for figure in figures if figure.name == target.figure and figure.most is None]
        if not found:
            yield f"  {target.figure:{WORDS + OF - 2}}{'not measured':>12}  {limit_words(target, None)}; {NOT_HERE[promise.part]}"
        yield from (figure_line(figure) for figure in found)
    if not promise.targets:
        yield f"  {'':{WORDS + OF - 2}}{'not measured':>12}  {NOT_HERE[promise.part]}"


def figure_line(figure: Figure) -> str:
    """One figure beside its limit."""
    target = figure.target
    promised = "" if target is None else f"  {limit_words(target, figure.base_ms)}"
    judged = figure.verdict or ("" if target is None else f"promised {size_words(target)}")
    error = "" if figure.error is None else f" ± {100.0 * figure.error:.0f} %"
    by_cpu = "" if figure.by_cpu is None else f" (by CPU {figure.by_cpu:.3g})"
    return f"  {figure.name:{WORDS - 2}}{figure.of:{OF}}{figure.value:12,.4g} {figure.unit}{error}{by_cpu}{promised}  {judged}".rstrip()


def size_words(target: Target) -> str:
    """For which histories a limit is."""
    return f"from {target.from_pulls:,} pulls" if target.from_pulls else f"up to {target.to_pulls:,} pulls"


def limit_words(target: Target, base_ms: float | None) -> str:
    """A limit as it reads."""
    sign = "<=" if target.most is not None else ">="
    plus = f" + {target.plus_ms:g} ms" if target.plus_ms else ""
    bare = target.most if target.most is not None else target.least
    whole = f" = {target.limit(base_ms):.3g}" if plus and base_ms else ""
    return f"{sign} {bare:g}{plus}{whole}"


def beside_lines(figures: Sequence[Figure]) -> Iterator[str]:
    """What no promise speaks of."""
    promised = {target.figure for promise in PROMISES for target in promise.targets}
    beside = [figure for figure in figures if figure.name not in promised or figure.most is not None]
    if beside:
        yield ""
        yield "BESIDE THEM"
        yield from map(figure_line, beside)


def law_lines(laws: Sequence[Law]) -> Iterator[str]:
    """How things grow, in words."""
    if laws:
        yield ""
        yield "GROWTH WITH THE HISTORY"
        yield from (f"  {one}" for one in laws)


def times_lines(times: Iterable[Times]) -> Iterator[str]:
    """Absolute figures."""
    rows = list(times)
    if rows:
        yield ""
        yield (
            f"{'TIMES':{WORDS}}{'history':{OF}}{'clients':>8}{'median ms':>11}{'p95 ms':>10}{'per second':>12}{'CPU ms':>9}"
        )
    for one in rows:
        cpu = "" if one.cpu_ms is None else f"{one.cpu_ms:9.2f}"
        yield (
            f"  {one.name:{WORDS - 2}}{one.of:{OF}}{one.clients:8}{one.median_ms:11.2f}{one.p95_ms:10.2f}"
            f"{one.per_second:12.0f}{cpu}"
        )


def machine_lines(results: Results) -> Iterator[str]:
    """Where and on what it was measured, and whether others were at work."""
    yield ""
    yield "; ".join(f"{name} {value}" for name, value in results.machine.items())
    yield f"commit {results.commit}{', with changes' if results.changed else ''}; {results.date}"
    yield f"at the start: {results.load_before}"
    if results.load_after is not None:
        yield f"at the end: {results.load_after}"
    if any(load and load.disturbed for load in (results.load_before, results.load_after)):
        yield (
            f"WARNING: others used more than {100.0 * BUSY_WITH_OTHERS:.0f} % of the cores. Ratios of one run bear much of "
            "that; absolute figures do not: run it again on a quiet machine."
        )


def change_lines(changes: Sequence[Change], earlier: str) -> Iterator[str]:
    """This run over an earlier one, those that moved marked."""
    yield ""
    yield f"{f'OVER {earlier}':{WORDS + OF}}{'then':>12}{'now':>12}{'now/then':>10}"
    for one in changes:
        moved = "  moved" if one.moved else ""
        yield f"  {one.key:{WORDS + OF - 2}}{one.then:12.4g}{one.now:12.4g}{one.ratio:10.3f}{moved}"
    yield (
        f"moved: by more than {MOVED_ERRORS:g} standard errors of both medians together, and by {100 * MOVED_SHARE:.0f} % "
        "at least. Ratios within a run can be compared between machines, times cannot."
    )
