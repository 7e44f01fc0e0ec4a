"""The look of every chart: thin ink on warm paper, one accent.

Colours are CSS variables, so light, dark and print need no second drawing; `style.css` gives them their
values. Where colour separates things it comes from a palette made for colour-blind readers (Okabe and Ito,
"Color Universal Design", 2008), and something besides colour always separates them too: a dash, a shape, a word.
"""

from typing import Any

import altair as alt

Layer = Any
"""A chart or one layer of it; the chart library's drawing methods carry no types."""

INK = "var(--ink)"
FAINT = "var(--faint)"
HAIRLINE = "var(--hairline)"
PAPER = "var(--paper)"
ACCENT = "var(--accent)"
BAND = "var(--band)"
LOSS = "var(--loss)"

# The same as in style.css, for a picture that is saved and so leaves the style sheet behind.
LIGHT = {
    "--ink": "#1f1b16",
    "--faint": "#625a4e",
    "--hairline": "#ddd4c3",
    "--paper": "#fbf7ee",
    "--accent": "#005f97",
    "--band": "#cfe0e8",
    "--loss": "#b34700",
}

LABEL_PX = 14  # our choice: read from arm's length on a counter tablet
NARROW_PX = 420  # our choice: a telephone held upright
UNIT_TICK_PX = 66  # our choice: a number with its unit and a gap, at that size
BARE_TICK_PX = 44  # our choice: a number alone and a gap
RPM_TICK_PX = 56  # our choice: "4,000" and a gap, at that size
LABEL_GAP_PX = 10  # our choice: less between two numbers in a row, and they are read as one
# Written out, not a variable: the chart program measures its labels with it. The same stack as in style.css.
FONT = '"Gill Sans Nova", Optima, Candara, "Noto Sans", "DejaVu Sans", sans-serif'

CONFIG: dict[str, Any] = {
    "background": "transparent",
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "domainColor": FAINT,
        "tickColor": FAINT,
        "gridColor": HAIRLINE,
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": LABEL_PX,
        "titleFontSize": LABEL_PX,
        "titleFontWeight": "normal",
        "titlePadding": 10,
        "labelPadding": 6,
        "labelFlush": False,
    },
    # How many ticks there are follows round numbers: up to half as many again as were asked for.
    "axisX": {"labelSeparation": LABEL_GAP_PX},
    "text": {"color": INK, "fontSize": LABEL_PX},
    "rule": {
        "aria": False
    },  # a rule marks what the words say; one without rows would be a picture without a name
    "aria": True,
}


def ticks(spacing_px: int) -> alt.ExprRef:
    """About one tick in so many pixels of the chart's width, whatever the width turns out to be."""
    return alt.ExprRef(f"max(2, floor(width / {spacing_px}))")


def narrow_or(narrow: int, wide: int) -> alt.ExprRef:
    """One number in a narrow chart, another in a wide one."""
    return alt.ExprRef(f"width < {NARROW_PX} ? {narrow} : {wide}")


def unit_ticks() -> alt.ExprRef:
    """Ticks for labels of `unit_labels`: closer where these leave the unit away."""
    return alt.ExprRef(f"max(3, floor(width / (width < {NARROW_PX} ? {BARE_TICK_PX} : {UNIT_TICK_PX})))")


def unit_labels(expression: str = "datum.label") -> str:
    """A label expression which puts the unit behind each number, from the chart's parameter `unit`.

    A narrow chart leaves it to the caption, so that more of the numbers fit.
    """
    return f"replace({expression}, '-', '\u2212') + (width < {NARROW_PX} ? '' : ' ' + unit)"


def value_across(field: str) -> alt.X:
    """A value along the width, each tick with its unit, no line of its own."""
    axis = alt.Axis(
        labelExpr=unit_labels(), domain=False, ticks=False, tickCount=unit_ticks(), labelOverlap=True
    )
    return alt.X(field, title=None, axis=axis)


def speed_across(field: str = "rpm:Q", spacing_px: int = RPM_TICK_PX) -> alt.X:
    """Engine speed along the width, from the first speed to the last."""
    axis = alt.Axis(grid=False, format=",d", tickCount=ticks(spacing_px), labelOverlap=True)
    return alt.X(field, title="engine speed, rpm", axis=axis, scale=alt.Scale(zero=False, nice=False))


def nought_upright() -> Layer:
    """A strong line at nought across a picture whose values run along its width. Data set: `nought` (value)."""
    rule = alt.Chart(alt.NamedData("nought")).mark_rule(color=INK, strokeWidth=1.4)
    return rule.encode(x=value_across("value:Q"))


def named_rows(label_px: int, overlap: bool = True) -> alt.Y:
    """Rows by their `label`, in the order of their `order`; a longer name than so many pixels is cut."""
    axis = alt.Axis(domain=False, ticks=False, grid=False, labelLimit=label_px, labelOverlap=overlap)
    return alt.Y("label:N", title=None, axis=axis, sort=alt.EncodingSortField("order", op="min"))


def finish(chart: Layer, described: str) -> dict[str, Any]:
    """The finished specification: full width, themed, described for a screen reader, no data of its own."""
    spec: dict[str, Any] = chart.to_dict()
    spec["width"] = "container"
    spec["description"] = described
    spec["config"] = CONFIG
    spec["params"] = [{"name": "unit", "value": ""}, *spec.get("params", [])]
    spec.pop("datasets", None)
    return spec
