"""The check car against its own limits."""

import math

import numpy as np
import pytest

from service.stats.history import check_car

NIST_FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
"""Batches of NIST's e-Handbook 6.3.2.2, from memory."""


def test_the_chart_of_nist_6_3_2_2_prints_its_limits() -> None:
    sd = check_car.moving_range_sd(NIST_FLOW)
    mean = float(np.mean(NIST_FLOW))
    assert (round(mean, 2), round(mean + 3 * sd, 4), round(mean - 3 * sd, 4)) == (50.81, 55.8041, 45.8159)


def test_until_eight_readings_stand_behind_them_the_limits_are_one_and_two_percent() -> None:
    # 1.5 % and 2.5 % off, against the mean of those before
    found = check_car.check_readings([1.0, 2.0, 3.0], [5.0, 5.015, 5.0325])
    assert [one.state for one in found] == ["first", "warning", "outside"]
    assert found[2].deviation == pytest.approx(0.025)
    assert (found[2].warning, found[2].action) == (0.01, 0.02)


def test_the_ninth_reading_is_the_first_with_eight_behind_it() -> None:
    found = check_car.check_readings(range(9), [5.0, 5.004] * 4 + [5.0])
    assert [one.action == 0.02 for one in found] == [True] * 8 + [False]
    assert found[8].action == pytest.approx(3 * 0.004 / 1.128)


def test_then_they_are_two_and_three_of_its_own_spreads() -> None:
    values = [5.0, 5.004] * 5
    sd = 0.004 / 1.128
    found = check_car.check_readings(range(11), [*values, 5.002 + 2.5 * sd])
    assert found[10].state == "warning"
    assert (found[10].warning, found[10].action) == (pytest.approx(2 * sd), pytest.approx(3 * sd))
    assert found[9].state == "inside"


def test_a_reading_after_an_event_is_held_against_those_after_it_only() -> None:
    values = [5.0, 5.001, 5.06, 5.061]
    assert [one.state for one in check_car.check_readings([1, 2, 3, 4], values)][2] == "outside"
    after = check_car.check_readings([1, 2, 3, 4], values, events=(2.5,))
    assert [one.state for one in after] == ["first", "inside", "first", "inside"]


def test_readings_are_judged_in_order_of_time_however_they_come() -> None:
    found = check_car.check_readings([3.0, 1.0, 2.0], [5.03, 5.0, 5.0])
    assert [(one.at, one.state) for one in found] == [(1.0, "first"), (2.0, "inside"), (3.0, "outside")]


def test_readings_that_are_all_alike_do_not_make_the_limits_nought() -> None:
    found = check_car.check_readings(range(11), [5.0] * 10 + [5.0 + math.log(1.0015)])
    assert found[10].state == "inside"
    assert check_car.check_readings([], []) == ()
