"""Figures as typed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.tables.numbers import NOTATIONS, Notation, clock, notations_of, number


def typed(value: float, digits: int, notation: Notation) -> str:
    """A figure as a person or program types it in a notation."""
    text = f"{value:,.{digits}f}" if notation.thousands else f"{value:.{digits}f}"
    return "".join({",": notation.thousands, ".": notation.decimal}.get(mark, mark) for mark in text)


@given(
    st.floats(-1e12, 1e12, allow_nan=False), st.integers(0, 6), st.sampled_from(NOTATIONS)
)  # fmt: skip
def test_a_typed_figure_is_read_back_in_every_notation(value, digits, notation):
    read = number(typed(value, digits, notation), notation.decimal, notation.thousands)
    assert read == float(f"{value:.{digits}f}")


@given(st.text(max_size=30), st.sampled_from(NOTATIONS))
def test_any_cell_is_a_finite_figure_or_none(cell, notation):
    read = number(cell, notation.decimal, notation.thousands)
    assert read is None or abs(read) < float("inf")


@pytest.mark.parametrize(
    ("cell", "decimal", "thousands"),
    [("1,23", ".", ","), ("1,2345", ".", ","), ("0,923", ".", ","), ("1,,234", ".", ","), ("1,234", ".", ""), ("1.234,5", ",", ""),
     ("12 34", ",", " "), ("nan", ".", ""), ("inf", ".", ""), ("1_000", ".", ""), ("٣", ".", ""), ("1e999", ".", ""), ("", ".", ""),
     ("-", ".", ""), (".", ".", ""), ("12 %", ".", ""), ("0x10", ".", "")],
)  # fmt: skip
def test_what_could_be_read_in_another_way_or_is_no_figure_is_none(cell, decimal, thousands):
    assert number(cell, decimal, thousands) is None


@pytest.mark.parametrize(
    ("cell", "decimal", "thousands", "value"),
    [("1,234.5", ".", ",", 1234.5), ("1.234,5", ",", ".", 1234.5), ("1\u00a0234,5", ",", " ", 1234.5), ("1’234.5", ".", "'", 1234.5),
     ("1234.5", ".", ",", 1234.5), ("\u22123,5", ",", "", -3.5), (" +2.50E+03 ", ".", "", 2500.0), (",5", ",", "", 0.5), ("7.", ".", "", 7.0)],
)  # fmt: skip
def test_marks_are_read_as_they_are_typed(cell, decimal, thousands, value):
    assert number(cell, decimal, thousands) == value


def test_one_mark_cannot_stand_for_both():
    with pytest.raises(ValueError, match="no pair of marks"):
        number("1", ",", ",")


@pytest.mark.parametrize(
    ("cells", "notations"),
    [(["2,150", "987"], {Notation(",", ""), Notation(".", ",")}), (["2,150", "0,923"], {Notation(",", "")}),
     (["2,150", "214.5"], {Notation(".", ",")}), (["2.150", "214,5"], {Notation(",", ".")}), (["2150", "12"], {Notation(".", "")}),
     (["2150.5"], {Notation(".", "")})],
)  # fmt: skip
def test_a_notation_is_told_by_the_marks_or_several_remain(cells, notations):
    assert set(notations_of(cells).notations) == notations


@given(st.integers(0, 86_399_999), st.sampled_from(".,"))
def test_a_clock_time_is_read_back_to_the_millisecond_with_point_or_comma(ms, mark):
    seconds, rest = divmod(ms, 1000)
    cell = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{mark}{rest:03d}"
    assert clock(cell) == pytest.approx(ms / 1000.0, abs=1e-9)
    assert clock(cell, hours=False) is None


@pytest.mark.parametrize(
    "cell", ["12:60:00", "12:31:60", "12:31", "12.31.05", "1,5", "", "12:31:05 PM", "-00:00:01"]
)
def test_what_no_clock_shows_is_no_time_of_day(cell):
    assert clock(cell) is None
