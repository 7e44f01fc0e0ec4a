"""What each chart draws by which field and by which shape, read from its specification: no browser is needed for it."""

from typing import Any

import pytest

from dashboard.charts import bays, gain, odd, sheet, spread

Layer = dict[str, Any]


def filtered(chart: Layer, word: str) -> list[Layer]:
    """The layers that show only the rows of which this holds."""
    return [
        one
        for one in chart["layer"]
        if any(word in str(step.get("filter", "")) for step in one.get("transform", []))
    ]


@pytest.mark.parametrize(
    ("side", "shape"), [("datum.deviation < 0", "left"), ("datum.deviation > 0", "right")]
)
def test_an_odd_ones_triangle_points_to_its_side(side, shape):
    (mark,) = filtered(odd.strips(), side)
    assert mark["mark"]["shape"] == f"triangle-{shape}"
    assert mark["encoding"]["x"]["field"] == "deviation"


@pytest.mark.parametrize("chart", [spread.histogram, spread.dots])
def test_the_average_is_a_solid_line_and_this_car_a_dashed_one(chart):
    lines = {
        kind: [one["mark"] for one in filtered(chart(), f"'{kind}'") if one["mark"]["type"] == "rule"]
        for kind in ("average", "car")
    }
    assert [["strokeDash" in mark for mark in marks] for marks in lines.values()] == [[False], [True]]


def test_a_check_car_is_drawn_between_its_warning_lines_and_its_limits_on_both_sides():
    lines = {
        step["calculate"]: one["mark"]["strokeDash"]
        for one in bays.checks()["layer"]
        for step in one.get("transform", [])
        if "calculate" in step
    }
    dashed, solid = [5, 4], [1, 0]
    assert lines == {
        "datum.warning": dashed,
        "-datum.warning": dashed,
        "datum.limit": solid,
        "-datum.limit": solid,
    }


def test_a_sheets_first_state_is_a_solid_line_and_its_second_a_dashed_one():
    (lines,) = [one for one in sheet.curve()["layer"] if one["encoding"].get("strokeDash")]
    dash = lines["encoding"]["strokeDash"]
    assert "'B'" in dash["condition"]["test"]
    assert (dash["condition"]["value"], dash["value"]) == ([6, 3], [1, 0])


@pytest.mark.parametrize("chart", [gain.curve, sheet.gain])
def test_a_gains_band_reaches_from_its_low_end_to_its_high_one(chart):
    (band,) = [one for one in chart()["layer"] if one["mark"]["type"] == "area"]
    assert (band["encoding"]["y"]["field"], band["encoding"]["y2"]["field"]) == ("low", "high")
