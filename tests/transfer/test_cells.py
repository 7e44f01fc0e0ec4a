"""Cells that no spreadsheet runs (OWASP, "CSV Injection") and that read back as they were."""

from hypothesis import given
from hypothesis import strategies as st

from service.transfer.cells import guarded, unguarded
from service.transfer.columns import from_cell, to_cell

TEXTS = st.text(st.characters(exclude_categories=["Cs"])) | st.text("=+-@'\t\r\n1a", max_size=6)


@given(TEXTS)
def test_a_text_reads_back_as_it_was(text):
    assert unguarded(guarded(text)) == text


@given(TEXTS)
def test_no_cell_begins_like_a_formula(text):
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert guarded(text) != ""


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_figure_reads_back_to_the_last_digit(figure):
    assert from_cell("float", to_cell("float", figure)) == figure


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False) | st.none()))
def test_a_list_of_figures_reads_back_to_the_last_digit(figures):
    assert from_cell("floats", to_cell("floats", figures)) == figures
