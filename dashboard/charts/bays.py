"""Bays: how far they agree, their check cars, how well they repeat, and what happened to them when."""

from typing import Any

import altair as alt

from dashboard.charts import theme
from dashboard.charts.theme import Layer

ROW_PX = 40
CHECK_HEIGHT_PX = 220
REPEATS_HEIGHT_PX = 180
DATE_TICK_PX = 90  # our choice: "Jul 2025" and a gap, at the label size


def offsets() -> dict[str, Any]:
    """One row a bay: how much it reads now over the mean of the bays over all their time, with its interval, nought drawn strongly.

    Data sets to fill: `rows` (order, label, value, low, high; null where it is not comparable, with `word`) and `nought`.
    """
    rows = alt.Chart(alt.NamedData("rows"))
    known = rows.transform_filter("isValid(datum.value)")
    unknown = rows.transform_filter("!isValid(datum.value)")
    layers = alt.layer(
        theme.nought_upright(),
        known.mark_rule(color=theme.ACCENT, strokeWidth=9, aria=False).encode(
            x=theme.value_across("low:Q"), x2="high:Q", y=theme.named_rows(150, overlap=False)
        ),
        known.mark_tick(color=theme.INK, thickness=3, size=20).encode(
            x=theme.value_across("value:Q"), y=theme.named_rows(150, overlap=False), tooltip=_offset_words()
        ),
        unknown.mark_text(fontStyle="italic", align="left", dx=6).encode(
            x=theme.value_across("nought:Q"), y=theme.named_rows(150, overlap=False), text="word:N"
        ),
    ).properties(usermeta={"rowHeight": ROW_PX})
    return theme.finish(
        layers,
        "How much each bay reads now over the mean of the bays over all their time, with its interval.",
    )


def checks() -> dict[str, Any]:
    """One bay's check car over time, between its warning lines (dashed) and its limits (solid).

    Data sets to fill: `readings` (at, value, warning, limit, state, word), `ends` (at, value, word) for the words beside
    the lines, and `nought`.
    """
    lines = tuple(
        _readings()
        .transform_calculate(edge=f"{sign}datum.{field}")
        .mark_line(
            interpolate="step-before", color=theme.LOSS, strokeWidth=width, strokeDash=dash, aria=False
        )
        .encode(x=_time_x(), y=_percent_y("edge:Q"))
        for field, width, dash in (("warning", 1.2, [5, 4]), ("limit", 1.8, [1, 0]))
        for sign in ("", "-")
    )
    words = alt.Chart(alt.NamedData("ends")).mark_text(align="right", dy=-7, fontStyle="italic", aria=False)
    layers = alt.layer(
        alt.Chart(alt.NamedData("nought"))
        .mark_rule(color=theme.INK, strokeWidth=1)
        .encode(y=_percent_y("value:Q")),
        *lines,
        words.encode(x=_time_x(), y=_percent_y("value:Q"), text="word:N"),
        _readings()
        .mark_line(color=theme.INK, strokeWidth=1, aria=False)
        .encode(x=_time_x(), y=_percent_y("value:Q")),
        *_dots(),
    ).properties(height=CHECK_HEIGHT_PX)
    return theme.finish(layers, "The check car's readings over time, with warning lines and limits.")


def repeats() -> dict[str, Any]:
    """How far one pull lies from its setup's mean, by quarter of the year, with intervals.

    Data sets to fill: `quarters` (at, value, low, high, pulls) and `whole` (value), the bay's own over all time.
    """
    quarters = alt.Chart(alt.NamedData("quarters"))
    shown = [
        alt.Tooltip("value:Q", title="one pull, %", format=".2f"),
        alt.Tooltip("low:Q", title="from", format=".2f"),
        alt.Tooltip("high:Q", title="to", format=".2f"),
        alt.Tooltip("pulls:Q", title="pulls"),
    ]
    layers = alt.layer(
        alt.Chart(alt.NamedData("whole"))
        .mark_rule(color=theme.ACCENT, strokeWidth=1.4, strokeDash=[6, 3])
        .encode(y=_percent_y("value:Q")),
        quarters.mark_rule(color=theme.INK, strokeWidth=1.2, clip=True, aria=False).encode(
            x=_time_x(), y=_spread_y("low:Q"), y2="high:Q"
        ),
        quarters.mark_circle(color=theme.INK, size=70, opacity=1, aria=False).encode(
            x=_time_x(), y=_spread_y("value:Q"), tooltip=shown
        ),
    ).properties(height=REPEATS_HEIGHT_PX)
    return theme.finish(layers, "How well the bay repeats, by quarter of the year.")


def happenings() -> dict[str, Any]:
    """What happened to each bay when: recorded events, steps nobody recorded, the last post.

    Data sets to fill: `rows` (order, label, first, last), one a bay, when it was used, and `marks` (label, at,
    kind = event | step | last, word, short).
    """
    used = alt.Chart(alt.NamedData("rows")).mark_rule(color=theme.FAINT, strokeWidth=1, aria=False)
    marks = alt.Chart(alt.NamedData("marks"))
    looks = (
        ("event", "diamond", theme.ACCENT, True),
        ("step", "triangle-up", theme.LOSS, True),
        ("last", "circle", theme.INK, False),
    )
    points = tuple(
        marks.transform_filter(f"datum.kind === '{kind}'")
        .mark_point(
            aria=False,
            shape=shape,
            size=140,
            stroke=colour,
            strokeWidth=2,
            fill=colour if filled else theme.PAPER,
            filled=False,
            opacity=1,
        )
        .encode(
            x=_time_x(),
            y=theme.named_rows(150, overlap=False),
            tooltip=[alt.Tooltip("word:N", title="what"), alt.Tooltip("at:T", title="when")],
        )
        for kind, shape, colour, filled in looks
    )
    words = marks.mark_text(dy=-15, aria=False).encode(
        x=_time_x(),
        y=theme.named_rows(150, overlap=False),
        text=alt.condition(f"width < {theme.NARROW_PX}", alt.value(""), "short:N"),
    )
    span = used.encode(x=_time_x("first:T"), x2="last:T", y=theme.named_rows(150, overlap=False))
    layers = alt.layer(span, *points, words).properties(usermeta={"rowHeight": ROW_PX})
    return theme.finish(layers, "What happened to each bay when.")


def _readings() -> Layer:
    return alt.Chart(alt.NamedData("readings"))


def _dots() -> tuple[Layer, ...]:
    """Inside: a small dot; on a warning line or beyond: larger, another shape, so that no colour is needed."""
    shown = [
        alt.Tooltip("at:T", title="when"),
        alt.Tooltip("value:Q", title="reads, %", format="+.1f"),
        alt.Tooltip("word:N", title="stands"),
    ]
    looks = (
        ("datum.state === 'inside' || datum.state === 'first'", "circle", 50, theme.INK),
        ("datum.state === 'warning'", "diamond", 130, theme.LOSS),
        ("datum.state === 'outside'", "cross", 180, theme.LOSS),
    )
    return tuple(
        _readings()
        .transform_filter(wanted)
        .mark_point(shape=shape, size=size, filled=True, opacity=1, color=colour, aria=False)
        .encode(x=_time_x(), y=_percent_y("value:Q"), tooltip=shown)
        for wanted, shape, size, colour in looks
    )


def _offset_words() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("label:N", title="bay"),
        alt.Tooltip("value:Q", title="reads over the mean, %", format="+.2f"),
        alt.Tooltip("low:Q", title="from", format="+.2f"),
        alt.Tooltip("high:Q", title="to", format="+.2f"),
    ]


def _percent_y(field: str) -> alt.Y:
    axis = alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, tickCount=5)
    return alt.Y(field, title=None, axis=axis)


def _spread_y(field: str) -> alt.Y:
    axis = alt.Axis(labelExpr=theme.unit_labels(), domain=False, ticks=False, tickCount=5)
    return alt.Y(field, title=None, axis=axis, scale=alt.Scale(zero=True))


def _time_x(field: str = "at:T") -> alt.X:
    axis = alt.Axis(grid=False, format="%b %Y", tickCount=theme.ticks(DATE_TICK_PX), labelOverlap=True)
    return alt.X(field, title=None, axis=axis, scale=alt.Scale(type="utc"))
