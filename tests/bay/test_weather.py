"""The air of a pull from a weather station's file: the last row before it, and never one that is too old."""

import os
from datetime import UTC, datetime, timedelta

import pytest

from service.bay.settings import BayNotSet, BaySettings
from service.bay.weather import weather_by
from tests.bay.desks import CAR, Hands, desk_in, plain_file

STATION = {
    "file": "weather.csv",
    "separator": ";",
    "decimal": ",",
    "time": {"column": "Time", "format": "%d.%m.%Y %H:%M"},
    "temperature": {"column": "Air", "unit": "degF"},
    "pressure": {"column": "QFE", "unit": "hPa"},
    "humidity": {"column": "RH", "unit": "%"},
}
ROWS = """Time;Wind;Air;QFE;RH
18.03.2026 11:50;3;68,0;995,0;41
18.03.2026 12:00;2;69,8;996,1;40
18.03.2026 12:10;2;71,6;997,3;39
18.03.2026 12:2"""
"""68.0, 69.8 and 71.6 degF are 20, 21 and 22 degC. The last row is just being written."""


def at(clock: str) -> datetime:
    return datetime.fromisoformat(f"2026-03-18T{clock}").astimezone()


@pytest.fixture
def weather(tmp_path):
    def made(rows=ROWS, **more):
        (tmp_path / "weather.csv").write_text(rows)
        return weather_by(BaySettings(tmp_path, "http://x", "north", "si", weather={**STATION, **more}))

    return made


def test_the_last_row_at_or_before_the_pull_counts_in_si(weather):
    said = weather()(at("12:09")).said
    assert said == {
        "temperature": pytest.approx(21.0),
        "pressure": pytest.approx(99.61),
        "humidity": pytest.approx(0.40),
    }
    assert weather()(at("12:10")).said["temperature"] == pytest.approx(22.0)


def test_a_stations_time_is_of_this_computers_zone(weather, two_hours_east):
    nine_past_noon_here = datetime(2026, 3, 18, 10, 9, tzinfo=UTC)
    assert weather()(nine_past_noon_here).said["temperature"] == pytest.approx(21.0)


def test_a_row_that_is_just_being_written_is_not_read(weather):
    assert weather()(at("12:24")).said["temperature"] == pytest.approx(22.0)


def test_a_row_that_is_too_old_leaves_the_air_unknown_and_says_so(weather):
    air = weather()(at("12:26"))
    assert air.said == {}
    assert "is 16 min older than the pull" in air.why_not
    assert weather(at_most_min=30)(at("12:26")).said["temperature"] == pytest.approx(22.0)


def test_before_the_first_row_nothing_is_known(weather):
    assert "has no row at or before" in weather()(at("11:00")).why_not


def test_an_empty_cell_is_not_known_and_the_others_are(weather):
    said = weather(ROWS.replace("71,6", ""))(at("12:10")).said
    assert said.keys() == {"pressure", "humidity"}


@pytest.mark.parametrize("rows", ["", "Time;Air\n"])
def test_a_file_without_the_columns_says_which(weather, rows):
    assert "has no column" in weather(rows)(at("12:00")).why_not


def test_a_file_that_is_not_there_leaves_the_air_unknown(weather, tmp_path):
    air = weather()
    (tmp_path / "weather.csv").unlink()
    assert "cannot be read" in air(at("12:00")).why_not


def test_every_mistake_of_the_table_is_named_at_once(weather):
    with pytest.raises(BayNotSet) as error:
        weather(
            tempratur=1,
            time="Time",
            decimal=";",
            pressure={"column": "QFE", "unit": "furlongs"},
            at_most_min="long",
        )
    for words in (
        "there is no 'tempratur' here",
        "time = 'Time' must be a table: time = { column",
        "decimal = ';' must be one of",
        "pressure: unit = 'furlongs' is not known; write one of kpa",
        "at_most_min = 'long' must be a number",
    ):
        assert words in str(error.value)


def test_the_air_of_a_pull_that_says_when_it_began_is_that_of_then(tmp_path, weather):
    """Taken at 13:00, begun at 12:01 by its file: the row of 12:00 counts, though it is an hour old by then."""
    air = weather()
    desk = desk_in(tmp_path, Hands(at("12:00") + timedelta(hours=1)), air=lambda moment: air(moment).said)
    said = CAR | {"started_at": at("12:01").isoformat()}
    taken = desk.take(plain_file(tmp_path, "a.txt", 1), said)
    assert taken.work.runs[0].document["ambient"]["temperature"] == pytest.approx(21.0)
    assert "temperature" not in taken.work.remembered


def test_the_air_of_a_file_that_does_not_say_when_is_that_of_the_files_own_time(tmp_path, weather):
    """Written at 12:01 and sent an hour later: the weather of now is no weather of the pull."""
    air = weather()
    desk = desk_in(tmp_path, Hands(at("12:00") + timedelta(hours=1)), air=lambda moment: air(moment).said)
    file = plain_file(tmp_path, "a.txt", 1)
    os.utime(file, (at("12:01").timestamp(),) * 2)
    assert desk.take(file, CAR).work.runs[0].document["ambient"]["temperature"] == pytest.approx(21.0)
