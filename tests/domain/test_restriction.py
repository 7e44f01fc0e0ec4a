"""What the intake takes away, by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.curve import GRID_RPM
from service.domain.restriction import intake_restriction, pressure_fall

PULL = (GRID_RPM >= 2350.0) & (GRID_RPM <= 6400.0)
"""Over 300 rpm at either end the mean stands at 2500 and at 6250 rpm."""


def along(low: float, top: float) -> np.ndarray:
    """Pressure that falls straight over engine speed between 2500 and 6250 rpm."""
    return np.where(PULL, low + (top - low) * (GRID_RPM - 2500.0) / 3750.0, np.nan)


@pytest.mark.parametrize(
    ("top", "kpa", "percent"), [(96.0, 4.0, 100.0 * 4 / 96), (95.0, 5.0, 100.0 * 5 / 95)]
)
def test_100_kpa_at_2500_and_95_to_96_at_6250_rpm_is_4_to_5_kpa_upstream(top, kpa, percent):
    # The pressures are common practice, no source. By hand: 100 / 96 is 1.0417 and 100 / 95 is 1.0526.
    found = intake_restriction(along(100.0, top), 100.5, "natural")
    assert found is not None
    assert (found.from_rpm, found.at_rpm) == (2500.0, 6250.0)
    assert found.kpa == pytest.approx(kpa)
    assert found.power_freed_percent == pytest.approx(percent)
    assert found.power_freed_kw is None


def test_the_power_it_would_free_is_that_share_of_the_power_there():
    # 150 N.m at 6250 rpm is 150 x 6250 x pi / 30000 = 98.17 kW, of which 5 / 95 is 5.17 kW.
    found = intake_restriction(along(100.0, 95.0), None, "natural", np.full(GRID_RPM.shape, 150.0))
    assert found is not None
    assert found.power_freed_kw == pytest.approx(5.167, abs=0.001)


@given(offset=st.floats(-3.0, 3.0), fall=st.floats(0.5, 15.0))
def test_what_a_sensor_reads_too_high_or_too_low_is_not_in_the_fall(offset, fall):
    found = pressure_fall(along(100.0, 100.0 - fall) + offset)
    assert found is not None
    assert found.kpa == pytest.approx(fall)


@pytest.mark.parametrize("aspiration", ["turbo", "supercharged", None])
def test_a_boosted_or_unknown_engine_shows_none(aspiration):
    assert intake_restriction(along(100.0, 95.0), 100.0, aspiration) is None


def test_a_pull_that_was_not_at_full_throttle_shows_none():
    full = np.where(PULL, 0.97, np.nan)
    assert intake_restriction(along(100.0, 95.0), None, "natural", throttle=full) is not None
    closing = np.where(GRID_RPM > 6000.0, full - 0.05, full)
    assert intake_restriction(along(100.0, 95.0), None, "natural", throttle=closing) is None


def test_pressure_far_from_the_barometer_at_low_speed_shows_none():
    assert intake_restriction(along(100.0, 95.0), 104.9, "natural") is not None
    assert intake_restriction(along(100.0, 95.0), 105.1, "natural") is None
    assert intake_restriction(along(100.0, 95.0), 94.9, "natural") is None


def test_pressure_that_does_not_fall_shows_none():
    assert intake_restriction(along(98.0, 99.0), 100.0, "natural") is None


def test_a_pull_over_less_than_2000_rpm_shows_none():
    short = np.where(GRID_RPM <= 4300.0, along(100.0, 95.0), np.nan)
    assert pressure_fall(short) is None
    assert pressure_fall(np.where(GRID_RPM <= 4350.0, along(100.0, 95.0), np.nan)) is not None
    assert intake_restriction(np.full(GRID_RPM.shape, np.nan), 100.0, "natural") is None
