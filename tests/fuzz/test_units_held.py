"""Units there and back: every spelling of every unit, and every quantity of a document in every unit system."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain import units
from service.schemas.fields import Quantity, units_of
from service.tables.numbers import number
from service.tables.units import _SPELLINGS, AIR_FUEL_RATIO, CLOCKS, SI, Unit, in_si, one_in_si, unit_in

QUIET = settings(max_examples=60, derandomize=True, database=None, deadline=None)
WORDS = [
    (quantity, word)
    for quantity, names in _SPELLINGS.items()
    for spellings in names.values()
    for word in spellings.split()
]
VALUES = st.floats(-1e6, 1e6, allow_nan=False)
SHOWN = [(system, quantity) for system in units.SYSTEMS for quantity in units.QUANTITIES]


def test_every_spelling_is_a_unit_of_its_quantity_however_it_is_set():
    for quantity, word in WORDS:
        found = unit_in(word, quantity)
        assert found is not None, (quantity, word)
        assert unit_in(f" {word} ", quantity) == unit_in(word.upper(), quantity) == found, (quantity, word)


@QUIET
@given(value=VALUES, one=st.sampled_from(WORDS))
def test_a_value_in_any_unit_comes_back_from_the_houses(value, one):
    quantity, word = one
    unit = unit_in(word, quantity)
    assert unit is not None
    if unit.pint_name in (*CLOCKS, AIR_FUEL_RATIO):
        return
    zero, step = in_si(np.array([0.0, 1.0]), unit)
    assert math.isfinite(step - zero)
    assert step != zero
    turned = in_si(np.array([value]), unit)[0]
    assert (turned - zero) / (step - zero) == pytest.approx(
        value, rel=1e-9, abs=1e-9 * (1 + abs(zero / (step - zero)))
    )


@QUIET
@given(value=VALUES, quantity=st.sampled_from(sorted(SI)))
def test_the_houses_own_unit_leaves_a_value_as_it_is(value, quantity):
    assert one_in_si(value, Unit(quantity, SI[quantity])) == float(f"{value:.12g}")


@QUIET
@given(
    value=st.floats(-1e5, 1e5, allow_nan=False),
    typed=st.sampled_from(SHOWN),
    asked=st.sampled_from(units.SYSTEMS),
)
def test_a_quantity_posted_in_one_system_and_shown_in_another_is_the_same_one(value, typed, asked):
    """Nine digits are shown: a relative 5e-9 of the figure, on a scale of temperature of what stands above its zero."""
    system, quantity = typed
    field = Quantity(quantity)
    with units_of(system):
        si = field.deserialize(value)
    with units_of(asked):
        shown = field.serialize("value", {"value": si})
        back = field.deserialize(shown)
    assert back == pytest.approx(si, rel=1e-8, abs=1e-6)
    assert shown == pytest.approx(float(units.from_si(si, quantity, asked)), rel=5e-9, abs=1e-300)


@QUIET
@given(value=st.floats(-1e9, 1e9, allow_nan=False), digits=st.integers(0, 9))
def test_a_figure_as_a_program_prints_it_is_read_as_that_figure(value, digits):
    for text in (
        f"{value:.{digits}f}",
        f"{value:.{digits}e}",
        f"{value:+.{digits}E}",
        f"  {value:.{digits}f}\u00a0",
    ):
        assert number(text) == float(text)
