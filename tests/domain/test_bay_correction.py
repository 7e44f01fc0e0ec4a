"""A pull as its bay would have posted it, had it been right."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.bay_correction import Correction, Period, as_corrected, corrected_session, correction_at
from service.domain.records import PostedPeaks, PostedPull, PostedSession, PostedSetup

NOON = datetime(2026, 3, 5, 12, tzinfo=UTC)
PULL = PostedPull(
    n=1,
    temperature_c=20.0,
    pressure_kpa=101.0,
    channels={
        "rpm": np.array([2000.0, 3000.0]), "torque": np.array([100.0, 200.0]), "power": np.array([20.9, 62.8]),
        "axle_torque": np.array([400.0, 800.0]), "map": np.array([90.0, 95.0]),
    },
)  # fmt: skip


def test_a_factor_scales_torque_and_power_and_nothing_else():
    right = as_corrected(PULL, Correction(1, factor=1.5))
    assert {name: values.tolist() for name, values in right.channels.items()} == {
        "rpm": [2000.0, 3000.0], "torque": [150.0, 300.0], "power": pytest.approx([31.35, 94.2]),
        "axle_torque": [600.0, 1200.0], "map": [90.0, 95.0],
    }  # fmt: skip
    assert (right.temperature_c, right.pressure_kpa) == (20.0, 101.0)
    assert PULL.channels["torque"].tolist() == [100.0, 200.0]


def test_a_factor_scales_peaks_and_not_their_speeds():
    pull = replace(PULL, channels={}, peaks=PostedPeaks(100.0, 5500.0, None, None))
    assert as_corrected(pull, Correction(1, factor=1.1)).peaks == PostedPeaks(
        pytest.approx(110.0), 5500.0, None, None
    )


def test_air_is_moved_where_it_was_recorded_and_stays_unknown_where_not():
    correction = Correction(1, temperature_k=-2.0, pressure_kpa=-3.5)
    assert as_corrected(PULL, correction).temperature_c == 18.0
    assert as_corrected(PULL, correction).pressure_kpa == 97.5
    unknown = replace(PULL, temperature_c=None, pressure_kpa=None)
    assert as_corrected(unknown, correction).temperature_c is None
    assert as_corrected(unknown, correction).pressure_kpa is None


@pytest.mark.parametrize(
    ("basis", "meant"),
    [
        (None, ("iso-1585", 1.02)),
        ({"standard": None, "factor": None}, (None, None)),
        ({"standard": "sae-j1349", "factor": 1.01}, ("sae-j1349", 1.01)),
    ],
)
def test_a_basis_takes_the_place_of_the_posted_one_whole(basis, meant):
    pull = replace(PULL, basis_standard="iso-1585", basis_factor=1.02)
    right = as_corrected(pull, Correction(1, basis=basis))
    assert (right.basis_standard, right.basis_factor) == meant


def test_without_a_correction_it_is_the_very_same():
    session = PostedSession(None, "car", "north", NOON, (PostedSetup(1, (), "complete", "unknown", (PULL,)),))
    assert as_corrected(PULL, None) is PULL
    assert corrected_session(session, ()) is session


@given(hours=st.floats(-48, 48), length=st.floats(0.01, 24))
def test_a_correction_holds_from_its_beginning_up_to_but_not_at_its_end(hours, length):
    starts = NOON + timedelta(hours=hours)
    period = Period(starts, starts + timedelta(hours=length), Correction(7, factor=1.02))
    assert (correction_at([period], NOON) is not None) == (period.starts_at <= NOON < period.ends_at)
    assert correction_at([period], period.starts_at) == period.correction
    assert correction_at([period], period.ends_at) is None


def test_a_pull_without_a_time_of_its_own_began_with_its_session():
    late = replace(PULL, n=2, started_at=NOON + timedelta(hours=2))
    session = PostedSession(
        None, "car", "north", NOON, (PostedSetup(1, (), "complete", "unknown", (PULL, late)),)
    )
    period = Period(NOON, NOON + timedelta(hours=1), Correction(7, factor=2.0))
    first, second = corrected_session(session, [period]).setups[0].pulls
    assert first.channels["torque"].tolist() == [200.0, 400.0]
    assert second is late


def test_both_peaks_of_a_record_without_a_curve_are_scaled_and_their_speeds_are_not():
    record = replace(PULL, channels={}, peaks=PostedPeaks(100.0, 6000.0, 200.0, 3500.0))
    right = as_corrected(record, Correction(1, factor=1.1)).peaks
    assert (right.power_kw, right.torque_nm) == (pytest.approx(110.0), pytest.approx(220.0))
    assert (right.power_rpm, right.torque_rpm) == (6000.0, 3500.0)
