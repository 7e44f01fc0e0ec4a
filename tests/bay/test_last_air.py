"""The air that was said last in this bay: shown with its age for two hours, and never used by itself."""

from datetime import timedelta

import pytest

from service.bay.last_air import HOLDS, SaidOnce, beyond
from tests.bay.desks import CAR, NOON, Hands, desk_in, plain_file

OTHER = {"car": "car-01", "parts": []}


@pytest.fixture
def clock():
    return Hands()


@pytest.fixture
def desk(tmp_path, clock):
    return desk_in(tmp_path, clock)


def test_a_new_session_is_told_of_the_air_said_in_the_last_one_and_is_not_given_it(desk, clock, tmp_path):
    desk.say(CAR | {"temperature": 21.0, "pressure": 99.6})
    desk.take(plain_file(tmp_path, "a", 1), {})
    clock.passes(minutes=35)
    taken = desk.take(plain_file(tmp_path, "b", 2), OTHER)
    assert "ambient" not in taken.work.runs[0].document
    assert desk.air_said_last() == {"temperature": SaidOnce(21.0, NOON), "pressure": SaidOnce(99.6, NOON)}


def test_its_age_counts_from_when_it_was_said_and_not_from_the_pulls_that_followed(desk, clock, tmp_path):
    desk.say(CAR | {"temperature": 21.0})
    clock.passes(hours=1)
    desk.take(plain_file(tmp_path, "a", 1), {"coolant": 88.0})
    assert desk.air_said_last() == {"temperature": SaidOnce(21.0, NOON)}


def test_each_figure_has_its_own_age_and_humidity_and_dew_point_are_one_thing(desk, clock):
    desk.say(CAR | {"temperature": 21.0, "humidity": 0.4})
    clock.passes(hours=1)
    desk.say({"dew_point": 9.0})
    assert desk.air_said_last() == {
        "temperature": SaidOnce(21.0, NOON),
        "dew_point": SaidOnce(9.0, NOON + timedelta(hours=1)),
    }


def test_air_said_of_a_pull_is_of_that_pulls_time(desk, clock, tmp_path):
    at = NOON - timedelta(minutes=50)
    desk.take(plain_file(tmp_path, "a", 1), CAR | {"temperature": 21.0, "started_at": at.isoformat()})
    assert desk.air_said_last() == {"temperature": SaidOnce(21.0, at)}


def test_after_two_hours_it_is_not_shown_any_more(desk, clock):
    desk.say(CAR | {"temperature": 21.0})
    clock.passes(seconds=HOLDS.total_seconds())
    assert desk.air_said_last().keys() == {"temperature"}
    clock.passes(seconds=1)
    assert desk.air_said_last() == {}


def test_a_clock_that_was_set_back_shows_no_air_of_the_future(desk, clock):
    desk.say(CAR | {"temperature": 21.0})
    clock.passes(hours=-1)
    assert desk.air_said_last() == {}


def test_air_that_was_taken_back_is_not_shown_again(desk):
    desk.say(CAR | {"temperature": 31.0, "humidity": 0.4})
    desk.say({}, forget=["temperature"])
    assert desk.air_said_last() == {"humidity": SaidOnce(0.4, NOON)}
    desk.say({}, forget=["humidity"])
    assert desk.air_said_last() == {}


def test_what_cannot_be_read_of_it_is_as_if_it_were_not_there(desk):
    desk.say(CAR | {"temperature": 31.0})
    (desk.folder / "air.json").write_text("{")
    assert desk.air_said_last() == {}


def test_only_what_is_not_known_otherwise_is_shown():
    last = {name: SaidOnce(1.0, NOON) for name in ("temperature", "pressure", "humidity")}
    assert beyond(last, {"temperature", "dew_point"}).keys() == {"pressure"}
    assert beyond(last, set()) == last
