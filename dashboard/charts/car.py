"""What one car read: every setup over time, and the curves of some of them over each other."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

LEVELS_HEIGHT_PX = 300
CURVES_HEIGHT_PX = 340
ROW_PX = 46
DAY_TICK_PX = 110  # our choice: "Feb 2024" and a gap
DASHES = [[1, 0], [8, 4], [2, 3], [10, 3, 2, 3], [5, 2], [14, 5]]
COLOURS = [theme.INK, theme.ACCENT, theme.LOSS]
MOST_CURVES = len(DASHES)
SHAPES = ["circle", "square", "triangle-up", "diamond", "triangle-down", "cross"]


def rows() -> dict[str, Any]:
    """One row a setup, oldest first, for a car of few setups.

    Data sets: `rows` (order, label = the day, words, bay, value, low, high, struck, tip). The height follows from the
    number of rows.
    """
    layers = alt.layer(_row_spreads(), *_marks(_row_at, _reading_across), _row_words()).properties(
        usermeta={"rowHeight": ROW_PX}
    )
    return theme.finish(layers, f"What the car read in each setup, one row each, oldest first. {KEY}")


def levels() -> dict[str, Any]:
    """Every setup over the time it was measured at, for a car of many. Data sets: `points` as
    the `rows` of `rows`, with at; `turns` (at, label).
    """
    layers = alt.layer(_line(), *_marks(_time_at, _reading_up, "points"), *_turns())
    return theme.finish(
        layers.properties(height=LEVELS_HEIGHT_PX), f"What the car read in each setup, over time. {KEY}"
    )


KEY = "The shape is the bay; a hollow mark is not held against the others."


def _data(name: str, only: str) -> Layer:
    return alt.Chart(alt.NamedData(name)).transform_filter(only)


def _reading_axis(**options: Any) -> alt.Axis:
    return alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, labelOverlap=True, **options)


def _reading_across(field: str = "value:Q") -> dict[str, Any]:
    axis = _reading_axis(tickCount=theme.unit_ticks())
    return {"x": alt.X(field, title=None, axis=axis, scale=alt.Scale(zero=False, nice=True, padding=12))}


def _reading_up(field: str = "value:Q") -> dict[str, Any]:
    axis = _reading_axis(tickCount=6)
    return {"y": alt.Y(field, title=None, axis=axis, scale=alt.Scale(zero=False, nice=True))}


def _row_at() -> dict[str, Any]:
    axis = alt.Axis(domain=False, ticks=False, grid=False, labelLimit=100, labelOverlap=False)
    return {"y": alt.Y("label:N", title=None, axis=axis, sort=alt.EncodingSortField("order", op="min"))}


def _time_at(field: str = "at:T") -> dict[str, Any]:
    axis = alt.Axis(grid=False, format="%b %Y", tickCount=theme.ticks(DAY_TICK_PX), labelOverlap=True)
    return {"x": alt.X(field, title=None, axis=axis, scale=alt.Scale(padding=12))}


def _row_spreads() -> Layer:
    rule = _data("rows", "isValid(datum.low)").mark_rule(color=theme.ACCENT, strokeWidth=2, aria=False)
    return rule.encode(x2="high:Q", **_reading_across("low:Q"), **_row_at())


def _row_words() -> Layer:
    """What was fitted, above its row from the left edge on: there it fits on a telephone too."""
    text = alt.Chart(alt.NamedData("rows")).mark_text(align="left", baseline="bottom", dy=-7, aria=False)
    return text.encode(x=alt.value(4), text="words:N", **_row_at())


def _marks(place: Any, reading: Any, name: str = "rows") -> tuple[Layer, ...]:
    legend = alt.Legend(
        title="bay",
        orient="top",
        labelColor=theme.INK,
        titleColor=theme.FAINT,
        labelFontSize=theme.LABEL_PX,
        titleFontSize=theme.LABEL_PX,
        titleFontWeight="normal",
        symbolFillColor=theme.INK,
        symbolStrokeColor=theme.INK,
        symbolSize=90,
        columns=theme.narrow_or(2, 4),
    )
    shape = alt.Shape("bay:N", scale=alt.Scale(range=SHAPES), legend=legend)
    shown = [
        alt.Tooltip("label:N", title="measured on"),
        alt.Tooltip("words:N", title="fitted"),
        alt.Tooltip("value:Q", title="reads", format=".1f"),
        alt.Tooltip("bay:N", title="bay"),
        alt.Tooltip("tip:N", title="counts"),
    ]
    counted = _data(name, "!datum.struck").mark_point(
        size=90, filled=True, color=theme.INK, stroke=theme.INK, opacity=1, aria=False
    )
    struck = _data(name, "datum.struck").mark_point(
        size=90, filled=False, stroke=theme.INK, strokeWidth=1.6, fill=theme.PAPER, opacity=1, aria=False
    )
    return tuple(
        layer.encode(shape=shape, tooltip=shown, **place(), **reading()) for layer in (counted, struck)
    )


def _line() -> Layer:
    line = _data("points", "!datum.struck").mark_line(color=theme.HAIRLINE, strokeWidth=1.5, aria=False)
    return line.encode(order="order:Q", **_time_at(), **_reading_up())


def _turns() -> tuple[Layer, ...]:
    """Where the state changed: a dashed upright with its number above; the words stand below the picture."""
    turns = alt.Chart(alt.NamedData("turns"))
    rule = turns.mark_rule(color=theme.FAINT, strokeDash=[3, 3], aria=False).encode(**_time_at())
    text = turns.mark_text(baseline="bottom", dy=-4, fontWeight="bold", aria=False)
    return rule, text.encode(y=alt.value(0), text="label:N", **_time_at())


def curves() -> dict[str, Any]:
    """Curves of up to six setups over engine speed, told apart by dash and by a number written on each.

    Data sets: `curves` (line = "1" .. "6", rpm, value), `ends` (line, rpm, value).
    """
    layers = alt.layer(_curve_lines(), *_numbers()).properties(height=CURVES_HEIGHT_PX)
    return theme.finish(
        layers, "Mean curves of the chosen setups over engine speed, each numbered on its line."
    )


def _figure() -> alt.Y:
    return alt.Y(
        "value:Q", title=None, axis=_reading_axis(tickCount=6), scale=alt.Scale(zero=False, nice=True)
    )


def _curve_lines() -> Layer:
    names = [str(n + 1) for n in range(MOST_CURVES)]
    dash = alt.StrokeDash("line:N", scale=alt.Scale(domain=names, range=DASHES), legend=None)
    colour = alt.Color(
        "line:N", scale=alt.Scale(domain=names, range=[*COLOURS, *COLOURS][:MOST_CURVES]), legend=None
    )
    line = alt.Chart(alt.NamedData("curves")).mark_line(strokeWidth=2.2, aria=False)
    return line.encode(x=theme.speed_across(), y=_figure(), strokeDash=dash, color=colour)


def _numbers() -> tuple[Layer, ...]:
    ends = alt.Chart(alt.NamedData("ends"))
    plate = ends.mark_point(
        size=420, filled=True, color=theme.PAPER, stroke=theme.FAINT, opacity=1, aria=False
    )
    number = ends.mark_text(fontWeight="bold", baseline="middle", aria=False)
    return plate.encode(x=theme.speed_across(), y=_figure()), number.encode(
        x=theme.speed_across(), y=_figure(), text="line:N"
    )
