"""Moist air against ASHRAE's and ISO's printed rows and other libraries' results."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import air
from tests.checks import rows

SATURATION = rows("t02_saturation_vapour_pressure_Pa.csv")
ATMOSPHERE = rows("t02_iso2533_published_rows.csv")
ISA = rows("t02_isa.csv")
MOIST = rows("t02_moist_air_density_altitude.csv")


@pytest.mark.parametrize("row", SATURATION, ids=lambda row: f"{row['t_C']} degC")
def test_saturation_pressure_agrees_with_iapws_95(row: dict[str, str]) -> None:
    # Two formulations of the same water: 0.03 % apart at most, but 0.1 % at 0 degC where ASHRAE takes ice.
    expected = float(row["iapws95_coolprop_pure"]) / 1000.0
    assert air.vapour_pressure_kpa(float(row["t_C"]), humidity=1.0) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("row", SATURATION, ids=lambda row: f"{row['t_C']} degC")
def test_saturation_pressure_is_hyland_and_wexlers(row: dict[str, str]) -> None:
    """The ASHRAE Handbook's own equation; how far the other columns lie from it, tests/references/moist_air.py says."""
    expected = float(row["ashrae_HylandWexler_psychrolib"]) / 1000.0
    assert air.vapour_pressure_kpa(float(row["t_C"]), humidity=1.0) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("temperature", "pascal"), [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3), (-5.0, 401.74)]
)
def test_saturation_pressure_agrees_with_the_ashrae_table(temperature: float, pascal: float) -> None:
    # ASHRAE Handbook Fundamentals 2017 ch. 1 table 3, as psychrolib's own tests quote it.
    assert air.vapour_pressure_kpa(temperature, humidity=1.0) == pytest.approx(pascal / 1000.0, rel=3e-4)


def test_half_the_humidity_is_half_the_vapour() -> None:
    full, half = (air.vapour_pressure_kpa(30.0, humidity=share) for share in (1.0, 0.5))
    assert half == pytest.approx(full / 2.0, rel=1e-12)


def test_dew_point_and_humidity_of_the_ashrae_example_agree() -> None:
    # ASHRAE example 1: 40 degC dry bulb has a dew point of 7 degC and 14 % humidity, both printed rounded.
    by_dew_point = air.vapour_pressure_kpa(40.0, dew_point_c=7.0)
    assert by_dew_point / air.vapour_pressure_kpa(40.0, humidity=1.0) == pytest.approx(0.14, abs=0.005)


def test_air_at_its_dew_point_is_saturated() -> None:
    saturated = air.vapour_pressure_kpa(21.0, humidity=1.0)
    assert air.vapour_pressure_kpa(21.0, dew_point_c=21.0) == pytest.approx(saturated, rel=1e-12)


@pytest.mark.parametrize("row", ATMOSPHERE, ids=lambda row: f"{row['H_m']} m")
def test_standard_pressure_prints_as_iso_2533_does(row: dict[str, str]) -> None:
    printed = row["p_mbar_published"]
    ours = air.standard_pressure_kpa(float(row["H_m"])) * 10.0
    assert ours == pytest.approx(float(printed), abs=_half_of_the_last_digit(printed))


@pytest.mark.parametrize("row", ISA, ids=lambda row: f"{row['geopotential_m']} m")
def test_the_standard_atmosphere_agrees_with_another_library(row: dict[str, str]) -> None:
    """ISO 2533 by formula, and by PyPI ambiance 1.3.1 (asked in geometric metres: it takes those)."""
    altitude, celsius = float(row["geopotential_m"]), float(row["T_K"]) - air.ZERO_C_K
    pressure = air.standard_pressure_kpa(altitude)
    assert pressure == pytest.approx(float(row["p_Pa"]) / 1000.0, rel=1e-9)
    assert pressure == pytest.approx(float(row["p_ambiance"]) / 1000.0, rel=1e-6)
    assert air.moist_air_density(celsius, pressure, 0.0) == pytest.approx(float(row["rho_kgm3"]), rel=1e-9)
    assert air.density_altitude_m(celsius, pressure, 0.0) == pytest.approx(altitude, abs=1e-4)


@pytest.mark.parametrize("row", MOIST, ids=lambda row: f"{row['p_Pa']} Pa {row['t_C']} degC {row['RH']}")
def test_density_and_its_altitude_agree_with_other_libraries(row: dict[str, str]) -> None:
    state = float(row["t_C"]), float(row["p_Pa"]) / 1000.0, float(row["pv_Pa"]) / 1000.0
    assert air.moist_air_density(*state) == pytest.approx(float(row["rho_psychrolib"]), rel=1e-4)
    assert air.moist_air_density(*state) == pytest.approx(
        float(row["rho_coolpropHA"]), rel=1e-3
    )  # a real gas
    assert air.density_altitude_m(*state) == pytest.approx(float(row["DA_m"]), abs=0.05)
    # the widely used short formula (from memory) reads up to 17 ft high: 20 ft, not 1
    short = float(row["DA_ft_NWS"]) * 0.3048
    assert air.density_altitude_m(*state) == pytest.approx(short, abs=20 * 0.3048)


def test_the_reference_air_of_the_standards_lies_at_529_metres() -> None:
    # 25 degC, 100 kPa of which 1 kPa vapour: 1735 ft by the common weather-service formula's 1751 ft less 17 ft.
    assert air.density_altitude_m(25.0, 100.0, 1.0) == pytest.approx(529.0, abs=0.5)


@given(altitude=st.floats(-1000.0, 11_000.0))
def test_dry_standard_air_stands_at_its_own_density_altitude(altitude: float) -> None:
    temperature = air.SEA_LEVEL_TEMPERATURE_K - air.LAPSE_RATE * altitude - air.ZERO_C_K
    pressure = air.standard_pressure_kpa(altitude)
    if pressure > air.PRESSURE_RANGE_KPA[0] and temperature > air.TEMPERATURE_RANGE_C[0]:
        assert air.density_altitude_m(temperature, pressure, 0.0) == pytest.approx(altitude, abs=1e-6)


@given(humidity=st.floats(0.0, 0.9), more=st.floats(0.01, 0.1), temperature=st.floats(-20.0, 60.0))
def test_moister_air_is_thinner(humidity: float, more: float, temperature: float) -> None:
    dry, moist = (
        air.vapour_pressure_kpa(temperature, humidity=share) for share in (humidity, humidity + more)
    )
    assert air.moist_air_density(temperature, 100.0, moist) < air.moist_air_density(temperature, 100.0, dry)


@pytest.mark.parametrize(
    ("given_air", "message"),
    [
        ({"temperature_c": 20.0, "humidity": 46.0}, r"humidity: 46 .* 46 % is 0.46"),
        ({"temperature_c": 20.0, "humidity": -0.1}, r"humidity: -0.1 is outside 0..1"),
        ({"temperature_c": 20.0, "humidity": float("nan")}, r"humidity: nan is outside"),
        ({"temperature_c": 20.0, "dew_point_c": 24.0}, r"dew point: 24 degC is above .* 20 degC.* swapped"),
        ({"temperature_c": 294.0, "humidity": 0.5}, r"temperature: 294 degC is outside .* unit"),
        ({"temperature_c": 20.0}, r"exactly one"),
        ({"temperature_c": 20.0, "humidity": 0.5, "dew_point_c": 9.0}, r"exactly one"),
    ],
)
def test_impossible_air_is_refused_with_a_way_out(given_air: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        air.vapour_pressure_kpa(**given_air)


def test_a_pressure_in_hectopascal_is_refused() -> None:
    with pytest.raises(ValueError, match=r"pressure: 996 kPa is outside 40..115 kPa"):
        air.moist_air_density(20.0, 996.0, 1.0)


def _half_of_the_last_digit(printed: str) -> float:
    return 0.5001 * 10.0 ** -len(printed.partition(".")[2])
