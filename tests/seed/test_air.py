"""The invented shop's air against published reference points."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from seed.air import (
    FACTORS,
    SITE_PRESSURE_KPA,
    Air,
    Weather,
    dew_point_c,
    factor_iso1585_turbo_diesel,
    saturation_kpa,
)
from tests.checks import rows

FIRST = datetime(2021, 3, 22, tzinfo=UTC)


@pytest.mark.parametrize(("celsius", "pascal"), [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)])
def test_saturation_pressure_agrees_with_the_ashrae_table(celsius: float, pascal: float) -> None:
    """ASHRAE Handbook Fundamentals 2017, chapter 1, table 3; the Magnus form is known to lie up to 0.31 % below."""
    assert 1000.0 * saturation_kpa(celsius) == pytest.approx(pascal, rel=0.0035)


@pytest.mark.parametrize(
    ("standard", "celsius", "kpa"),
    [
        ("sae-j1349", 25.0, 99.0),  # 25 degC, 99 kPa dry: SAE J1349's reference air
        ("sae-j607", (60.0 - 32.0) / 1.8, 101.3207),  # 60 degF, 29.92 inHg dry
        ("din-70020", 20.0, 101.3),  # 20 degC, 1013 mbar: from memory
        ("iso-1585", 25.0, 99.0),  # as SAE J1349's
    ],
)
def test_each_factor_is_one_in_its_own_reference_air(standard: str, celsius: float, kpa: float) -> None:
    assert FACTORS[standard](Air(celsius, kpa, 0.0)) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    "row", [r for r in rows("t01_correction_factors.csv") if r["RH"]], ids=lambda r: r["case"]
)
def test_a_turbo_diesels_factor_is_the_worked_rows(row: dict[str, str]) -> None:
    """tests/checks/SOURCES.md; 40 mg per litre and cycle make an engine factor of 0.3. The vapour is Magnus's here."""
    air = Air(float(row["t_C"]), float(row["p_total_kPa"]), float(row["RH"]))
    expected = float(row["alpha_CI_turbo_fm0p3"])
    assert factor_iso1585_turbo_diesel(air, 40.0) == pytest.approx(expected, rel=1e-4)


def test_thinner_air_gives_a_larger_factor_under_every_standard() -> None:
    for factor in FACTORS.values():
        assert factor(Air(30.0, 97.0, 0.6)) > factor(Air(15.0, 102.0, 0.4))


def test_the_dew_point_gives_the_humidity_back() -> None:
    air = Air(23.0, 100.2, 0.47)
    assert saturation_kpa(dew_point_c(air)) / saturation_kpa(23.0) == pytest.approx(0.47, rel=1e-9)


def test_the_site_lies_between_the_published_heights_around_it() -> None:
    """ISO 2533:1975 table 5: 1013.25 mbar at 0 m and 983.575 mbar at 250 m; nearly straight between."""
    assert pytest.approx(101.325 + (98.3575 - 101.325) * 95 / 250, abs=0.03) == SITE_PRESSURE_KPA


def test_summer_is_warmer_than_winter_and_pressure_stays_near_the_sites() -> None:
    weather = Weather(np.random.default_rng(3), FIRST, 1830)
    noons = [weather.at(FIRST + timedelta(days=day, hours=12)) for day in range(1830)]
    july = [air.temperature_c for day, air in enumerate(noons) if (FIRST + timedelta(days=day)).month == 7]
    january = [air.temperature_c for day, air in enumerate(noons) if (FIRST + timedelta(days=day)).month == 1]
    assert np.mean(july) - np.mean(january) > 5.0
    assert all(
        abs(air.pressure_kpa - SITE_PRESSURE_KPA) < 4.0 for air in noons
    )  # 4 kPa: common practice, no source
    assert all(10.0 <= air.temperature_c <= 40.0 and 0.2 <= air.humidity <= 0.9 for air in noons)
