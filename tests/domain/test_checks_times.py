"""Checks of times: of the samples, of the ramp, of the year."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.domain.test_checks import RPM, channels, pull
from tests.domain.test_checks_entry import caught, found

TIME = "/setups/0/pulls/0/curve/time"


def over(seconds: float) -> dict:
    """The good curve, 4500 rpm, over so many seconds."""
    return channels(time=np.linspace(0.0, seconds, RPM.size))


@pytest.mark.parametrize(
    ("seconds", "expected"), [(12.0, False), (449.0, False), (451.0, True), (12_000.0, True)]
)
def test_a_pull_that_rises_by_less_than_10_rpm_a_second_has_its_times_in_another_unit(seconds, expected):
    said = found("time-unit", pull(channels=over(seconds)))
    assert [(f.level, f.pointer) for f in said] == [("note", TIME)] * expected


def test_speeds_that_were_held_may_take_minutes():
    assert not caught("time-unit", pull(channels=over(900.0), test="steps"))


def test_pulls_that_share_a_slip_are_one_note_and_those_that_do_not_are_named():
    slow = [pull(n, 1.0 + 0.01 * n, channels=over(12_000.0)) for n in (1, 2)]
    (said,) = found("time-unit", *slow, pull(3, channels=over(12.0)))
    assert (said.pointer, said.pull_n) == ("/setups/0/pulls", None)
    assert said.message.endswith("(so too pull 2)")


def test_time_that_goes_back_is_noted_at_its_sample():
    restarted = over(12.0)["time"].copy()
    restarted[90:] -= restarted[90]
    twice = pull(channels=channels(time=restarted), ramp_rpm_s=375.0)
    (said,) = found("time-back", twice)
    assert (said.level, said.pointer) == ("note", f"{TIME}/90")
    assert not caught("ramp-differs", twice)


def test_time_that_stands_still_or_a_table_written_from_its_end_does_not_go_back():
    still = np.round(over(12.0)["time"])
    assert not caught("time-back", pull(channels=channels(time=still)))
    assert not caught("time-back", pull(channels={name: values[::-1] for name, values in over(12.0).items()}))


@pytest.mark.parametrize(
    ("ramp", "expected"),
    [(450.0, False), (584.0, False), (586.0, True), (347.0, False), (345.0, True), (None, False)],
)
def test_a_posted_ramp_lies_within_three_tenths_of_the_samples_own(ramp, expected):
    # 4500 rpm in 10 s: 450 rpm/s; 450 x 1.3 = 585, 450 / 1.3 = 346.
    said = found("ramp-differs", pull(channels=over(10.0), ramp_rpm_s=ramp))
    assert [(f.level, f.pointer) for f in said] == [("note", "/setups/0/pulls/0/ramp")] * expected


def test_a_ramp_is_not_held_against_times_that_cannot_be_seconds_or_are_not_there():
    assert not caught("ramp-differs", pull(channels=over(10_000.0), ramp_rpm_s=450.0))
    assert not caught("ramp-differs", pull(ramp_rpm_s=450.0))


@pytest.mark.parametrize(("year", "expected"), [(1970, True), (1999, True), (2000, False), (2026, False)])
def test_a_session_before_2000_is_noted(year, expected):
    said = found("time-long-ago", pull(), started_at=datetime(year, 3, 1, tzinfo=UTC))
    assert [(f.level, f.pointer) for f in said] == [("note", "/started_at")] * expected


@pytest.mark.parametrize(
    ("source", "expected"), [("paper", False), ("photo", False), ("live", True), (None, True)]
)
def test_an_old_record_may_be_old(source, expected):
    old = replace(pull(), source=source)
    assert caught("time-long-ago", old, started_at=datetime(1998, 3, 1, tzinfo=UTC)) is expected
