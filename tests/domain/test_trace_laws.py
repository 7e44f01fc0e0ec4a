"""The trace rule under all faults at once, what holds whatever is sent, and what a pull derives to."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.curve import GRID_RPM
from service.domain.derive import derive_pull
from service.domain.records import PostedPull
from service.domain.trace import choose
from tests.domain.traces import (
    LAWS,
    Log,
    error_of_grid,
    error_of_samples,
    every_law,
    every_rate,
    recorded,
    spoiled,
)

# -- everything at once, and laws


@every_law
@every_rate
@pytest.mark.parametrize("beside", [True, False])
def test_the_curve_is_found_under_all_faults_at_once(law: str, hertz: float, beside: bool) -> None:
    exact = spoiled(law, hertz, 0.0, seed=3).chosen(beside, beside)
    assert error_of_samples(exact, law) < 0.01
    assert error_of_grid(exact, law) < 0.003
    rough = spoiled(law, hertz, 0.005, seed=3).chosen(beside, beside)
    assert error_of_grid(rough, law) < 0.012
    assert rough.left_out["not finite"] >= 5
    assert rough.left_out["spike"] >= 3


logs = st.builds(
    spoiled,
    law=st.sampled_from(list(LAWS)),
    hertz=st.sampled_from([10.0, 20.0, 50.0]),
    noise=st.sampled_from([0.0, 0.01, 0.03]),
    seed=st.integers(0, 9999),
)


@settings(max_examples=60)
@given(log=logs, timed=st.booleans(), throttle=st.booleans())
def test_the_choice_made_again_changes_nothing(log: Log, timed: bool, throttle: bool) -> None:
    found = log.chosen(timed, throttle)
    again = log.rows(found.used).chosen(timed, throttle)
    np.testing.assert_array_equal(again.rpm, found.rpm)
    np.testing.assert_array_equal(again.torque_nm, found.torque_nm)
    assert (again.left_out, again.falling_share) == ({}, found.falling_share)


@settings(max_examples=60)
@given(
    rpm=st.lists(st.floats(500.0, 9000.0), min_size=1, max_size=60),
    seed=st.integers(0, 9999),
    test=st.sampled_from([None, "sweep"]),
)
def test_whatever_is_sent_every_row_is_used_or_left_out_and_the_choice_is_stable(
    rpm: list[float], seed: int, test: str | None
) -> None:
    speed = np.array(rpm)
    torque = np.random.default_rng(seed).uniform(-50.0, 300.0, speed.size)
    found = choose(speed, torque, test=test)
    assert found.samples_used + sum(found.left_out.values()) == speed.size
    assert found.samples_used == np.unique(found.used).size >= 1
    assert choose(found.rpm, found.torque_nm, test=test).samples_used == found.samples_used


@settings(max_examples=40)
@given(log=logs, offset=st.floats(-600.0, 80_000.0), scale=st.floats(0.1, 10.0))
def test_the_choice_hangs_neither_on_the_torques_unit_nor_on_when_time_begins(
    log: Log, offset: float, scale: float
) -> None:
    moved = replace(log, time=log.time + offset, torque=scale * log.torque)
    found, other = log.chosen(), moved.chosen()
    np.testing.assert_array_equal(found.used, other.used)
    assert (found.left_out, found.rises) == (other.left_out, other.rises)


# -- what a pull derives to


def test_a_pull_derives_from_its_own_part_of_the_file_and_so_do_its_other_channels() -> None:
    log = recorded("natural", 50.0)
    pulling = log.throttle > 0.9
    channels = {
        "rpm": log.rpm,
        "torque": log.torque,
        "time": log.time,
        "throttle": log.throttle,
        "lambda": np.where(pulling, 0.88, 1.9),
        "map": np.where(pulling, 98.0, 120.0),
    }
    derived = derive_pull(PostedPull(n=1, channels=channels), None)
    assert derived.observed.torque_nm == pytest.approx(200.0, rel=1e-3)
    assert (derived.lambda_mean, derived.map_max_kpa) == (pytest.approx(0.88), 98.0)
    assert derived.trace is not None
    assert derived.trace.left_out["after the pull"] > 200
    assert GRID_RPM[np.isfinite(derived.grid)].max() <= 6500.0
