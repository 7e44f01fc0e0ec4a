"""What lies apart: each odd one against the range in which ordinary ones lie."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

ROW_PX = 30


def strips() -> dict[str, Any]:
    """One row each: a band where 19 of 20 ordinary ones lie, a line at what is expected, a mark where this one lies.

    Data sets to fill: `rows` (order, label, low, high, deviation), in percent from what is expected, and `nought` (value).
    The height follows from the number of rows, by the specification's own `usermeta`.
    """
    layers = alt.layer(_bands(), theme.nought_upright(), *_marks()).properties(usermeta={"rowHeight": ROW_PX})
    return theme.finish(
        layers, "Each odd one as a mark against the band where ordinary ones lie, what is expected at nought."
    )


def _rows() -> Layer:
    return alt.Chart(alt.NamedData("rows"))


def _bands() -> Layer:
    band = _rows().mark_rule(strokeWidth=16, color=theme.BAND, aria=False)
    return band.encode(x=theme.value_across("low:Q"), x2="high:Q", y=theme.named_rows(190, overlap=False))


def _marks() -> tuple[Layer, ...]:
    """A triangle that points to its side, so that high and low differ by shape as well as by place."""
    shown = [
        alt.Tooltip("label:N", title="which"),
        alt.Tooltip("deviation:Q", title="from what is expected, %", format="+.1f"),
        alt.Tooltip("low:Q", title="ordinary from, %", format="+.1f"),
        alt.Tooltip("high:Q", title="to, %", format="+.1f"),
    ]
    return tuple(
        _rows()
        .transform_filter(f"datum.deviation {sign} 0")
        .mark_point(shape=shape, size=130, filled=True, opacity=1, color=theme.INK)
        .encode(x=theme.value_across("deviation:Q"), y=theme.named_rows(190, overlap=False), tooltip=shown)
        for sign, shape in (("<", "triangle-left"), (">", "triangle-right"))
    )
