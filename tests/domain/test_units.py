"""Units against NIST SP 811, the exact definitions, and pint."""

from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import units
from tests.checks import document

REGISTRY = pint.UnitRegistry()
CHECKS = document("t03_units.json")
PRINTED = CHECKS["NIST_SP811_printed_B8(7 digits, read via R package NISTunits 1.0.1)"]

# pint reads `PS` as peta-siemens and `inHg` as the conventional column of 0 degC.
PINT_NAMES = {
    ("us", "power"): ("horsepower", "kilowatt"),
    ("us", "torque"): ("force_pound * foot", "newton * meter"),
    ("us", "temperature"): ("degF", "degC"),
    ("us", "pressure"): ("inch_Hg", "kilopascal"),
    ("us", "tyre_pressure"): ("psi", "kilopascal"),
    ("ps", "power"): ("metric_horsepower", "kilowatt"),
    ("ps", "pressure"): ("hectopascal", "kilopascal"),
    ("ps", "tyre_pressure"): ("bar", "kilopascal"),
}
SHOWN = [(system, quantity) for system in units.SYSTEMS for quantity in units.QUANTITIES]


@pytest.mark.parametrize(("system", "quantity"), PINT_NAMES)
@pytest.mark.parametrize("value", [-40.0, 0.0, 29.92, 212.0, 1234.5])
def test_every_conversion_agrees_with_pint(system: str, quantity: str, value: float) -> None:
    shown, kept = PINT_NAMES[system, quantity]
    expected = REGISTRY.Quantity(value, shown).to(kept).magnitude
    assert units.to_si(value, quantity, system) == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_pint_covers_every_unit_that_is_not_the_house_own() -> None:
    changed = {(s, q) for s, q in SHOWN if units.to_si(1.0, q, s) != 1.0}
    assert changed == set(PINT_NAMES)


@pytest.mark.parametrize(
    ("quantity", "system", "printed", "per_si"),
    [
        ("power", "us", PRINTED["hp(550 ft lbf/s)->W"], 1000.0),
        ("power", "ps", PRINTED["hp(metric)->W"], 1000.0),
        ("torque", "us", PRINTED["lbf ft->N m"], 1.0),
        ("tyre_pressure", "us", PRINTED["psi->Pa"], 1000.0),
        ("pressure", "us", PRINTED["inHg conventional->Pa"], 1000.0),
    ],
)
def test_factors_are_what_sp_811_prints(quantity: str, system: str, printed: float, per_si: float) -> None:
    # Within half of the last printed digit; 735.49875 W lies on that edge.
    half_digit = 0.5 * 10.0 ** -len(str(printed).partition(".")[2])
    assert units.to_si(1.0, quantity, system) * per_si == pytest.approx(
        printed, rel=0, abs=half_digit * (1 + 1e-6)
    )


@pytest.mark.parametrize(
    ("key", "quantity", "system", "per_si"),
    [
        ("hp_mech_W", "power", "us", 1000.0),
        ("PS_metric_W", "power", "ps", 1000.0),
        ("ft_lbf_J", "torque", "us", 1.0),
        ("psi_Pa", "tyre_pressure", "us", 1000.0),
        ("inHg_conventional_Pa", "pressure", "us", 1000.0),
    ],
)
def test_factors_equal_the_exact_definitions(key: str, quantity: str, system: str, per_si: float) -> None:
    exact = float(Fraction(CHECKS[key]["exact"]))
    assert units.to_si(1.0, quantity, system) * per_si == pytest.approx(exact, rel=2e-16 * 4)


def test_fahrenheit_freezes_and_boils_where_it_should() -> None:
    assert units.to_si(32.0, "temperature", "us") == 0.0
    assert units.to_si(212.0, "temperature", "us") == pytest.approx(100.0, rel=1e-15)
    assert units.from_si(-40.0, "temperature", "us") == pytest.approx(-40.0, rel=1e-15)


def test_in_pounds_and_horsepower_the_two_curves_cross_at_5252_rpm() -> None:
    crossing = CHECKS["derived"]["hp=T_lbft*rpm/5252.1131220"]  # 33000 / (2 pi)
    torque = units.to_si(250.0, "torque", "us")
    assert units.from_si(units.power_kw(torque, crossing), "power", "us") == pytest.approx(250.0, rel=1e-12)


def test_power_of_a_torque_uses_9549_3() -> None:
    assert units.power_kw(100.0, CHECKS["derived"]["kW=T_Nm*rpm/9549.2965855"]) == pytest.approx(
        100.0, rel=1e-14
    )
    assert units.torque_nm(units.power_kw(312.5, 4321.0), 4321.0) == pytest.approx(312.5, rel=1e-14)


@given(
    value=st.floats(-1e4, 1e4, allow_nan=False),
    shown=st.sampled_from(SHOWN),
)
def test_a_value_survives_the_way_in_and_out(value: float, shown: tuple[str, str]) -> None:
    system, quantity = shown
    back = units.from_si(units.to_si(value, quantity, system), quantity, system)
    assert back == pytest.approx(value, rel=1e-12, abs=1e-12)


def test_arrays_convert_like_their_members() -> None:
    values = np.array([10.0, 250.0, 451.0])
    alone = [units.to_si(float(value), "temperature", "us") for value in values]
    assert units.to_si(values, "temperature", "us").tolist() == alone


def test_symbols_are_printable_and_name_the_unit() -> None:
    assert [units.symbol("power", system) for system in units.SYSTEMS] == ["kW", "hp", "PS"]
    assert [units.symbol("torque", system) for system in units.SYSTEMS] == ["N·m", "lbf·ft", "N·m"]
    assert [units.symbol("temperature", system) for system in units.SYSTEMS] == ["°C", "°F", "°C"]
    assert [units.symbol("pressure", system) for system in units.SYSTEMS] == ["kPa", "inHg", "hPa"]
    assert [units.symbol("tyre_pressure", system) for system in units.SYSTEMS] == ["kPa", "psi", "bar"]


def test_an_unknown_system_or_quantity_names_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"units: 'uk' .* si, us, ps"):
        units.to_si(1.0, "power", "uk")
    with pytest.raises(ValueError, match=r"quantity: 'mass' .* tyre_pressure"):
        units.symbol("mass", "si")
