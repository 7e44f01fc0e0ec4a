"""What a part gains: over engine speed, and car by car."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

CURVE_HEIGHT_PX = 300
ROW_PX = 24
DENSITY_PX = 220


def curve() -> dict[str, Any]:
    """Gain over engine speed with its band, nought drawn strongly.

    Data sets to fill: `knots` (rpm, typical, low, high, band_low, band_high, next_low, next_high, cars), `nought` (value)
    and `stretches` (from, to, middle, nought, word, named), where the whole band lies on one side of nought.
    """
    layers = alt.layer(_band(), *_edges(), _nought(), _typical_line(), *_stretches(), _readings())
    sized = layers.properties(height=CURVE_HEIGHT_PX)
    return theme.finish(
        sized, "Gain against engine speed: line for the typical car, band around it, nought marked."
    )


def cars() -> dict[str, Any]:
    """One row for the typical car, one for one more car, then one per car measured.

    Data sets to fill: `rows` (order, label, kind = typical | next | like | other, value, low, high) and `nought`.
    The height follows from the number of rows, by the specification's own `usermeta`.
    """
    layers = alt.layer(theme.nought_upright(), _typical_upright(), *_intervals(), *_dots())
    sized = layers.properties(usermeta={"rowHeight": ROW_PX})
    return theme.finish(
        sized, "Gain of each car measured, below the intervals for the typical car and for one more car."
    )


def density() -> dict[str, Any]:
    """Bars of how many cars gained what, below the two intervals: for more cars than there is room for dots.

    Data sets to fill: `bins` (from, to, cars) and, as for `cars`, `rows` of the kinds typical and next, and `nought`.
    """
    counts = alt.Axis(domain=False, ticks=False, tickMinStep=1, tickCount=5, format=",d")
    bars = alt.Chart(alt.NamedData("bins")).mark_bar(
        color=theme.BAND, stroke=theme.ACCENT, strokeWidth=1, binSpacing=0
    )
    shape = bars.encode(
        x=theme.value_across("from:Q"),
        x2="to:Q",
        y=alt.Y("cars:Q", title="cars", axis=counts),
        y2=alt.datum(0),
        tooltip=[alt.Tooltip("cars:Q", title="cars"), alt.Tooltip("from:Q"), alt.Tooltip("to:Q")],
    )
    above = _intervals({"typical": alt.value(-ROW_PX), "next": alt.value(-2 * ROW_PX)})
    layers = alt.layer(shape, theme.nought_upright(), _typical_upright(), *above, *_interval_words())
    sized = layers.properties(height=DENSITY_PX)
    return theme.finish(
        sized, "How many cars gained what, below the intervals for the typical and one more car."
    )


def _interval_words() -> tuple[Layer, ...]:
    """What the two intervals above the bars are."""
    return tuple(
        _rows(f"datum.kind === '{kind}'")
        .mark_text(align="left", dx=10, baseline="middle", aria=False)
        .encode(x=theme.value_across("high:Q"), y=alt.value(-place * ROW_PX), text="label:N")
        for kind, place in (("typical", 1), ("next", 2))
    )


def _knots() -> Layer:
    return alt.Chart(alt.NamedData("knots"))


def _gain_axis() -> alt.Axis:
    return alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, tickCount=6)


def _band() -> Layer:
    area = _knots().mark_area(color=theme.BAND, aria=False)
    return area.encode(x=theme.speed_across(), y=alt.Y("low:Q", title=None, axis=_gain_axis()), y2="high:Q")


def _edges() -> tuple[Layer, ...]:
    """The band for all speeds at once, and one more car's."""
    looks: tuple[tuple[str, dict[str, Any]], ...] = (
        ("band", {"color": theme.ACCENT, "strokeWidth": 0.9, "strokeDash": [5, 3]}),
        ("next", {"color": theme.FAINT, "strokeWidth": 1.1, "strokeDash": [1, 4]}),
    )
    return tuple(
        _knots().mark_line(aria=False, **look).encode(x=theme.speed_across(), y=f"{name}_{side}:Q")
        for name, look in looks
        for side in ("low", "high")
    )


def _nought() -> Layer:
    return alt.Chart(alt.NamedData("nought")).mark_rule(color=theme.INK, strokeWidth=1.4).encode(y="value:Q")


def _typical_line() -> Layer:
    line = _knots().mark_line(color=theme.ACCENT, strokeWidth=2.6, aria=False)
    return line.encode(x=theme.speed_across(), y="typical:Q")


def _stretches() -> tuple[Layer, ...]:
    data = alt.Chart(alt.NamedData("stretches"))
    loses = "datum.word === 'loses'"
    colour = alt.condition(loses, alt.value(theme.LOSS), alt.value(theme.ACCENT))
    dash = alt.condition(loses, alt.value([3, 2]), alt.value([1, 0]))
    bar = data.mark_rule(strokeWidth=5, aria=False)
    return (
        bar.encode(x=theme.speed_across("from:Q"), x2="to:Q", y="nought:Q", color=colour, strokeDash=dash),
        _word(data.transform_filter(f"datum.named && {loses}"), "loses"),
        _word(data.transform_filter(f"datum.named && !({loses})"), "gains"),
    )


def _word(data: Layer, word: str) -> Layer:
    """The word above the picture, over its stretch: there neither curve nor axis is printed."""
    text = data.mark_text(
        text=word, dy=-10, baseline="bottom", fontSize=theme.LABEL_PX, fontStyle="italic", aria=False
    )
    return text.encode(x=theme.speed_across("middle:Q"), y=alt.value(0))


def _readings() -> Layer:
    points = _knots().mark_point(opacity=0, size=160, filled=True, aria=False)
    shown = [
        alt.Tooltip("rpm:Q", title="rpm", format=",d"),
        alt.Tooltip("typical:Q", title="typical", format="+.1f"),
        alt.Tooltip("low:Q", title="from", format="+.1f"),
        alt.Tooltip("high:Q", title="to", format="+.1f"),
        alt.Tooltip("cars:Q", title="cars"),
    ]
    return points.encode(x=theme.speed_across(), y="typical:Q", tooltip=shown)


def _rows(kinds: str) -> Layer:
    return alt.Chart(alt.NamedData("rows")).transform_filter(kinds)


def _typical_upright() -> Layer:
    rule = _rows("datum.kind === 'typical'").mark_rule(
        color=theme.ACCENT, strokeWidth=1, strokeDash=[2, 3], aria=False
    )
    return rule.encode(x=theme.value_across("value:Q"))


def _intervals(places: dict[str, Any] | None = None) -> tuple[Layer, ...]:
    """The two intervals, in their own rows or at given heights."""
    at = places or {"typical": theme.named_rows(180), "next": theme.named_rows(180)}
    next_car = _rows("datum.kind === 'next'").mark_rule(
        color=theme.ACCENT, strokeWidth=3, strokeDash=[6, 3], aria=False
    )
    typical = _rows("datum.kind === 'typical'").mark_rule(color=theme.ACCENT, strokeWidth=9, aria=False)
    middle = _rows("datum.kind === 'typical'").mark_tick(color=theme.INK, thickness=3, size=18, aria=False)
    return (
        next_car.encode(x=theme.value_across("low:Q"), x2="high:Q", y=at["next"]),
        typical.encode(x=theme.value_across("low:Q"), x2="high:Q", y=at["typical"]),
        middle.encode(x=theme.value_across("value:Q"), y=at["typical"]),
    )


def _dots() -> tuple[Layer, ...]:
    shown = [alt.Tooltip("label:N", title="car"), alt.Tooltip("value:Q", title="gain", format="+.1f")]
    like = _rows("datum.kind === 'like'").mark_circle(size=95, color=theme.INK, opacity=1, aria=False)
    other = _rows("datum.kind === 'other'").mark_point(
        size=80, stroke=theme.INK, strokeWidth=1.6, fill=theme.PAPER, filled=False, aria=False
    )
    return tuple(
        dots.encode(x=theme.value_across("value:Q"), y=theme.named_rows(180), tooltip=shown)
        for dots in (like, other)
    )
