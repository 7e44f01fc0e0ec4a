"""From posted pulls to observed figures, factors, and one summary a setup."""

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest

from service.domain.channels import SPEED_RATIO
from service.domain.curve import GRID_RPM, smooth
from service.domain.derive import (
    ANY_STANDARD,
    PULL_SPREAD_START,
    derive_pull,
    derive_pulls,
    locked_ratio,
    log_slope,
    log_spread,
    observed_trace,
    summarise_setup,
)
from service.domain.engine import Engine
from service.domain.records import PostedPeaks, PostedPull
from tests.checks import rows
from tests.factories import hump, peak_of_hump

RPM = np.arange(2000.0, 6501.0, 25.0)
TORQUE = np.array([hump(rpm) for rpm in RPM])
WARM = {"temperature_c": 30.0, "pressure_kpa": 98.0, "humidity": 0.6}


def pull(n: int = 1, **fields) -> PostedPull:
    """A pull of the hump, observed, in air that is not recorded."""
    return PostedPull(n=n, **{"channels": {"rpm": RPM, "torque": TORQUE}, **fields})


def summary(*pulls: PostedPull):
    """The summary of pulls, each derived on its own."""
    return summarise_setup(pulls, [derive_pull(one, None) for one in pulls])


PUBLISHED = [row for row in rows("t01_correction_factors.csv") if row["RH"]]
"""Factors computed from the published formulas, apart from our code (tests/checks/SOURCES.md), in air of known humidity."""


@pytest.mark.parametrize("case", PUBLISHED, ids=lambda case: case["case"])
def test_the_factor_of_a_pull_is_that_of_the_published_formula(case):
    air = {"temperature_c": float(case["t_C"]), "pressure_kpa": float(case["p_total_kPa"])}
    derived = derive_pull(pull(**air, humidity=float(case["RH"])), None)
    assert derived.factor == pytest.approx(float(case["CF_J1349_1p18_minus_0p18"]), rel=1e-6)
    assert derived.level == ANY_STANDARD


def test_the_peaks_of_a_smooth_curve_are_those_of_its_formula():
    power, speed = peak_of_hump()
    peaks = derive_pull(pull(), None).observed
    assert peaks.power_kw == pytest.approx(power, rel=5e-4)
    assert peaks.power_rpm == pytest.approx(speed, abs=10)
    assert (peaks.torque_nm, peaks.torque_rpm) == (
        pytest.approx(260.0, rel=5e-4),
        pytest.approx(4200, abs=10),
    )


@pytest.mark.parametrize(
    "channels",
    [
        {"rpm": RPM, "power": TORQUE * RPM * math.pi / 30_000},
        {"rpm": RPM, "axle_torque": 3.9 * TORQUE},
        {"rpm": RPM[::-1], "torque": TORQUE[::-1]},
        {"rpm": RPM, "torque": TORQUE, "power": TORQUE * RPM * math.pi / 30_000},
    ],
    ids=["power alone", "axle torque", "falling speed", "both"],
)
def test_the_same_curve_sent_another_way_derives_the_same(channels):
    other, plain = derive_pull(pull(channels=channels), 3.9), derive_pull(pull(), None)
    np.testing.assert_allclose(other.grid, plain.grid, rtol=1e-12)
    assert other.observed.power_kw == pytest.approx(plain.observed.power_kw, rel=1e-12)


@pytest.mark.parametrize(
    "posted",
    [
        pull(),
        pull(channels={"rpm": RPM[::-1], "axle_torque": 3.9 * TORQUE[::-1]}),
        pull(basis_standard="sae-j1349", basis_factor=1.02),
        pull(basis_standard="sae-j1349", **WARM),
        pull(basis_standard="unknown"),
    ],
    ids=["observed", "axle torque", "posted factor", "standard with its air", "unknown standard"],
)
def test_a_curve_drawn_alone_is_the_derived_one_to_the_last_bit(posted):
    rpm, torque = observed_trace(posted, 3.9, Engine())
    np.testing.assert_array_equal(smooth(rpm, torque, GRID_RPM), derive_pull(posted, 3.9).grid)


def test_a_posted_factor_is_divided_out_again():
    corrected = pull(channels={"rpm": RPM, "torque": 1.02 * TORQUE})
    derived = derive_pull(replace(corrected, basis_standard="sae-j1349", basis_factor=1.02), None)
    assert derived.observed.torque_nm == pytest.approx(260.0, rel=5e-4)
    assert (derived.factor, derived.level) == (1.02, "sae-j1349")


def test_a_standard_with_its_air_is_computed_and_divided_out():
    factor = derive_pull(pull(**WARM), None).factor
    corrected = pull(channels={"rpm": RPM, "torque": factor * TORQUE}, basis_standard="sae-j1349", **WARM)
    derived = derive_pull(corrected, None)
    assert derived.observed.torque_nm == pytest.approx(260.0, rel=5e-4)
    assert (derived.factor, derived.level) == (pytest.approx(factor), ANY_STANDARD)


def test_an_unknown_standard_leaves_the_figure_as_it_was_posted():
    derived = derive_pull(pull(basis_standard="unknown", **WARM), None)
    assert derived.observed.torque_nm == pytest.approx(260.0, rel=5e-4)
    assert (derived.factor, derived.level) == (None, "unknown")


@pytest.mark.parametrize("missing", ["temperature_c", "pressure_kpa", "humidity"])
def test_an_observed_pull_without_its_whole_air_stands_as_observed(missing):
    derived = derive_pull(pull(**{**WARM, missing: None}), None)
    assert (derived.vapour_kpa, derived.factor, derived.level) == (None, 1.0, "observed")


def test_a_setup_is_the_mean_of_its_corrected_pulls_and_keeps_the_best():
    pulls = [
        pull(n, **WARM, channels={"rpm": RPM, "torque": s * TORQUE})
        for n, s in ((1, 0.99), (2, 1.0), (3, 1.04))
    ]
    found, factor = summary(*pulls), derive_pull(pulls[0], None).factor
    assert found.torque_nm == pytest.approx(factor * 260.0 * (0.99 + 1.0 + 1.04) / 3, rel=5e-4)
    assert found.torque_best_nm == pytest.approx(factor * 260.0 * 1.04, rel=5e-4)
    assert found.torque_spread == pytest.approx(np.std([0.99, 1.0, 1.04], ddof=1) / 1.01, rel=1e-6)
    assert (found.pulls, found.best_of, found.spread_df) == (3, None, 2)


def test_the_mean_curve_is_drawn_where_at_least_half_of_the_pulls_reach():
    short = pull(2, channels={"rpm": RPM[RPM <= 4000], "torque": TORQUE[RPM <= 4000]})
    grid = summary(pull(1), short, replace(short, n=3)).grid
    assert GRID_RPM[np.isfinite(grid)].max() == 4000
    assert GRID_RPM[np.isfinite(summary(pull(1), short).grid)].max() == 6500


def test_pulls_on_another_footing_than_most_are_left_out_of_the_mean():
    bare = [pull(n, channels={"rpm": RPM, "torque": 1.2 * TORQUE}) for n in (2, 3)]
    found = summary(pull(1, **WARM), *bare)
    assert (found.level_standard, found.factor, found.pulls) == ("observed", 1.0, 2)
    assert found.torque_nm == pytest.approx(1.2 * 260.0, rel=5e-4)


def test_the_best_of_three_is_brought_down_to_the_mean_of_three():
    # The largest of three standard normal values is 3 / (2 sqrt(pi)) on average (closed form).
    best = pull(channels={}, peaks=PostedPeaks(100.0, 5500.0, 200.0, 4000.0), best_of=3)
    found = summary(best)
    assert found.power_kw == pytest.approx(100.0 / (1 + 3 / (2 * math.sqrt(math.pi)) * PULL_SPREAD_START))
    assert (found.power_best_kw, found.best_of, found.grid) == (100.0, 3, None)


def test_one_single_pull_has_no_bias_and_an_unknown_number_is_taken_for_three():
    peaks = PostedPeaks(100.0, None, None, None)
    one = summary(pull(channels={}, peaks=peaks, best_of=1))
    assert (one.power_kw, one.torque_nm) == (100.0, None)
    assert summary(pull(channels={}, peaks=peaks)).best_of == 3


def test_peak_figures_stand_in_only_where_there_is_no_curve():
    record = pull(2, channels={}, peaks=PostedPeaks(300.0, None, None, None))
    found = summary(pull(1), record)
    assert (found.pulls, found.best_of) == (1, None)
    assert found.power_kw == pytest.approx(peak_of_hump()[0], rel=5e-4)


def test_no_counted_pull_makes_an_empty_summary():
    found = summary()
    assert (found.pulls, found.power_kw, found.grid, found.spread_df) == (0, None, None, 0)


def test_a_pull_derives_the_same_to_the_last_bit_whichever_others_it_is_derived_with():
    noisy = TORQUE * (1.0 + 0.01 * np.random.default_rng(5).standard_normal(RPM.size))
    pulls = [
        pull(1, **WARM, channels={"rpm": RPM, "torque": noisy, "lambda": RPM / 7000.0}),
        pull(2, channels={}, peaks=PostedPeaks(100.0, 5500.0, 200.0, 4000.0)),
        pull(3, channels={"rpm": RPM[::9], "axle_torque": 3.9 * TORQUE[::9]}, basis_standard="unknown"),
        pull(4, channels={"rpm": RPM[::-1], "torque": 1.02 * noisy}, basis_standard="sae-j1349", **WARM),
    ]
    for together, one in zip(derive_pulls(pulls, 3.9), pulls, strict=True):
        alone = derive_pull(one, 3.9)
        assert pickle.dumps(together) == pickle.dumps(alone)


def test_no_pull_derives_to_nothing():
    assert derive_pulls([], None) == []


def test_the_spread_is_taken_in_logs_about_the_mean():
    ss, df = log_spread(np.array([100.0, 101.0, math.nan]))
    assert (ss, df) == (pytest.approx(math.log(1.01) ** 2 / 2), 1)  # two values lie ln(1.01) / 2 either side


def test_figures_that_have_no_logarithm_leave_the_spread_a_number():
    assert log_spread(np.array([0.0, -1.0, 100.0])) == (0.0, 0)


def test_a_factor_that_was_written_down_is_divided_out_also_where_the_air_is_known():
    posted = pull(basis_standard="sae-j1349", basis_factor=1.08, **WARM)
    assert derive_pull(posted, None).observed.torque_nm == pytest.approx(
        derive_pull(pull(), None).observed.torque_nm / 1.08
    )


def test_power_that_grows_by_a_percent_from_pull_to_pull_has_that_slope():
    """ln power 0, 1, 2 and 3 %: the line through them; of two, or with one missing, nothing is said."""
    assert log_slope(np.exp([0.0, 0.01, 0.02, 0.03])) == pytest.approx(0.01)
    assert log_slope(np.exp([0.0, 0.01])) is None
    assert log_slope(np.array([1.0, np.nan, 1.02])) is None


def test_a_converter_that_locks_half_way_up_is_read_where_it_has_locked():
    grid = np.full(GRID_RPM.size, np.nan)
    grid[20:30], grid[30:40] = 5.0, 4.0
    one = replace(derive_pull(pull(), None), channels={SPEED_RATIO: grid})
    assert locked_ratio(one) == 4.0
