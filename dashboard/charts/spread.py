"""How stock cars of one platform differ, and where one car stands among them."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

HISTOGRAM_HEIGHT_PX = 260
DOTS_HEIGHT_PX = 110

MARKED = "Average marked with a solid line, this car with a dashed line."


def histogram() -> dict[str, Any]:
    """Bars of how many cars read what. Data sets: `bins` (from, to, cars), `marks` (kind, value, label)."""
    layers = alt.layer(_bars(), *_marks()).properties(height=HISTOGRAM_HEIGHT_PX)
    return theme.finish(layers, f"How many stock cars read what. {MARKED}")


def dots() -> dict[str, Any]:
    """One dot per car, for fewer cars than a shape can be read from. Data sets: `cars`
    (vehicle, value), and `marks` as for `histogram`."""
    layers = alt.layer(_dots(), *_marks()).properties(height=DOTS_HEIGHT_PX)
    return theme.finish(layers, f"What each stock car reads, one dot per car. {MARKED}")


def _reading_axis() -> alt.Axis:
    labels = theme.unit_labels()
    return alt.Axis(labelExpr=labels, grid=False, tickCount=theme.unit_ticks(), labelOverlap=True)


def _x(field: str) -> alt.X:
    scale = alt.Scale(zero=False, nice=True)
    return alt.X(field, title=None, axis=_reading_axis(), scale=scale)


def _bars() -> Layer:
    bars = alt.Chart(alt.NamedData("bins")).mark_bar(
        color=theme.BAND, stroke=theme.ACCENT, strokeWidth=1, binSpacing=0
    )
    counts = alt.Axis(domain=False, ticks=False, tickMinStep=1, tickCount=5, format=",d")
    return bars.encode(
        x=_x("from:Q"),
        x2="to:Q",
        y=alt.Y("cars:Q", title="cars", axis=counts),
        y2=alt.datum(0),
        tooltip=[
            alt.Tooltip("cars:Q", title="cars"),
            alt.Tooltip("from:Q", title="from"),
            alt.Tooltip("to:Q", title="to"),
        ],
    )


def _dots() -> Layer:
    points = alt.Chart(alt.NamedData("cars")).mark_point(
        size=150, stroke=theme.INK, strokeWidth=1.8, fill=theme.BAND, filled=False, aria=False
    )
    shown = [alt.Tooltip("vehicle:N", title="car"), alt.Tooltip("value:Q", title="reads", format=".1f")]
    return points.encode(x=_x("value:Q"), y=alt.value(DOTS_HEIGHT_PX / 2), tooltip=shown)


def _marks() -> tuple[Layer, ...]:
    data = alt.Chart(alt.NamedData("marks"))
    average = data.transform_filter("datum.kind === 'average'")
    this_car = data.transform_filter("datum.kind === 'car'")
    return (
        average.mark_rule(color=theme.INK, strokeWidth=2).encode(x=_x("value:Q")),
        average.mark_text(dy=-8, baseline="bottom").encode(x=_x("value:Q"), y=alt.value(0), text="label:N"),
        this_car.mark_rule(color=theme.LOSS, strokeWidth=2.4, strokeDash=[7, 4], aria=False).encode(
            x=_x("value:Q")
        ),
        this_car.mark_text(dy=-26, baseline="bottom", fontWeight="bold").encode(
            x=_x("value:Q"), y=alt.value(0), text="label:N"
        ),
    )
