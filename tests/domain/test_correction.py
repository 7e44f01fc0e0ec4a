"""Correction factors against the worked table and each standard's own definition."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import correction
from service.domain.air import vapour_pressure_kpa
from service.domain.correction import STANDARDS, Air
from tests.checks import rows

WORKED = rows("t01_correction_factors.csv")
COLUMNS = {"sae-j1349": "CF_J1349_1p18_minus_0p18"}
CORRECTING = [standard for standard in STANDARDS.values() if standard.reference is not None]


def worked_air(row: dict[str, str]) -> Air:
    return Air(float(row["t_C"]), float(row["p_total_kPa"]), float(row["pv_kPa"]))


@pytest.mark.parametrize("slug", COLUMNS)
@pytest.mark.parametrize("row", WORKED, ids=lambda row: row["case"])
def test_factor_equals_the_worked_row(slug: str, row: dict[str, str]) -> None:
    expected = float(row[COLUMNS[slug]])
    assert correction.correction_factor(slug, worked_air(row)) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("row", [row for row in WORKED if row["RH"]], ids=lambda row: row["case"])
def test_factor_from_measured_humidity_equals_the_worked_row(row: dict[str, str]) -> None:
    temperature, pressure = float(row["t_C"]), float(row["p_total_kPa"])
    measured = Air(temperature, pressure, vapour_pressure_kpa(temperature, humidity=float(row["RH"])))
    assert measured.dry_kpa == pytest.approx(float(row["pd_kPa"]), rel=1e-6)
    expected = float(row["CF_J1349_1p18_minus_0p18"])
    assert correction.correction_factor("sae-j1349", measured) == pytest.approx(expected, rel=1e-6)


def test_j1349_splits_friction_off_as_fifteen_percent() -> None:
    # The printed 1.18 / 0.18 stand for 1/0.85 and 0.15/0.85: they differ by 6.9e-4 at a factor of 1.23.
    for row in WORKED:
        ours = correction.correction_factor("sae-j1349", worked_air(row))
        assert ours == pytest.approx(float(row["CF_J1349_exact_eta0p85"]), abs=7e-4)


@pytest.mark.parametrize("standard", CORRECTING, ids=lambda standard: standard.slug)
def test_factor_is_one_in_the_reference_air(standard: correction.Standard) -> None:
    assert standard.reference is not None
    assert standard.factor(standard.reference) == pytest.approx(1.0, abs=1e-12)


air_of_a_bay = st.builds(Air, st.floats(-15.0, 45.0), st.floats(75.0, 106.0), st.floats(0.0, 6.0))


@given(air=air_of_a_bay, more=st.floats(0.1, 10.0))
def test_warmer_air_is_corrected_up(air: Air, more: float) -> None:
    warmer = Air(air.temperature_c + more, air.pressure_kpa, air.vapour_kpa)
    for standard in CORRECTING:
        assert standard.factor(warmer) > standard.factor(air)


@given(air=air_of_a_bay, more=st.floats(0.1, 10.0))
def test_thicker_air_is_corrected_down(air: Air, more: float) -> None:
    thicker = Air(air.temperature_c, air.pressure_kpa + more, air.vapour_kpa)
    for standard in CORRECTING:
        assert standard.factor(thicker) < standard.factor(air)


@given(air=air_of_a_bay)
def test_none_never_corrects(air: Air) -> None:
    assert correction.correction_factor("none", air) == 1.0


def test_limits_are_inclusive_and_none_has_none() -> None:
    inside = [
        correction.factor_within_limits("sae-j1349", factor) for factor in (0.929, 0.93, 1.0, 1.07, 1.071)
    ]
    assert inside == [False, True, True, True, False]
    assert correction.factor_within_limits("none", 1.0)


def test_altitude_air_is_outside_the_standards_pressures() -> None:
    assert correction.air_within_limits("sae-j1349", Air(25.0, 100.0, 1.0))
    assert not correction.air_within_limits("sae-j1349", Air(25.0, 83.5, 0.6))
    assert not correction.air_within_limits("sae-j1349", Air(38.0, 100.0, 1.0))


def test_every_row_is_filed_under_its_slug_and_says_where_it_comes_from() -> None:
    assert correction.BASE_STANDARD in STANDARDS
    for slug, standard in STANDARDS.items():
        assert standard.slug == slug
        assert standard.source
        assert standard.boosted


def test_vapour_does_not_exceed_the_pressure_it_is_part_of() -> None:
    with pytest.raises(ValueError, match=r"vapour pressure: 2 kPa does not fit .* 0.996 kPa"):
        Air(20.0, 0.996, 2.0)


def test_an_unknown_standard_names_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"'sae' is not known here; use one of sae-j1349"):
        correction.correction_factor("sae", Air(25.0, 100.0, 1.0))
