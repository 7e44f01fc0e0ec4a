"""The invented engines look like engines. Ranges are common practice, no source, where none is named."""

import numpy as np
import pytest

from seed.engines import fine_rpm, peak_power_kw, power_kw, stock_torque_nm
from seed.shop import PLATFORMS, Platform

EVERY = pytest.mark.parametrize("platform", PLATFORMS, ids=lambda platform: platform.slug)


@EVERY
def test_peak_power_is_the_wheel_figure_asked_for_and_comes_before_the_limiter(platform: Platform) -> None:
    rpm = fine_rpm(platform.engine)
    power, at = peak_power_kw(stock_torque_nm(platform.engine, rpm), rpm)
    assert power == pytest.approx(platform.engine.wheel_power_kw, rel=1e-9)
    assert at == pytest.approx(platform.engine.peak_rpm, abs=60)
    assert at < platform.engine.end_rpm < platform.document["rpm_limit"]  # type: ignore[operator]


@EVERY
def test_the_wheels_get_most_but_not_all_of_the_rated_power(platform: Platform) -> None:
    assert 0.75 < platform.engine.wheel_power_kw / float(platform.document["rated_power"]) < 0.92  # type: ignore[arg-type]


@EVERY
def test_torque_peaks_below_power(platform: Platform) -> None:
    rpm = fine_rpm(platform.engine)
    torque = stock_torque_nm(platform.engine, rpm)
    assert rpm[torque.argmax()] < rpm[power_kw(torque, rpm).argmax()] - 500


def test_power_is_torque_times_angular_speed() -> None:
    """9549.3 rpm and 1 N.m make 1 kW: 60000 / (2 pi)."""
    assert power_kw(np.array([1.0]), np.array([9549.2966]))[0] == pytest.approx(1.0, rel=1e-8)


def test_boosted_engines_spool_and_hold_a_plateau_that_natural_ones_lack() -> None:
    for platform in PLATFORMS:
        rpm = fine_rpm(platform.engine)
        share = stock_torque_nm(platform.engine, rpm)
        share = share / share.max()
        if platform.engine.kind == "turbo":
            assert share[0] < 0.72  # before the turbocharger is awake
            assert np.ptp(rpm[share > 0.95]) > 1800
        if platform.engine.kind == "natural":
            assert share[0] > 0.8


def test_the_diesel_works_in_a_narrow_range() -> None:
    spans = {platform.engine.kind: np.ptp(fine_rpm(platform.engine)) for platform in PLATFORMS}
    assert spans["diesel"] < 0.7 * min(spans["turbo"], spans["natural"])
