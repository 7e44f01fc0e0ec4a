"""What parts cost against what they gain, with the line of those that none beats."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

HEIGHT_PX = 380
MONEY_TICK_PX = 64  # our choice: "12,000" and a gap, at the label size


def cost_against_gain() -> dict[str, Any]:
    """One point a part, its interval as a whisker, the frontier as steps.

    Data sets to fill: `parts` (cost, gain, low, high, name, kind = shown | borrowed | unclear), `frontier` (cost, gain,
    number, name, named), `nought` (value) and `budget` (value, label; or nothing).
    """
    layers = alt.layer(_nought(), *_budget(), _line(), *_whiskers(), *_names(), *_points())
    return theme.finish(
        layers.properties(height=HEIGHT_PX),
        "Gain against cost fitted: one point a part, and a stepped line through those that none beats.",
    )


def _cost(field: str = "cost:Q") -> alt.X:
    axis = alt.Axis(
        grid=False, format=",d", tickCount=theme.ticks(MONEY_TICK_PX), labelOverlap=True, tickMinStep=1
    )
    return alt.X(field, title=None, axis=axis, scale=alt.Scale(zero=True, nice=True))


def _gain(field: str = "gain:Q") -> alt.Y:
    axis = alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, tickCount=6)
    return alt.Y(field, title=None, axis=axis)


def _nought() -> Layer:
    return (
        alt.Chart(alt.NamedData("nought"))
        .mark_rule(color=theme.INK, strokeWidth=1.4)
        .encode(y=_gain("value:Q"))
    )


def _budget() -> tuple[Layer, ...]:
    data = alt.Chart(alt.NamedData("budget"))
    text = data.mark_text(dy=-8, baseline="bottom", fontWeight="bold", aria=False)
    return (
        data.mark_rule(color=theme.LOSS, strokeWidth=2, strokeDash=[7, 4]).encode(x=_cost("value:Q")),
        text.encode(x=_cost("value:Q"), y=alt.value(0), text="label:N"),
    )


def _line() -> Layer:
    line = alt.Chart(alt.NamedData("frontier")).mark_line(
        color=theme.ACCENT, strokeWidth=2.2, interpolate="step-after", aria=False
    )
    return line.encode(x=_cost(), y=_gain(), order="cost:Q")


def _kind(name: str) -> Layer:
    return alt.Chart(alt.NamedData("parts")).transform_filter(f"datum.kind === '{name}'")


def _whiskers() -> tuple[Layer, ...]:
    return tuple(
        _kind(kind)
        .mark_rule(color=theme.FAINT, strokeWidth=1.2, strokeDash=dash, aria=False)
        .encode(x=_cost(), y=_gain("low:Q"), y2="high:Q")
        for kind, dash in (("shown", [1, 0]), ("borrowed", [4, 3]), ("unclear", [1, 3]))
    )


def _points() -> tuple[Layer, ...]:
    shown = [
        alt.Tooltip("name:N", title="part"),
        alt.Tooltip("cost:Q", title="fitted", format=",.0f"),
        alt.Tooltip("gain:Q", title="typical", format="+.1f"),
        alt.Tooltip("low:Q", title="from", format="+.1f"),
        alt.Tooltip("high:Q", title="to", format="+.1f"),
    ]
    filled = _kind("shown").mark_point(shape="circle", size=110, filled=True, fill=theme.INK, opacity=1)
    open_ones = _kind("borrowed").mark_point(
        shape="diamond", size=130, filled=False, fill=theme.PAPER, stroke=theme.INK, strokeWidth=1.8
    )
    crosses = _kind("unclear").mark_point(
        shape="M-1,-1L1,1M-1,1L1,-1", size=45, filled=False, stroke=theme.FAINT, strokeWidth=1.8
    )
    return tuple(mark.encode(x=_cost(), y=_gain(), tooltip=shown) for mark in (filled, open_ones, crosses))


def _names() -> tuple[Layer, ...]:
    """The number of every part of the line left above its point, where no other point can be; its name where there is room."""
    words = f"width < {theme.NARROW_PX} || !datum.named ? datum.number : datum.name + '  ' + datum.number"
    data = alt.Chart(alt.NamedData("frontier")).transform_calculate(words=words)
    halo = data.mark_text(align="right", dx=-7, dy=-10, aria=False, stroke=theme.PAPER, strokeWidth=4)
    text = data.mark_text(align="right", dx=-7, dy=-10, aria=False)
    return tuple(layer.encode(x=_cost(), y=_gain(), text="words:N") for layer in (halo, text))
