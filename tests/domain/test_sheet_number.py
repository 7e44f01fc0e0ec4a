"""The number printed on a sheet: what it is made of, and what a hurried reader may type."""

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Refused
from service.domain.sheet_number import ends_of, number_of, read_number

ONE = UUID("71582c73-4094-5c1e-9a59-fd9cbc07486a")
OTHER = UUID("a91c22b0-4e1d-5c1e-9a59-fd9cbc07486a")
SETUPS = st.integers(1, 9999)


@pytest.mark.parametrize(
    ("after", "before", "printed"),
    [
        ((ONE, 2), (ONE, 1), "7158-2c73-4094-1-2"),
        ((ONE, 2), None, "7158-2c73-4094-2"),
        ((ONE, 2), (OTHER, 1), "7158-2c73-4094-2-a91c-22b0-4e1d-1"),
    ],
)
def test_a_number_is_the_first_digits_of_the_session_and_the_setups(after, before, printed):
    assert str(number_of(after, before)) == printed


@given(st.uuids(), st.uuids(), SETUPS, SETUPS)
def test_what_is_printed_can_be_read_again(one, other, after, before):
    for number in (
        number_of((one, after), None),
        number_of((one, after), (one, before)),
        number_of((one, after), (other, before)),
    ):
        assert read_number(str(number)) == number


@pytest.mark.parametrize(
    "typed", ["7158-2C73-4094-1-2", " 7158 2c73 4094 / 1-2 ", "7158.2c73.4O94.1.2", "7158–2c73–4094–l–2"]
)
def test_capitals_other_dashes_spaces_and_look_alike_letters_are_forgiven(typed):
    assert str(read_number(typed)) == "7158-2c73-4094-1-2"


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "7158",
        "7158-2c73-4094",
        "7158-2c73-40g4-1-2",
        "7158-2c73-4094-0-2",
        "7158-2c73-4094-1-2-3",
        "71582c734094-1-2",
    ],
)
def test_anything_else_is_refused_with_the_way_out(typed):
    with pytest.raises(Refused, match="type it as printed, such as 7158-2c73-4094-1-2"):
        read_number(typed)


@given(st.uuids())
def test_a_session_lies_between_the_ends_of_its_own_digits(one):
    low, high = ends_of(number_of((one, 1), None).session)
    assert low <= one <= high
