"""The curves of single pulls, and the mean of each state of the car."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

HEIGHT_PX = 300


def curves() -> dict[str, Any]:
    """Power or torque over engine speed: thin lines single pulls, thick ones their mean.

    Data sets to fill: `curves` (rpm, value, side = before | after, line = any key, kind = mean | single | rejected)
    and `ends` (rpm, value, label), where a mean's word is written.
    """
    layers = alt.layer(*_singles(), *_means(), *_words()).properties(height=HEIGHT_PX)
    return theme.finish(
        layers, "Single pulls as thin lines, their mean thick: solid before, dashed after, over engine speed."
    )


def _lines(kind: str, side: str | None = None) -> Layer:
    wanted = f"datum.kind === '{kind}'" + (f" && datum.side === '{side}'" if side else "")
    return alt.Chart(alt.NamedData("curves")).transform_filter(wanted)


def _y() -> alt.Y:
    axis = alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, tickCount=6)
    return alt.Y("value:Q", title=None, axis=axis, scale=alt.Scale(zero=True))


def _singles() -> tuple[Layer, ...]:
    looks: tuple[tuple[Layer, dict[str, Any]], ...] = (
        (_lines("rejected"), {"color": theme.FAINT, "strokeDash": [1, 4]}),
        (_lines("single", "before"), {"color": theme.INK}),
        (_lines("single", "after"), {"color": theme.ACCENT, "strokeDash": [5, 3]}),
    )
    return tuple(
        data.mark_line(strokeWidth=0.9, opacity=0.65, aria=False, **look).encode(
            x=theme.speed_across(), y=_y(), detail="line:N"
        )
        for data, look in looks
    )


def _means() -> tuple[Layer, ...]:
    before = _lines("mean", "before").mark_line(color=theme.INK, strokeWidth=2.6, aria=False)
    after = _lines("mean", "after").mark_line(
        color=theme.ACCENT, strokeWidth=2.6, strokeDash=[9, 4], aria=False
    )
    return tuple(line.encode(x=theme.speed_across(), y=_y(), detail="line:N") for line in (before, after))


def _words() -> tuple[Layer, ...]:
    """One word above its mean, the other below, so that neither lies on the other's line."""
    ends = alt.Chart(alt.NamedData("ends"))
    return tuple(
        ends.transform_filter(f"datum.label {sign} 'before'")
        .mark_text(dy=off, align="right", fontStyle="italic", aria=False)
        .encode(x=theme.speed_across(), y=_y(), text="label:N")
        for sign, off in (("!==", -12), ("===", 18))
    )
