"""The air that was said last: shown to whoever begins the next session, and never used by itself."""

import re

from tests.cli.bays import bay as bay
from tests.cli.bays import ledger as ledger
from tests.cli.bays import settings_for

CAR = ("--car", "stoat-014", "--parts", "none")
OTHER = ("--car", "heron-002", "--parts", "none")
AIR = ("--temperature", "21.5", "--pressure", "99.6", "--humidity", "0.4")


SHOWN = (
    r"Air said last in this bay, and not used: temperature 21\.5 °C \(\d+ s ago\), pressure 99\.6 kPa \(\d+ s ago\), "
    r"humidity 0\.4 \(\d+ s ago\)\. Where it still holds, say it: --temperature 21\.5 --pressure 99\.6 --humidity 0\.4"
)


def test_a_pull_of_the_next_session_without_air_is_told_what_was_said_last_and_posted_without(bay, ledger):
    bay("send", bay.file("a.csv", 1), *CAR, *AIR, "--done")
    ran = bay("send", bay.file("b.csv", 2), *OTHER)
    assert re.search(SHOWN, ran.out), ran.out
    bay("done")
    assert "ambient" not in ledger.posts[1]["setups"][0]["pulls"][0]


def test_it_is_shown_already_when_the_car_is_said_and_not_once_the_air_is(bay):
    bay("send", *CAR, *AIR)
    assert re.search(SHOWN, bay("send", *OTHER).out)
    assert "Air said last" not in bay("send", *AIR).out
    assert "Air said last" not in bay("send", bay.file("a.csv", 1)).out


def test_only_what_nobody_says_now_is_shown(bay, ledger):
    bay.settings(settings_for(ledger.url, "[weather]\ntemperature = 19.0\nhumidity = 0.5\n"))
    bay("send", *CAR, *AIR)
    assert re.search(
        r"and not used: pressure 99\.6 kPa \(\d+ s ago\)\. Where it still holds, say it: --pressure 99\.6\n",
        bay("send", *OTHER).out,
    )


def test_status_shows_it_in_the_bays_units_where_the_next_pull_would_have_no_air(bay, ledger):
    """21.5 degC is 70.7 degF; 99.6 kPa is 29.4 inHg (3.386388640341 kPa each)."""
    bay("send", *CAR, *AIR)
    assert "Air said last" not in bay("status").out
    bay.settings(settings_for(ledger.url).replace('units = "si"', 'units = "us"'))
    bay("send", *OTHER)
    assert re.search(
        r"temperature 70\.7 °F \(\d+ s ago\), pressure 29\.41 inHg \(\d+ s ago\)", bay("status").out
    )


def test_fixed_weather_that_was_taken_back_is_not_shown_as_the_air_of_the_next_pull(bay, ledger):
    bay.settings(settings_for(ledger.url, "[weather]\ntemperature = 19.0\npressure = 99.0\n"))
    bay("send", *CAR)
    bay("send", "--forget", "temperature")
    assert "Weather: pressure 99 kPa.\n" in bay("status").out


def test_files_that_bring_their_own_air_need_no_other(bay):
    bay("send", *CAR, *AIR)
    mapping = bay.folder / "mapping.toml"
    mapping.write_text(mapping.read_text() + '[header]\ntemperature = { key = "Air temp", unit = "degC" }\n')
    own = bay.file("b.csv", 2)
    own.write_text(own.read_text() + "Air temp: 18,5 °C\n", encoding="utf-8")
    ran = bay("send", own, *OTHER)
    assert "not used: pressure 99.6 kPa" in ran.out
    assert "temperature" not in ran.out
