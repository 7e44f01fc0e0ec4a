"""The customer's sheet: two states over engine speed, told apart by line and letter, and the gain between them."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

HEIGHT_PX = 140  # our choice: three side by side in the upper third of a page
RPM_TICK_PX = 64  # our choice: a wider gap, for a picture set small on paper
APART_PX = 9  # our choice: a letter clear of its line


def curve() -> dict[str, Any]:
    """Power or torque of A (solid) and B (dashed), the axis from nought, each line with its letter.

    Data sets to fill: `states` (rpm, value, state = A | B) and `letters` (rpm, value, word, over), over: above its line.
    """
    lines = alt.Chart(alt.NamedData("states")).mark_line(color=theme.INK, aria=False, strokeWidth=1.6)
    dash = alt.condition("datum.state === 'B'", alt.value([6, 3]), alt.value([1, 0]))
    axis = alt.Axis(
        labelExpr=theme.unit_labels(),
        domain=False,
        ticks=False,
        tickCount=5,
    )
    drawn = lines.encode(
        x=_rpm(),
        y=alt.Y("value:Q", title=None, axis=axis, scale=alt.Scale(zero=True)),
        strokeDash=dash,
        detail="state:N",
    )
    layers = alt.layer(drawn, _letters("datum.over", -APART_PX), _letters("!datum.over", APART_PX))
    return theme.finish(
        layers.properties(height=HEIGHT_PX),
        "Two states of one car against engine speed: A a solid line, B a dashed one; the axis begins at nought.",
    )


def gain() -> dict[str, Any]:
    """The gain from A to B with the interval at each speed, on an axis of its own, nought drawn strongly.

    Data sets to fill: `knots` (rpm, gain, low, high) and `nought` (value).
    """
    knots = alt.Chart(alt.NamedData("knots"))
    axis = alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, tickCount=5)
    y = alt.Y("low:Q", title=None, axis=axis)
    band = knots.mark_area(color=theme.BAND, aria=False).encode(x=_rpm(), y=y, y2="high:Q")
    edge = knots.mark_line(color=theme.INK, strokeWidth=0.7, strokeDash=[2, 2], aria=False)
    line = knots.mark_line(color=theme.INK, strokeWidth=1.8, aria=False)
    nought = alt.Chart(alt.NamedData("nought")).mark_rule(color=theme.INK, strokeWidth=1.2, aria=False)
    layers = alt.layer(
        band,
        *(edge.encode(x=_rpm(), y=field) for field in ("low:Q", "high:Q")),
        nought.encode(y="value:Q"),
        line.encode(x=_rpm(), y="gain:Q"),
    )
    return theme.finish(
        layers.properties(height=HEIGHT_PX),
        "Gain of power against engine speed: line for the gain, band for its interval, nought marked.",
    )


def _rpm() -> alt.X:
    return theme.speed_across(spacing_px=RPM_TICK_PX)


def _letters(which: str, dy: int) -> Layer:
    text = alt.Chart(alt.NamedData("letters")).transform_filter(which)
    mark = text.mark_text(baseline="middle", dy=dy, fontSize=theme.LABEL_PX, fontWeight="bold", aria=False)
    return mark.encode(x=_rpm(), y="value:Q", text="word:N")
