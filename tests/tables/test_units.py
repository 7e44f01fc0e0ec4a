"""Units by their words, against NIST Special Publication 811 (2008), appendix B.8 (seven digits) and exact definitions."""

import numpy as np
import pytest

from service.tables.records import CHANNELS
from service.tables.units import (
    AIR_FUEL_RATIO,
    HOUSE,
    SI,
    in_si,
    is_speed_of_car,
    line_by_pint,
    one_in_si,
    unit_in,
)

# word, quantity, one of it in kW, N.m, kPa, rpm, s or a share
NIST = [
    ("hp", "power", 0.7456999), ("PS", "power", 0.7354988), ("cv", "power", 0.7354988), ("kW", "power", 1.0), ("W", "power", 0.001),
    ("lbf.ft", "torque", 1.355818), ("ft-lb", "torque", 1.355818), ("lb.ft", "torque", 1.355818), ("ft·lbf", "torque", 1.355818),
    ("kgf.m", "torque", 9.80665), ("mkg", "torque", 9.80665), ("N·m", "torque", 1.0), ("Nm", "torque", 1.0), ("in-lb", "torque", 0.1129848),
    ("psi", "pressure", 6.894757), ("inHg", "pressure", 3.386389), ("mmHg", "pressure", 0.1333224), ("mbar", "pressure", 0.1),
    ("hPa", "pressure", 0.1), ("bar", "pressure", 100.0), ("kgf/cm²", "pressure", 98.0665), ("kPa", "pressure", 1.0),
    ("rpm", "speed", 1.0), ("1/min", "speed", 1.0), ("min⁻¹", "speed", 1.0), ("U/min", "speed", 1.0), ("tr/min", "speed", 1.0),
    ("giri/min", "speed", 1.0), ("rpm x 1000", "speed", 1000.0), ("rad/s", "speed", 30.0 / np.pi),
    ("ms", "time", 0.001), ("min", "time", 60.0), ("%", "share", 0.01), ("°KW", "angle", 1.0), ("° BTDC", "angle", 1.0),
]  # fmt: skip


@pytest.mark.parametrize(("word", "quantity", "one"), NIST, ids=[row[0] for row in NIST])
def test_a_unit_is_worth_what_nist_prints(word, quantity, one):
    assert one_in_si(1.0, unit_in(word, quantity)) == pytest.approx(one, rel=5e-7)


@pytest.mark.parametrize(("quantity", "name"), HOUSE)
def test_the_houses_own_factors_are_those_of_pint(quantity, name):
    scale, zero = line_by_pint(quantity, name)
    assert HOUSE[quantity, name] == (
        pytest.approx(scale, rel=1e-12),
        pytest.approx(zero, rel=1e-12, abs=1e-12),
    )


@pytest.mark.parametrize("quantity", SI)
def test_the_houses_unit_itself_is_a_factor_of_one_by_pint_too(quantity):
    assert line_by_pint(quantity, SI[quantity]) == (1.0, 0.0)


@pytest.mark.parametrize("word", ["°F", "F", "degF", "øF", "ºF", "Â°F", "° F"])
def test_the_degree_sign_is_known_in_whatever_page_it_was_written(word):
    """NIST SP 811: t/degC = (t/degF - 32)/1.8."""
    assert one_in_si(212.0, unit_in(word, "temperature")) == pytest.approx(100.0, abs=1e-9)


@pytest.mark.parametrize(
    ("value", "word", "quantity", "turned"),
    [
        (66.2, "°F", "temperature", 19.0),
        (70.7, "°F", "temperature", 21.5),
        (987.2, "hPa", "pressure", 98.72),
        (41.3, "%", "share", 0.413),
    ],
)
def test_a_value_turned_has_no_digits_that_turning_made(value, word, quantity, turned):
    """Exactly, by t/degC = (t/degF - 32)/1.8 and by definition."""
    assert one_in_si(value, unit_in(word, quantity)) == turned


def test_a_value_turned_keeps_twelve_digits():
    """75 kgf.m/s by definition: 0.73549875 kW."""
    power = one_in_si(33.3333, unit_in("PS", "power"))
    assert power == pytest.approx(33.3333 * 0.73549875, rel=1e-9)
    assert power == float(f"{power:.12g}") != float(f"{power:.11g}")


def test_what_a_word_means_depends_on_the_quantity():
    assert unit_in("KW", "power").pint_name == "kilowatt"
    assert unit_in("KW", "angle").pint_name == "degree"
    assert unit_in("hp", "torque") is None


@pytest.mark.parametrize(
    ("word", "gauge"), [("psig", True), ("bar(g)", True), ("psia", False), ("kPa abs", False), ("bar", None)]
)
def test_a_pressure_says_gauge_or_absolute_or_neither(word, gauge):
    assert unit_in(word, "pressure").gauge is gauge


def test_an_air_fuel_ratio_needs_the_scale_it_is_on():
    ratio = unit_in("AFR", "mixture")
    assert ratio.pint_name == AIR_FUEL_RATIO
    assert in_si(np.array([12.6]), ratio, 14.7)[0] == pytest.approx(12.6 / 14.7)
    with pytest.raises(ValueError, match="stoichiometric"):
        in_si(np.array([12.6]), ratio)


@pytest.mark.parametrize("word", ["km/h", "mph", "km/h "])
def test_a_speed_over_ground_is_no_engine_or_roller_speed(word):
    assert is_speed_of_car(word)
    assert all(unit_in(word, quantity) is None for quantity in CHANNELS.values())
