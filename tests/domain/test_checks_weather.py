"""Checks of the air against the site, the bay's other readings and the next bay."""

from datetime import timedelta

import numpy as np
import pytest

from service.domain.checks import RULES, Surroundings
from service.domain.checks.case import BayPull, SiteAir
from service.domain.checks.weather import unmoved
from service.domain.units import INCH_MERCURY_KPA
from tests.domain.test_checks import NOW, pull
from tests.domain.test_checks_entry import caught, found


def at(altitude_m: float | None) -> Surroundings:
    """A bay at this altitude."""
    return Surroundings(altitude_m=altitude_m)


# ISO 2533, table 1: 89.875 kPa at 1000 m, 101.325 kPa at 0 m.
@pytest.mark.parametrize(
    ("altitude", "pressure", "expected"),
    [(1000, 93.87, False), (1000, 93.88, True), (1000, 85.88, False), (1000, 85.87, True), (0, 97.33, False),
     (0, 105.33, True), (None, 70.0, False)],
)  # fmt: skip
def test_weather_moves_pressure_by_four_kilopascals_about_its_altitudes_standard(
    altitude, pressure, expected
):
    assert caught("pressure-not-station", pull(pressure_kpa=pressure), around=at(altitude)) is expected


def test_a_pressure_adjusted_to_sea_level_is_told_so_with_both_figures():
    # At 1000 m 101.9 kPa would be 101.9 x 89.875 / 101.325 = 90.4 kPa.
    (finding,) = found("pressure-not-station", pull(1), pull(2, pressure_kpa=101.9), around=at(1000.0))
    assert (finding.level, finding.pointer) == ("doubtful", "/setups/0/pulls/1/ambient/pressure")
    assert "101.9 kPa" in finding.message
    assert "adjusted to sea level it is 90.4 kPa" in finding.message
    (low,) = found("pressure-not-station", pull(pressure_kpa=80.0), around=at(1000.0))
    assert "sea level" not in low.message


def test_a_sea_level_pressure_shows_from_339_metres_on_an_average_day():
    for altitude, expected in ((338.0, False), (339.0, True)):
        assert caught("pressure-not-station", pull(pressure_kpa=101.325), around=at(altitude)) is expected


@pytest.mark.parametrize("pressure", [101.325, 100.0, 101.3, 29.92 * INCH_MERCURY_KPA, 29.92 * 3.38639])
def test_a_pressure_that_is_a_default_in_every_pull_is_noted(pressure):
    (finding,) = found(
        "pressure-default", pull(1, pressure_kpa=pressure), pull(2, pressure_kpa=pressure), around=at(50.0)
    )
    assert (finding.level, finding.pointer) == ("note", "/setups/0/pulls/0/ambient/pressure")


def test_a_pressure_that_moves_or_is_no_default_or_was_read_once_is_not():
    assert not caught("pressure-default", pull(1), pull(2, pressure_kpa=100.1), around=at(50.0))
    assert not caught(
        "pressure-default", pull(1, pressure_kpa=101.2), pull(2, pressure_kpa=101.2), around=at(50.0)
    )
    assert not caught("pressure-default", pull(1), around=at(50.0))
    assert not caught("pressure-default", pull(1), pull(2), around=at(None))


def earlier(hours: float, count: int = 3, **air) -> tuple[BayPull, ...]:
    """Pulls of another session that began so many hours before this one, a few minutes apart, in the same air."""
    same = {"temperature_c": 25.0, "pressure_kpa": 100.0, "humidity": 0.3155, **air}
    starts = [NOW - timedelta(hours=hours) + timedelta(minutes=4 * n) for n in range(count)]
    return tuple(BayPull("before", "stoat-2", start, None, **same) for start in starts)


def posted(**fields) -> tuple:
    """Three pulls in the same air."""
    return tuple(pull(n, **fields) for n in (1, 2, 3))


@pytest.mark.parametrize(("hours", "expected"), [(2.9, False), (3.1, True)])
def test_air_that_does_not_move_for_three_hours_is_doubtful(hours, expected):
    said = found("weather-stuck", *posted(), around=Surroundings(bay_pulls=earlier(hours)))
    assert [(f.level, f.pointer) for f in said] == [("doubtful", "/setups/0/pulls/0/ambient")] * expected


def test_one_last_digit_is_enough_for_air_to_have_moved():
    for moved in ({"temperature_c": 25.1}, {"pressure_kpa": 100.01}, {"humidity": 0.316}, {"humidity": None}):
        assert not caught("weather-stuck", *posted(), around=Surroundings(bay_pulls=earlier(5.0, **moved)))
    between = (*earlier(5.0), *earlier(2.0, temperature_c=25.4))
    assert not caught("weather-stuck", *posted(), around=Surroundings(bay_pulls=between))


def test_fewer_than_six_pulls_in_the_same_air_say_nothing():
    assert not caught("weather-stuck", *posted(), around=Surroundings(bay_pulls=earlier(5.0, count=2)))


def test_a_station_that_shows_whole_degrees_is_taken_for_stuck_on_under_one_day_in_a_hundred():
    # Over 3.5 h, one sd: 1.5 degC with the bay's warmth, 0.15 kPa with the weather, 4 points (common practice, no
    # source). A million such days: 0.66 %.
    rng = np.random.default_rng(17)
    start = rng.uniform((15, 98, 0.3), (25, 102, 0.6), (5000, 3))
    later = start + rng.standard_normal((5000, 3)) * (1.5, 0.15, 0.04)
    shown = np.round(np.stack([start, later], axis=1) * (1, 10, 100)).tolist()
    then, now = NOW - timedelta(hours=3.5), NOW
    days = [unmoved([(then, tuple(a)), (now, tuple(b))], (now, tuple(b))) for a, b in shown]
    assert 0.0 < sum(len(run) == 2 for run in days) / len(days) < 0.01


@pytest.mark.parametrize(("humidity", "expected"), [(0.0, True), (1.0, True), (0.01, False), (0.99, False)])
def test_a_humidity_of_exactly_nothing_or_all_in_every_pull_is_doubtful(humidity, expected):
    assert caught("weather-stuck", *posted(humidity=humidity)) is expected
    assert not caught("weather-stuck", pull(1, humidity=humidity), pull(2, humidity=0.5))


def next_bay(minutes: float = 0.0, **air) -> Surroundings:
    """What the other bay of the site read."""
    same = {"temperature_c": 25.0, "pressure_kpa": 100.0, "humidity": 0.3155, **air}
    return Surroundings(site_air=(SiteAir("south", NOW + timedelta(minutes=minutes), **same),))


@pytest.mark.parametrize(
    ("pressure", "expected"), [(100.29, False), (100.31, True), (99.69, True), (None, False)]
)
def test_two_barometers_of_one_building_agree_to_three_tenths_of_a_kilopascal(pressure, expected):
    said = found("weather-stations-differ", *posted(), around=next_bay(pressure_kpa=pressure))
    assert [(f.level, f.pointer) for f in said] == [
        ("doubtful", "/setups/0/pulls/0/ambient/pressure")
    ] * expected


def test_two_barometers_are_told_with_what_the_other_one_makes_of_the_factor():
    # By hand, 25 degC and 1 kPa of vapour: 1.18 x 99 / 99 - 0.18 = 1.000 and 1.18 x 99 / 98 - 0.18 = 1.012.
    (finding,) = found("weather-stations-differ", *posted(), around=next_bay(pressure_kpa=99.0))
    assert "100.00 kPa here and 99.00 kPa in bay south" in finding.message
    assert "the factor is 1.000, with the other bay's readings 1.012" in finding.message


def test_barometers_are_not_compared_across_more_than_half_an_hour():
    for minutes, expected in ((30.0, True), (31.0, False), (-31.0, False)):
        around = next_bay(minutes, pressure_kpa=99.0)
        assert caught("weather-stations-differ", *posted(), around=around) is expected


def test_honest_barometers_seldom_differ_by_three_tenths_but_by_two():
    # 0.06 kPa each (one sd: a pressure sensor's usual 0.1 kPa at most, common practice, no source), read to 0.01 kPa.
    apart = np.abs(np.round(0.06 * np.random.default_rng(19).standard_normal((200_000, 2)), 2) @ [1.0, -1.0])
    limit = RULES["weather-stations-differ"].limits["pressure"].default
    assert (apart > limit + 1e-6).mean() < 0.001
    assert (apart > 0.2 + 1e-6).mean() > 0.01


@pytest.mark.parametrize(
    ("air", "expected"),
    [({"temperature_c": 29.9}, []), ({"temperature_c": 30.1}, ["temperature is 25.0 °C here and 30.1 °C there"]),
     ({"humidity": 0.46}, []), ({"humidity": 0.47}, ["humidity is 32 % here and 47 % there"]),
     ({"humidity": None, "temperature_c": None}, [])],
)  # fmt: skip
def test_rooms_of_one_site_far_apart_are_noted(air, expected):
    said = found("room-air-differs", *posted(), around=next_bay(**air))
    assert [f.message.split(" (")[0] for f in said] == expected
    assert all((f.level, f.pointer) == ("note", "/setups/0/pulls/0/ambient") for f in said)


def test_each_other_bay_is_compared_once_by_its_nearest_reading():
    near, far = next_bay(2.0, pressure_kpa=99.0).site_air[0], next_bay(20.0).site_air[0]
    around = Surroundings(site_air=(far, near, near, SiteAir("yard", NOW, 25.0, 99.5, None)))
    said = found("weather-stations-differ", *posted(), around=around)
    assert ["bay south" in f.message for f in said] == [False, True]


def test_air_that_was_not_recorded_is_compared_with_nothing():
    bare = pull(temperature_c=None, pressure_kpa=None, humidity=None)
    around = Surroundings(altitude_m=1000.0, site_air=next_bay().site_air, bay_pulls=earlier(5.0))
    for code in (
        "pressure-not-station",
        "pressure-default",
        "weather-stuck",
        "weather-stations-differ",
        "room-air-differs",
    ):
        assert not caught(code, bare, around=around), code
