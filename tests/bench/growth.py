"""How what is measured grows with the history: a straight line through logarithms, in words, and as charts.

y = a pulls^slope. The slope is that of the least squares through the medians; its error holds both what the rounds
scatter and, from three sizes on, how far the sizes lie off the line.
"""

import math
import statistics
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import altair as alt
import numpy as np
import vl_convert

from tests.bench import names
from tests.bench.results import Figure, Results

HUNDREDFOLD = 100.0
FLAT = math.log(1.2) / math.log(HUNDREDFOLD)
"""The slope at which a hundred times the history takes 1.2 times as long: what is promised at most."""
SURE = 2.0
"""Standard errors by which a slope must lie on one side of that to be called so (our choice)."""
WIDTH, HEIGHT = 420, 300
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#999999")
"""Okabe and Ito's, which colour-blind people can tell apart; shapes say the same again."""
CHARTS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "pairs": ("Gain by the pairs alone [ms]", (
        names.PAIRS_SCALARS_FEW, names.PAIRS_SCALARS_MANY, names.PAIRS_SCALARS_ANEW, names.PAIRS_CURVE_FEW,
        names.PAIRS_CURVE_MANY, names.PAIRS_CURVE_ANEW, names.ROW,
    )),
    "answers": ("Answers from the model [ms]", (
        names.GAIN_SCALARS, names.GAIN_CACHED, names.GAIN_NEW, names.GAIN_AFTER_CHANGE, names.GAIN_AFTER_POST,
        names.STOCK_SPREAD, names.STOCK_SPREAD_AFTER_POST, names.PART_CHOICE,
    )),
    "records": ("Records read and posted [ms]", (
        names.ODD_ONES, names.STATES, names.OVERLAY, names.FIRST_PAGE, names.DEEP_PAGE, names.POST, names.ROW,
    )),
    "disk": ("Disk per pull [kB]", (names.DISK_STEPPED, names.DISK_UNSTEPPED)),
    "estimate": ("Estimate of the model, CPU [min]", (names.REFIT_MIN,)),
    "memory": ("Memory [MB]", (names.PSS_LOADED, names.PSS_AFTER)),
}  # fmt: skip


@dataclass(frozen=True)
class Law:
    """y = a pulls^slope between two sizes; `error` is the slope's standard error, None where there is no telling."""

    name: str
    slope: float
    error: float | None
    smallest: int
    largest: int

    def __str__(self) -> str:
        times = HUNDREDFOLD**self.slope
        error = "" if self.error is None else f" ± {self.error:.3f}"
        return (
            f"{self.name}: {self.verdict} (slope {self.slope:+.3f}{error} on log-log, {self.smallest:,} to "
            f"{self.largest:,} pulls: a hundred times the history, {times:.2f} times as much)"
        )

    @property
    def verdict(self) -> str:
        """Whether it grows, in words."""
        margin = SURE * (self.error or 0.0)
        if self.slope - margin > FLAT:
            return f"grows as pulls^{self.slope:.2f}"
        return (
            "does not grow with the history" if self.slope + margin <= FLAT else "is not told apart from flat"
        )


@dataclass(frozen=True)
class Point:
    """One quantity at one size; `rounds` are its values round by round, one where it was measured once."""

    pulls: int
    value: float
    rounds: tuple[float, ...]


def points_of(results: Results) -> Mapping[str, list[Point]]:
    """Every quantity that the charts show, by name, smallest history first; only one client's times."""
    found: dict[str, list[Point]] = defaultdict(list)
    wanted = {name for _, of_chart in CHARTS.values() for name in of_chart}
    for one in results.times:
        if one.clients == 1 and one.name in wanted:
            found[one.name].append(Point(one.pulls, one.median_ms, one.rounds_ms))
    for figure in results.figures:
        if figure.name in wanted and figure.pulls and is_of_a_history(figure):
            found[figure.name].append(Point(figure.pulls, figure.value, (figure.value,)))
    return {name: sorted(points, key=lambda point: point.pulls) for name, points in found.items()}


def is_of_a_history(figure: Figure) -> bool:
    """Ratios of times are left out: their times are there."""
    return figure.base_ms is None


def laws(results: Results) -> list[Law]:
    """The law of every quantity that was measured at two sizes and more."""
    return [law(name, points) for name, points in points_of(results).items() if len(points) > 1]


def law(name: str, points: Sequence[Point]) -> Law:
    """The straight line through the logarithms of the points."""
    x = np.log([point.pulls for point in points])
    slope, rest = slope_and_rest(x, np.log([point.value for point in points]))
    parts = [error for error in (rounds_error(x, points), rest) if error is not None]
    error = math.hypot(*parts) if parts else None
    return Law(name, slope, error, points[0].pulls, points[-1].pulls)


def slope_and_rest(x: np.ndarray, y: np.ndarray) -> tuple[float, float | None]:
    """Least squares: the slope, and its standard error by the residuals, which takes three points."""
    away = x - x.mean()
    slope = float(away @ y / (away @ away))
    if len(x) < 3:
        return slope, None
    left = y - y.mean() - slope * away
    return slope, math.sqrt(float(left @ left) / (len(x) - 2) / float(away @ away))


def rounds_error(x: np.ndarray, points: Sequence[Point]) -> float | None:
    """Standard error of the slope by its scatter from round to round; None of one round."""
    rounds = [np.log(one) for one in zip(*(point.rounds for point in points), strict=False)]
    if len(rounds) < 2:
        return None
    slopes = [slope_and_rest(x, np.array(one))[0] for one in rounds]
    return statistics.stdev(slopes) / math.sqrt(len(slopes))


def write_charts(results: Results, folder: Path, stem: str) -> list[Path]:
    """Write each chart that has two sizes or more as `<stem>-<chart>.svg`; answer the files."""
    return list(charts_written(points_of(results), folder, stem))


def charts_written(points: Mapping[str, list[Point]], folder: Path, stem: str) -> Iterator[Path]:
    """One file a chart."""
    for name, (title, shown) in CHARTS.items():
        rows = [
            {"what": what, "pulls": point.pulls, "value": point.value}
            for what in shown
            for point in points.get(what, ())
        ]
        if len({row["pulls"] for row in rows}) > 1:
            path = folder / f"{stem}-{name}.svg"
            path.write_text(drawn(title, rows), encoding="utf-8")
            yield path


def drawn(title: str, rows: Sequence[Mapping[str, object]]) -> str:
    """Lines over the history's size, both axes logarithmic, as SVG."""
    label = alt.Legend(title=None, labelLimit=0)
    shown = alt.Color("what:N", sort=None, scale=alt.Scale(range=COLOURS), legend=label)
    chart = (
        alt.Chart(alt.Data(values=list(rows)))
        .mark_line(point=alt.OverlayMarkDef(size=60, filled=False))
        .encode(
            x=alt.X("pulls:Q", title="pulls in the history", scale=alt.Scale(type="log"),
                    axis=alt.Axis(format="~s", tickCount=4)),
            y=alt.Y("value:Q", title=title, scale=alt.Scale(type="log"), axis=alt.Axis(format="~r", tickCount=4)),
            color=shown,
            shape=alt.Shape("what:N", sort=None, legend=label),
        )
        .properties(width=WIDTH, height=HEIGHT, background="white")
    )  # fmt: skip
    svg: str = vl_convert.vegalite_to_svg(chart.to_dict())
    return svg
