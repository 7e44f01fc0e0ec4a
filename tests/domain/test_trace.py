"""The trace rule: each fault of a recorded file made from a known curve, and the curve found again."""

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import curve, trace
from service.domain.trace import choose
from tests.domain.traces import (
    LAWS,
    Log,
    clean,
    error_of_grid,
    error_of_samples,
    every_law,
    every_rate,
    natural,
    recorded,
)

# -- a clean curve


@given(
    law=st.sampled_from(list(LAWS)),
    step=st.sampled_from([4.0, 9.0, 20.0, 45.0, 50.0, 100.0, 250.0]),
    scale=st.floats(0.2, 4.0),
    noise=st.sampled_from([0.0, 0.002, 0.005]),
    seed=st.integers(0, 99),
)
def test_a_clean_rising_curve_comes_through_untouched(
    law: str, step: float, scale: float, noise: float, seed: int
) -> None:
    rpm, torque = clean(law, step)
    torque = scale * torque * (1.0 + noise * np.random.default_rng(seed).standard_normal(rpm.size))
    found = choose(rpm, torque)
    np.testing.assert_array_equal(found.used, np.arange(rpm.size))
    np.testing.assert_array_equal(
        curve.resample(*curve.clean_trace(rpm, torque)), curve.resample(found.rpm, found.torque_nm)
    )
    assert (found.samples_used, found.rises, dict(found.left_out)) == (rpm.size, 1, {})


@given(
    law=st.sampled_from(list(LAWS)),
    step=st.sampled_from([9.0, 45.0, 50.0, 250.0]),
    bumps=st.lists(st.tuples(st.integers(0, 500), st.floats(0.3, 1.5)), max_size=4),
)
def test_the_quick_way_of_a_clean_curve_gives_what_the_whole_rule_gives(
    law: str, step: float, bumps: list[tuple[int, float]]
) -> None:
    rpm, torque = clean(law, step)
    for at, factor in bumps:
        torque[at % rpm.size] *= factor
    quick = choose(rpm, torque)
    with mock.patch.object(trace, "_is_plain", return_value=False):
        whole = choose(rpm, torque)
    np.testing.assert_array_equal(quick.used, whole.used)
    assert (quick.left_out, quick.rises, quick.falling_share) == (
        whole.left_out,
        whole.rises,
        whole.falling_share,
    )


def test_columns_of_unequal_length_are_refused() -> None:
    with pytest.raises(ValueError, match="equal length"):
        choose(np.arange(3.0), np.arange(4.0))


def test_no_finite_sample_leaves_nothing() -> None:
    found = choose(np.full(3, np.nan), np.full(3, 200.0))
    assert (found.samples_used, found.first, found.last, found.left_out) == (0, -1, -1, {"not finite": 3})


# -- the pull within the file


@every_law
@every_rate
@pytest.mark.parametrize("timed", [True, False])
@pytest.mark.parametrize("throttle", [True, False])
def test_the_pull_is_found_between_roll_on_and_coast_down(
    law: str, hertz: float, timed: bool, throttle: bool
) -> None:
    log = recorded(law, hertz)
    found = log.chosen(timed, throttle)
    assert error_of_samples(found, law) < 0.01
    assert error_of_grid(found, law) < 0.003
    low, high = LAWS[law][1:]
    # tip-in takes half a second of the ten, then one stretch of the rule; a row at each end
    rate = (high - low) / 10.0
    assert found.rpm[0] < low + 0.5 * rate + trace.TIP_IN_RPM + 2.0 * rate / hertz
    assert found.rpm[-1] > high - 2.0 * rate / hertz
    assert {"before the pull", "tip-in", "after the pull"} <= found.left_out.keys()
    assert found.samples_used + sum(found.left_out.values()) == found.samples_sent == log.rpm.size


@every_law
def test_what_is_beside_torque_can_be_taken_from_the_same_samples(law: str) -> None:
    log = recorded(law, 20.0)
    found = log.chosen()
    np.testing.assert_array_equal(log.rpm[found.used], found.rpm)
    assert (found.first, found.last) == (found.used[0], found.used[-1])
    assert log.throttle[found.used].min() >= trace.FULL_THROTTLE


def test_a_throttle_that_never_opens_wholly_is_left_aside() -> None:
    log = recorded("natural", 20.0)
    short = replace(log, throttle=0.9 * log.throttle)
    np.testing.assert_array_equal(short.chosen().used, log.chosen(throttle=False).used)


def test_a_plate_that_control_holds_half_shut_low_down_does_not_shorten_the_pull() -> None:
    log = recorded("natural", 20.0)
    held = replace(log, throttle=np.where(log.rpm < 5000.0, 0.6, log.throttle))
    assert held.chosen().rpm[0] < 2400.0


def test_of_several_pulls_the_longest_is_taken_and_their_number_said() -> None:
    short, long = recorded("natural", 20.0, seconds=8.0), recorded("natural", 20.0, seconds=12.0)
    cut_short = short.rows(short.rpm < 5900.0)
    both = Log(
        *(
            np.concatenate((getattr(cut_short, name), getattr(long, name)))
            for name in ("time", "rpm", "torque", "throttle")
        )
    )
    found = both.chosen(timed=False)
    assert (found.rises, found.first >= cut_short.rpm.size) == (2, True)
    assert error_of_samples(found, "natural") < 0.01


@pytest.mark.parametrize("throttle", [True, False])
def test_a_longer_rise_at_part_load_is_not_the_pull(throttle: bool) -> None:
    log = recorded("natural", 20.0)
    rpm = np.concatenate((np.linspace(1300.0, 6600.0, 200), np.linspace(6600.0, 2000.0, 100)))
    torque = np.concatenate((0.4 * natural(rpm[:200]), np.full(100, -20.0)))
    found = choose(
        np.concatenate((rpm, log.rpm)),
        np.concatenate((torque, log.torque)),
        throttle=np.concatenate((np.full(300, 0.4), log.throttle)) if throttle else None,
    )
    assert (found.first >= 300, found.rises) == (True, 1)


def test_a_coast_down_longer_than_the_pull_does_not_turn_the_file_round() -> None:
    found = recorded("natural", 20.0, seconds=5.0, coast=12.0).chosen(timed=False, throttle=False)
    assert error_of_samples(found, "natural") < 0.01
    assert found.used[0] < found.used[-1]


def test_a_flare_of_speed_smaller_than_the_dip_allowed_stays_and_shows_as_falling_rows() -> None:
    rpm, torque = clean("natural")
    rpm[100:106] += [40.0, 90.0, 130.0, 140.0, 90.0, 30.0]
    found = choose(rpm, torque)
    assert found.samples_used == rpm.size
    assert found.falling_share == pytest.approx(np.count_nonzero(np.diff(rpm) < 0.0) / (rpm.size - 1))
    assert found.falling_share > 0.0


# -- tables


@every_law
@pytest.mark.parametrize("step", [10.0, 50.0, 250.0])
def test_a_table_from_the_top_down_or_in_no_order_is_no_coast_down(law: str, step: float) -> None:
    rpm, torque = clean(law, step)
    plain = curve.resample(*curve.clean_trace(rpm, torque))
    mixed = np.random.default_rng(2).permutation(rpm.size)
    for order in (np.arange(rpm.size)[::-1], mixed):
        found = choose(rpm[order], torque[order])
        np.testing.assert_array_equal(curve.resample(*curve.clean_trace(found.rpm, found.torque_nm)), plain)
        np.testing.assert_array_equal(rpm[order][found.used], found.rpm)


def test_one_row_out_of_place_in_a_coarse_table_stays() -> None:
    rpm, torque = clean("natural", 250.0)
    rpm[[5, 6]], torque[[5, 6]] = rpm[[6, 5]], torque[[6, 5]]
    assert choose(rpm, torque).samples_used == rpm.size


def test_rows_written_backwards_in_time_are_read_in_time() -> None:
    log = recorded("boosted", 20.0)
    backwards = log.rows(slice(None, None, -1))
    np.testing.assert_array_equal(backwards.chosen().rpm, log.chosen().rpm)


def test_repeated_speeds_stay_to_be_averaged() -> None:
    rpm, torque = (np.repeat(one, 3) for one in clean("natural"))
    found = choose(rpm, torque)
    assert (found.samples_used, found.falling_share) == (rpm.size, 0.0)


# -- tip-in


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6])
def test_a_pedal_pressed_within_a_hundred_and_fifty_rpm_is_tip_in(share: float) -> None:
    rpm, torque = clean("natural", 10.0)
    torque *= np.clip(share + (1.0 - share) * (rpm - 2000.0) / 150.0, share, 1.0)
    found = choose(rpm, torque)
    assert error_of_samples(found, "natural") < 0.01
    assert 2100.0 < found.rpm[0] <= 2150.0 + trace.TIP_IN_RPM + 10.0
    assert found.left_out == {"tip-in": int(np.count_nonzero(rpm < found.rpm[0]))}


@pytest.mark.parametrize("width", [110.0, 150.0, 250.0])
def test_a_turbocharger_coming_in_is_not_tip_in(width: float) -> None:
    rpm = np.arange(1600.0, 6300.0, 12.0)
    torque = 120.0 + 230.0 / (1.0 + np.exp((2300.0 - rpm) / width))  # 10 to 90 % within 4.4 widths
    assert choose(rpm, torque).samples_used == rpm.size


def test_a_momentary_loss_in_the_middle_of_the_pull_is_not_tip_in() -> None:
    rpm, torque = clean("natural", 10.0)
    torque[150:165] *= 0.4
    assert choose(rpm, torque).samples_used == rpm.size


# -- spikes


@pytest.mark.parametrize("factor", [0.1, 0.8, 1.2, 3.0])
@pytest.mark.parametrize("at", [1, 60, 120, 224])
def test_one_sample_out_of_line_is_left_out_and_not_replaced(factor: float, at: int) -> None:
    rpm, torque = clean("natural")
    torque[at] *= factor
    found = choose(rpm, torque)
    assert np.setdiff1d(np.arange(rpm.size), found.used).tolist() == [at]
    assert found.left_out == {"spike": 1}


@pytest.mark.parametrize("at", [0, -1])
def test_a_high_sample_at_either_end_is_a_spike(at: int) -> None:
    rpm, torque = clean("natural")
    torque[at] *= 1.4
    assert choose(rpm, torque).left_out == {"spike": 1}


@pytest.mark.parametrize("rows", [2, 3, 8])
@pytest.mark.parametrize("factor", [0.5, 0.85, 1.15])
def test_a_dip_or_hump_of_several_samples_stays(rows: int, factor: float) -> None:
    rpm, torque = clean("natural")
    torque[100 : 100 + rows] *= factor
    assert choose(rpm, torque).samples_used == rpm.size


@pytest.mark.parametrize("speed", [300.0, 9000.0])
def test_one_speed_out_of_line_does_not_end_the_pull(speed: float) -> None:
    log = recorded("natural", 50.0)
    rpm = log.rpm.copy()
    rpm[300] = speed
    found = replace(log, rpm=rpm).chosen()
    assert set(log.chosen().used.tolist()) - set(found.used.tolist()) == {300}


def test_ordinary_noise_is_no_spike() -> None:
    rpm, torque = clean("natural")
    random = np.random.default_rng(9)
    left_out = [
        choose(rpm, torque * (1.0 + 0.01 * random.standard_normal(rpm.size))).samples_used - rpm.size
        for _ in range(200)
    ]
    assert np.mean(left_out) > -0.01  # rows a pull of 226; noise of 1 % is five spreads from the floor


# -- the cut


def test_power_that_falls_by_half_at_the_top_ends_the_pull_there() -> None:
    rpm, torque = clean("natural")
    torque[rpm > 6100.0] *= 0.5
    found = choose(rpm, torque)
    assert (found.rpm[-1], found.left_out) == (6100.0, {"cut": 20})


def test_a_saw_tooth_at_the_limiter_ends_the_pull() -> None:
    rpm, torque = clean("natural")
    rpm = np.concatenate((rpm, 6500.0 + np.arange(8.0)))
    torque = np.concatenate((torque, 190.0 * np.tile([0.1, 0.7, 0.2, 0.9], 2)))
    found = choose(rpm, torque)
    assert (found.rpm[-1], found.left_out) == (6500.0, {"cut": 8})


def test_a_loss_that_comes_back_higher_up_is_no_cut() -> None:
    rpm, torque = clean("natural")
    torque[(rpm > 5500.0) & (rpm < 5800.0)] *= 0.5
    assert choose(rpm, torque).samples_used == rpm.size


def test_rows_half_way_into_the_cut_go_too() -> None:
    rpm, torque = clean("natural")
    torque[-5:] *= [0.93, 0.8, 0.5, 0.2, 0.1]
    assert choose(rpm, torque).left_out == {"cut": 5}


# -- step tests


def test_a_step_test_keeps_its_held_speeds_and_leaves_out_the_way_between() -> None:
    random = np.random.default_rng(4)
    levels = np.arange(2000.0, 6001.0, 500.0)
    held = [
        np.concatenate((level + random.normal(0.0, 4.0, 30), level + np.array([120.0, 240.0, 370.0])))
        for level in levels
    ]
    rpm = np.concatenate(held)
    found = choose(rpm, natural(rpm), test="steps")
    speed, torque = curve.clean_trace(found.rpm, found.torque_nm)
    np.testing.assert_allclose(speed, levels, atol=3.0)
    np.testing.assert_allclose(torque, natural(levels), rtol=1e-3)
    assert found.left_out == {"between steps": 27}


def test_a_step_test_of_one_row_a_step_stays_as_it_is() -> None:
    rpm, torque = clean("diesel", 250.0)
    found = choose(rpm[::-1], torque[::-1], test="steps")
    assert (found.samples_used, found.rpm.tolist()) == (rpm.size, rpm[::-1].tolist())
