"""A factor with all that belongs beside it: its parts, its limits, its warnings, the station's pressure."""

from dataclasses import replace

import pytest

from service.domain.air import density_altitude_m, standard_pressure_kpa
from service.domain.correction import STANDARDS, Air, EngineNotRecordedError
from service.domain.engine import Engine
from service.domain.factor_sheet import factor_sheet, station_at

WARM = Air(35.0, 98.0, 2.0)
TURBO_DIESEL = Engine("compression", "turbo", "liquid", fuel_per_cycle=100.0, boost_ratio=2.0)


def test_a_factor_of_spark_ignition_is_made_of_its_temperature_and_pressure_ratio():
    # By hand: theta = 308 / 298 = 1.033557, its root 1.016640; delta = 99 / 96 = 1.03125; 1.18 x 1.048410 - 0.18
    made = factor_sheet("sae-j1349", WARM).made
    assert (made.theta, made.delta) == pytest.approx((308 / 298, 99 / 96), rel=1e-12)
    assert made.factor == pytest.approx(1.0571239, abs=1e-6)
    assert (made.fa, made.fm, made.q_c) == (None, None, None)


def test_a_factor_of_a_diesel_is_made_of_fa_and_fm():
    # By hand, liquid-cooled: fa = 1.03125^0.7 x 1.033557^0.7; q_c = 100 / 2 = 50; fm = 0.036 x 50 - 1.14 = 0.66
    made = factor_sheet("iso-1585", WARM, TURBO_DIESEL).made
    assert made.fa == pytest.approx((1.03125 * 308 / 298) ** 0.7, rel=1e-12)
    assert (made.q_c, made.fm) == (50.0, pytest.approx(0.66))
    assert made.factor == pytest.approx(made.fa**0.66, rel=1e-12)


def test_each_limit_says_how_the_air_stands_to_it():
    sheet = factor_sheet("sae-j1349", Air(36.0, 88.0, 1.0))
    assert [(limit.what, limit.low, limit.high, limit.inside) for limit in sheet.limits] == [
        ("factor", 0.93, 1.07, False),
        ("temperature", 15.0, 35.0, False),
        ("dry_pressure", 90.0, 105.0, False),
    ]
    assert not sheet.allowed
    assert [warning.partition(" is outside")[0] for warning in sheet.warnings] == [
        f"the factor {sheet.made.factor:.4g}",
        "the air temperature 36 °C",
        "the dry pressure 87 kPa",
    ]
    assert factor_sheet("sae-j1349", Air(25.0, 100.0, 1.0)).warnings == ()


def test_the_limits_are_the_engines_own():
    hot = Air(39.0, 99.0, 2.0)
    assert not factor_sheet("un-r85", hot, Engine("spark")).allowed
    assert factor_sheet("un-r85", hot, replace(TURBO_DIESEL, boost_ratio=3.0)).allowed


def test_a_standard_without_known_limits_allows_everything_and_says_that_it_has_none():
    sheet = factor_sheet("din-70020", Air(45.0, 70.0, 3.0))
    assert sheet.allowed
    assert [(limit.what, limit.low, limit.high) for limit in sheet.limits] == [
        ("factor", None, None),
        ("temperature", None, None),
        ("pressure", None, None),
    ]
    assert sheet.limits[2].value == 70.0  # the total pressure, which DIN takes


def test_a_boosted_engine_is_told_what_the_standard_does_to_it():
    turbo = Engine("spark", "turbo")
    assert (
        f"boosted engine: {STANDARDS['iso-1585'].boosted}" in factor_sheet("iso-1585", WARM, turbo).warnings
    )
    assert factor_sheet("iso-1585", WARM, Engine("spark", "natural")).warnings == ()
    assert factor_sheet("none", WARM, turbo).warnings == ()


def test_a_boosted_diesel_hears_of_its_own_form_and_not_of_spark_ignition():
    (said,) = factor_sheet("un-r85", Air(25.0, 100.0, 1.0), TURBO_DIESEL).warnings
    assert said.startswith("boosted engine: ")
    assert "spark" not in said


def test_the_words_are_in_the_asked_units_and_the_figures_stay_si():
    us = factor_sheet("sae-j1349", Air(36.0, 88.0, 1.0), altitude_m=0.0, units="us")
    # 36 degC = 96.8 degF, 15..35 degC = 59..95 degF; NIST SP 811 B.8: 87 kPa / 3.38638 = 25.69 inHg
    assert "the air temperature 96.8 °F is outside 59..95 °F" in us.warnings[1]
    assert "the dry pressure 25.69 inHg is outside 26.58..31.01 inHg" in us.warnings[2]
    assert us.station is not None
    assert "29.92 inHg is usual at 0 m" in us.station.reading
    assert us.limits == factor_sheet("sae-j1349", Air(36.0, 88.0, 1.0)).limits
    assert not any(unit in " ".join(us.warnings) for unit in ("kPa", "°C"))


def test_a_diesel_is_told_where_the_form_is_for_spark_ignition_or_not_confirmed():
    natural = Engine("compression", "natural", fuel_per_cycle=50.0)
    said = {slug: " ".join(factor_sheet(slug, WARM, natural).warnings) for slug in STANDARDS}
    assert [slug for slug in said if "form is for spark ignition" in said[slug]] == [
        "sae-j1349",
        "sae-j607",
        "din-70020",
    ]
    assert [slug for slug in said if "not confirmed" in said[slug]] == ["jis-d1001"]


def test_a_standard_that_needs_more_of_the_engine_has_no_sheet():
    with pytest.raises(EngineNotRecordedError, match="fuel_per_cycle"):
        factor_sheet("un-r85", WARM, Engine("compression", "natural"))


def test_the_density_altitude_stands_beside_the_factor():
    assert factor_sheet("none", WARM).density_altitude_m == density_altitude_m(35.0, 98.0, 2.0)


@pytest.mark.parametrize(("apart", "fits"), [(-4.1, False), (-3.9, True), (3.9, True), (4.1, False)])
def test_a_station_lies_within_four_kilopascal_of_its_altitudes_pressure(apart, fits):
    """Common practice, no source."""
    assert station_at(800.0, standard_pressure_kpa(800.0) + apart).fits == fits


def test_the_weather_reports_figure_up_a_hill_is_recognised():
    # ISO 2533: 954.608 mbar at 500 m and 898.746 mbar at 1000 m
    station = station_at(1000.0, 101.3)
    assert (station.fits, station.looks_like_sea_level) == (False, True)
    assert "reduced to sea level" in station.reading
    assert station.standard_kpa == pytest.approx(89.8746, abs=1e-4)


def test_a_pressure_in_a_wrong_place_that_is_no_sea_level_figure_is_not_called_one():
    station = station_at(0.0, 90.0)
    assert (station.fits, station.looks_like_sea_level) == (False, False)
    assert "check the altitude" in station.reading


@pytest.mark.parametrize("pressure", [101.2265, 102.484])
def test_near_the_sea_a_stations_figure_and_the_reduced_one_cannot_be_told_apart(pressure):
    """psychrolib's own example: 101226.5 Pa at 105 m and 17.19 degC are 102484 Pa at sea level; both fit 105 m."""
    station = station_at(105.0, pressure)
    assert station.fits
    assert "cannot be told" in station.reading
