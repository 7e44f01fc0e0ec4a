"""POST /v1/sessions: the checks that hold a post against its company, each fed by what the ledger holds."""

import math
from datetime import UTC, datetime, timedelta

import pytest

from tests.conftest import Client, version_of
from tests.factories import AIR, RPM, pull, session, setup

NOON = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)


def kept(client: Client, body: dict) -> dict:
    """The answer to a post that must be taken."""
    response = client.post("/v1/sessions", body)
    assert response.status_code == 201, response.text
    return response.json


def said(client: Client, body: dict, code: str) -> list[tuple[str, str]]:
    """(level, pointer) of what one check said of a post that must be taken."""
    return [(one["level"], one["pointer"]) for one in kept(client, body)["checks"] if one["code"] == code]


def at(minutes: float, *setups: dict, **fields) -> dict:
    """A session so many minutes after noon."""
    return session(*setups, started_at=(NOON + timedelta(minutes=minutes)).isoformat(), **fields)


def bay_is(client: Client, slug: str, **fields) -> None:
    """Write something down about a bay."""
    path = f"/v1/bays/{slug}"
    done = client.patch(path, fields, If_Match=version_of(client.get(path)))
    assert done.status_code == 200, done.text


def stock_cars(client: Client, cars: int, alone: bool = True, first: int = 2, **fields) -> None:
    """Stock sessions of the cars from `first` on: a day each, or all on the 20th half an hour apart; power within 2 %."""
    for i in range(cars):
        scale = 1.0 + 0.01 * (i % 3 - 1)
        body = {"vehicle": f"stoat-{first + i}", **fields}
        setups = [setup(scale=scale)] if "curve" not in fields else [recorded(scale, **body.pop("curve"))]
        kept(client, session(*setups, day=1 + i, **body) if alone else at(30.0 * i - 240.0, *setups, **body))


def recorded(scale: float = 1.0, pulls: int = 3, **channels) -> dict:
    """A setup with channels beside its torque, each a value at every sample or one for all."""
    made = [pull(scale) for _ in range(pulls)]
    for one in made:
        one["curve"] |= {
            name: value if isinstance(value, list) else [value] * len(RPM) for name, value in channels.items()
        }
    return setup(pulls=0) | {"pulls": made}


def geared(ratio: float) -> dict:
    """A setup whose engine turns `ratio` times for one turn of the rollers."""
    return recorded(roller_speed=[rpm / ratio for rpm in RPM])


# The bay


@pytest.mark.parametrize(("altitude", "expected"), [(1000, 1), (100, 0), (None, 0)])
def test_a_sea_level_pressure_is_seen_in_a_bay_whose_altitude_is_known(stoats, altitude, expected):
    # ISO 2533: 89.9 kPa at 1000 m and 100.1 kPa at 100 m; the post says 100 kPa.
    bay_is(stoats, "north", altitude_m=altitude)
    place = ("doubtful", "/setups/0/pulls/0/ambient/pressure")
    assert said(stoats, session(), "pressure-not-station") == [place] * expected


def started(minutes: float) -> dict:
    """A pull that began so many minutes after noon."""
    return pull(started_at=(NOON + timedelta(minutes=minutes)).isoformat())


@pytest.mark.parametrize(
    ("bay", "minutes", "expected"), [("north", 0.5, 1), ("north", 1.0, 0), ("hub", 0.5, 0)]
)
def test_two_cars_are_not_pulled_in_one_bay_within_forty_seconds(stoats, bay, minutes, expected):
    kept(stoats, at(0, setup() | {"pulls": [started(0)]}, vehicle="stoat-1"))
    body = at(0, setup() | {"pulls": [started(minutes)]}, vehicle="stoat-2", bay=bay)
    place = ("doubtful", "/setups/0/pulls/0/started_at")
    assert said(stoats, body, "pulls-overlap") == [place] * expected


@pytest.mark.parametrize(
    ("vehicle", "bay", "minutes", "expected"),
    [
        ("stoat-1", "hub", 10, 1),
        ("stoat-1", "hub", -10, 1),
        ("stoat-1", "hub", 20, 0),
        ("stoat-2", "hub", 10, 0),
        ("stoat-1", "north", 10, 0),
    ],
)
def test_one_car_is_not_in_two_bays_within_a_quarter_of_an_hour(stoats, vehicle, bay, minutes, expected):
    kept(stoats, at(0, vehicle="stoat-1", bay="north"))
    body = at(minutes, vehicle=vehicle, bay=bay)
    assert said(stoats, body, "car-in-two-bays") == [("doubtful", "/vehicle")] * expected


@pytest.mark.parametrize(("bay", "sequence", "expected"), [("north", 9, 1), ("north", 11, 0), ("hub", 9, 0)])
def test_a_later_session_does_not_have_an_earlier_number_of_its_bay(stoats, bay, sequence, expected):
    kept(stoats, at(0, sequence=10))
    body = at(60, vehicle="stoat-2", bay=bay, sequence=sequence)
    assert said(stoats, body, "sequence-back") == [("note", "/sequence")] * expected


@pytest.mark.parametrize(("hours", "humidity", "expected"), [(4, 0.3155, 1), (2, 0.3155, 0), (4, 0.3156, 0)])
def test_air_that_stands_still_over_hours_of_a_bay_is_a_dead_station(stoats, hours, humidity, expected):
    kept(stoats, at(0, vehicle="stoat-1"))
    air = {**AIR, "humidity": humidity}
    body = at(60 * hours, setup() | {"pulls": [pull(ambient=air) for _ in range(3)]}, vehicle="stoat-2")
    place = ("doubtful", "/setups/0/pulls/0/ambient")
    assert said(stoats, body, "weather-stuck") == [place] * expected


@pytest.mark.parametrize(
    ("site", "minutes", "pressure", "expected"),
    [
        ("yard", 20, 100.5, 1),
        ("yard", 20, 100.2, 0),
        ("yard", 40, 100.5, 0),
        ("hill", 20, 100.5, 0),
        (None, 20, 100.5, 0),
    ],
)
def test_barometers_of_one_site_agree_within_half_an_hour(stoats, site, minutes, pressure, expected):
    bay_is(stoats, "north", site="yard")
    bay_is(stoats, "hub", site=site)
    kept(stoats, at(0, vehicle="stoat-1", bay="hub"))
    body = at(minutes, setup() | {"pulls": [pull(ambient={**AIR, "pressure": pressure})]}, vehicle="stoat-2")
    place = ("doubtful", "/setups/0/pulls/0/ambient/pressure")
    assert said(stoats, body, "weather-stations-differ") == [place] * expected


def test_a_barometer_that_was_corrected_is_held_against_others_as_it_would_have_read(stoats):
    for slug in ("north", "hub"):
        bay_is(stoats, slug, site="yard")
    low = {**AIR, "pressure": 99.0}
    kept(stoats, at(0, setup() | {"pulls": [pull(ambient=low)]}, vehicle="stoat-1", bay="hub"))
    right = {"from": "2026-03-01T00:00:00Z", "to": "2026-04-01T00:00:00Z", "units": "si", "pressure": 1.0}
    done = stoats.post("/v1/bays/hub/corrections", right | {"reason": "read 1 kPa low"})
    assert done.status_code == 201, done.text
    assert said(stoats, at(20, vehicle="stoat-2"), "weather-stations-differ") == []


# The car's past


def test_a_curve_that_the_car_already_has_is_refused_and_taken_once_the_other_session_is_struck(stoats):
    curve = pull()["curve"]
    first = kept(stoats, session(setup() | {"pulls": [pull(curve=curve)]}, day=1))
    copy = session(setup() | {"pulls": [pull(curve=curve)]}, day=2)
    refused = stoats.post("/v1/sessions", copy)
    assert refused.status_code == 422
    faults = [(one["code"], one["pointer"]) for one in refused.json["errors"]]
    assert faults == [("curve-repeated", "/setups/0/pulls/0/curve")]
    assert first["id"] in refused.json["errors"][0]["detail"]
    path = f"/v1/sessions/{first['id']}"
    struck = stoats.post(
        f"{path}/strike", {"reason": "posted twice"}, If_Match=stoats.get(path).headers["ETag"]
    )
    assert struck.status_code == 200, struck.text
    assert said(stoats, copy, "curve-repeated") == []


@pytest.mark.parametrize(
    ("torque", "times", "basis"),
    [
        ("axle_torque", 3.9, "observed"),
        ("torque", 1.02, {"standard": "sae-j1349", "factor": 1.02}),
    ],
)
def test_a_curve_is_known_again_however_it_was_written_and_under_whichever_car(stoats, torque, times, basis):
    curve = pull()["curve"]
    other = {"rpm": curve["rpm"], torque: [times * value for value in curve["torque"]]}
    first = setup() | {"pulls": [pull(curve=other, basis=basis), pull(1.1)]}
    kept(stoats, session(first, vehicle="stoat-2", ratio=3.9))
    refused = stoats.post("/v1/sessions", session(setup() | {"pulls": [pull(0.9), pull(curve=curve)]}))
    assert [(one["code"], one["pointer"]) for one in refused.json["errors"]] == [
        ("curve-repeated", "/setups/0/pulls/1/curve")
    ]
    assert "(car stoat-2)" in refused.json["errors"][0]["detail"]


@pytest.mark.parametrize(
    ("bay", "scale", "parts", "expected"),
    [
        ("north", 1.08, ["wide-pipe"], 1),
        ("north", 0.92, ["wide-pipe"], 1),
        ("north", 1.01, ["wide-pipe"], 0),
        ("north", 1.08, ["mesh-pipe"], 0),
        ("hub", 1.08, ["wide-pipe"], 0),
    ],
)
def test_a_car_reads_with_the_same_parts_what_it_read_before(stoats, bay, scale, parts, expected):
    # One session's spread of 0.7 % explains 4.5 %; with the bays' of 2.2 % it is 15 %.
    kept(stoats, session(setup(["wide-pipe"]), day=1))
    body = session(setup(parts, scale), day=9, bay=bay)
    assert said(stoats, body, "level-unlike-before") == [("doubtful", "/setups/0/parts")] * expected


@pytest.mark.parametrize(
    ("code", "times", "gear", "bay", "expected"),
    [
        ("rpm-doubled", 2.0, 4, "north", [("doubtful", "/setups/0/pulls")]),
        ("rpm-doubled", 0.5, 4, "north", [("doubtful", "/setups/0/pulls")]),
        ("rpm-doubled", 2.0, 3, "north", []),
        ("rpm-doubled", 2.0, 4, "hub", []),
        ("wrong-gear", 1.3, 4, "north", [("doubtful", "/gear")]),
        ("wrong-gear", 1.02, 4, "north", []),
        ("wrong-gear", 1.3, 3, "north", []),
        ("wrong-gear", 1.3, 4, "hub", []),
    ],
)
def test_engine_over_roller_speed_is_what_this_car_had_in_that_gear_and_bay(
    stoats, code, times, gear, bay, expected
):
    kept(stoats, session(geared(3.0), day=1, gear=4))
    assert said(stoats, session(geared(3.0 * times), day=2, gear=gear, bay=bay), code) == expected


# The platform's stock cars


@pytest.mark.parametrize(("cars", "scale", "expected"), [(8, 0.5, 1), (8, 1.0, 0), (7, 0.5, 0)])
def test_a_stock_car_is_like_eight_others_of_its_platform(stoats, cars, scale, expected):
    stock_cars(stoats, cars)
    body = session(setup(scale=scale), day=20)
    assert said(stoats, body, "level-unlike-stock") == [("doubtful", "/setups/0/pulls")] * expected


def test_a_car_that_is_not_stock_may_be_unlike_the_stock_cars(stoats):
    stock_cars(stoats, 8)
    assert said(stoats, session(setup(["wide-pipe"], 0.5), day=20), "level-unlike-stock") == []


def wavering(values: float, by: float) -> list[float]:
    """A channel that lives: it goes up and down a little."""
    return [values + by * (i % 4 - 1.5) for i in range(len(RPM))]


@pytest.mark.parametrize(("mixture", "expected"), [(0.93, 1), (0.79, 1), (0.87, 0)])
def test_a_stock_cars_mixture_is_that_of_its_platform(stoats, mixture, expected):
    stock_cars(stoats, 8, curve={"lambda": wavering(0.86, 0.01)})
    body = session(recorded(**{"lambda": wavering(mixture, 0.01)}), day=20)
    assert said(stoats, body, "lambda-unlike-platform") == [("doubtful", "/setups/0/pulls")] * expected


def test_a_mixture_measured_behind_the_catalyst_is_no_reference_for_others(stoats):
    for n in range(2, 10):
        one = recorded(**{"lambda": wavering(0.86, 0.01)}) | {"lambda_probe": "after-catalyst"}
        kept(stoats, session(one, day=n, vehicle=f"stoat-{n}"))
    body = session(recorded(**{"lambda": wavering(0.93, 0.01)}), day=20)
    assert said(stoats, body, "lambda-unlike-platform") == []


@pytest.mark.parametrize(
    ("pressure", "scale", "expected"), [(185.0, 0.97, 1), (198.0, 0.97, 0), (185.0, 1.02, 0)]
)
def test_a_stock_cars_boost_is_that_of_its_platform_where_torque_is_lower_too(
    stoats, pressure, scale, expected
):
    stock_cars(stoats, 8, curve={"map": 200.0})
    body = session(recorded(scale, map=pressure), day=20)
    assert said(stoats, body, "boost-low") == [("doubtful", "/setups/0/pulls")] * expected


@pytest.mark.parametrize(("off", "others", "expected"), [(0.88, 2, 1), (0.99, 2, 0), (0.88, 1, 0)])
def test_the_stock_cars_of_one_bays_day_are_not_all_off_together(stoats, off, others, expected):
    stock_cars(stoats, 8, first=5)
    for i in range(others):
        kept(stoats, at(30.0 * i - 120.0, setup(scale=off), vehicle=f"stoat-{2 + i}"))
    assert said(stoats, at(0, setup(scale=off)), "bay-day-off") == [("doubtful", "/bay")] * expected


def test_the_cars_of_another_day_do_not_count_for_the_bays_day(stoats):
    stock_cars(stoats, 8, first=5)
    for i in range(2):
        kept(stoats, session(setup(scale=0.88), day=17 + i, vehicle=f"stoat-{2 + i}"))
    assert said(stoats, at(0, setup(scale=0.88)), "bay-day-off") == []


def test_a_bay_that_always_reads_low_is_not_off_when_it_does_so_today(stoats):
    # 12 % low on the days of eight cars; 10 % is explained where a bay's own level is not known, 7 % where it is.
    for n in range(2, 10):
        kept(stoats, session(setup(scale=0.88), vehicle=f"stoat-{n}", bay="hub", day=n))
    for n in range(2, 13):
        kept(stoats, session(setup(), vehicle=f"stoat-{n}", day=n + 2))
    for n in (10, 11):
        kept(stoats, at(30.0 * n - 360.0, setup(scale=0.88), vehicle=f"stoat-{n}", bay="hub"))
    assert said(stoats, at(10, setup(scale=0.88), bay="hub"), "bay-day-off") == []


def test_todays_cars_are_not_among_those_that_say_what_a_bay_usually_reads(stoats):
    # Six other days are too few to know a bay's level: then 10 % is explained, and 8 % low is silent.
    for n in range(2, 8):
        kept(stoats, session(setup(), vehicle=f"stoat-{n}", day=n))
    for n in (10, 11, 12):
        kept(stoats, session(setup(), vehicle=f"stoat-{n}", bay="hub", day=n))
    for n in (8, 9):
        kept(stoats, at(30.0 * n - 360.0, setup(scale=0.92), vehicle=f"stoat-{n}"))
    assert said(stoats, at(0, setup(scale=0.92)), "bay-day-off") == []


# The bay's kind, and what is fitted


@pytest.mark.parametrize(
    ("code", "bay", "expected"),
    [
        ("tyre-slip", "north", 1),
        ("tyre-slip", "hub", 0),
        ("clutch-slip", "north", 0),
        ("clutch-slip", "hub", 1),
    ],
)
def test_speed_that_flares_up_is_the_tyre_on_rollers_and_the_clutch_on_hubs(stoats, code, bay, expected):
    flaring = [rpm / (3.0 * (1.0 + 0.06 * math.exp(-(((rpm - 4200.0) / 250.0) ** 2)))) for rpm in RPM]
    body = session(recorded(pulls=1, roller_speed=flaring), bay=bay)
    assert said(stoats, body, code) == [("doubtful", "/setups/0/pulls/0/curve/roller_speed")] * expected


@pytest.mark.parametrize(("part", "expected"), [("road-map", 1), ("wide-pipe", 0)])
def test_pulls_that_rise_after_a_change_are_said_where_the_part_is_a_calibration(stoats, part, expected):
    rising = setup([part]) | {"pulls": [pull(scale) for scale in (1.05, 1.06, 1.07)]}
    assert said(stoats, session(setup(), rising), "drifts-upward") == [("note", "/setups/1/pulls")] * expected


# What a record that does not count says to others: nothing


def strike(client: Client, kept_session: dict) -> None:
    """Strike a whole session."""
    done = client.post(f"/v1/sessions/{kept_session['id']}/strike", {"reason": "keyed wrong"})
    assert done.status_code == 200, done.text


def test_a_struck_session_is_company_to_nobody(stoats):
    before = setup() | {"pulls": [started(0)]}
    for bay in ("north", "hub"):
        strike(stoats, kept(stoats, at(0, before, vehicle="stoat-1", bay=bay, sequence=10)))
    kept_now = kept(stoats, at(1, setup() | {"pulls": [started(0.5)]}, vehicle="stoat-1", sequence=9))
    assert [one["code"] for one in kept_now["checks"]] == []


def test_a_struck_session_of_the_next_bay_lends_no_barometer(stoats):
    for slug in ("north", "hub"):
        bay_is(stoats, slug, site="yard")
    strike(stoats, kept(stoats, at(0, vehicle="stoat-1", bay="hub")))
    body = at(5, setup() | {"pulls": [pull(ambient={**AIR, "pressure": 101.0})]}, vehicle="stoat-2")
    assert said(stoats, body, "weather-stations-differ") == []


def test_a_rejected_pull_may_be_posted_again_as_one_that_counts(stoats):
    curve = pull()["curve"]
    kept(stoats, session(setup() | {"pulls": [pull(), pull(curve=curve, status="rejected", reason="late")]}))
    assert said(stoats, session(setup() | {"pulls": [pull(curve=curve)]}, day=2), "curve-repeated") == []


def test_only_earlier_states_with_a_complete_list_and_no_doubt_say_what_a_car_read_before(stoats):
    doubtful = [pull(1.2), pull(0.8), pull(1.0)]
    kept(stoats, session(setup(["wide-pipe"]) | {"pulls": doubtful}, day=1))
    kept(stoats, session(setup(["wide-pipe"], 1.2, parts_known="partial"), day=2))
    kept(stoats, session(setup(["wide-pipe"], 1.2), day=20))
    assert said(stoats, session(setup(["wide-pipe"], 0.8), day=9), "level-unlike-before") == []


def test_barometers_are_compared_at_the_time_of_the_pull_not_of_the_session(stoats):
    for slug in ("north", "hub"):
        bay_is(stoats, slug, site="yard")
    kept(stoats, at(120, vehicle="stoat-1", bay="hub"))
    late = started(110) | {"ambient": {**AIR, "pressure": 100.5}}
    body = at(0, setup() | {"pulls": [late]}, vehicle="stoat-2")
    assert len(said(stoats, body, "weather-stations-differ")) == 1


@pytest.mark.parametrize(
    ("fields", "why"),
    [({"stock_checked": "unknown"}, "nobody looked"), ({"parts_known": "partial"}, "parts may be missing")],
)
def test_a_car_that_may_not_be_stock_is_no_reference_for_others(stoats, fields, why):
    for n in range(2, 10):
        kept(stoats, session(setup(**fields), vehicle=f"stoat-{n}", day=n))
    assert said(stoats, session(setup(scale=0.5), day=20), "level-unlike-stock") == [], why


def test_a_car_is_not_held_against_itself(stoats):
    stock_cars(stoats, 7)
    kept(stoats, session(setup(), day=15))
    assert said(stoats, session(setup(scale=0.5), day=20), "level-unlike-stock") == []


@pytest.mark.parametrize(
    ("bay", "setting"), [("north", {"session_spread": 0.02}), ("hub", {"bay_spread": 0.05})]
)
def test_the_shops_own_spreads_say_how_far_two_visits_may_lie_apart(stoats, bay, setting):
    # 4.5 sqrt(2) of 2 % are 12.7 %, of 0.7 and 5 % together 32 %.
    etag = stoats.get("/v1/settings").headers["ETag"]
    kept(stoats, session(setup(["wide-pipe"]), day=1))
    far = 1.1 if bay == "north" else 1.25
    doubted = session(setup(["wide-pipe"], far), day=9, bay=bay)
    assert stoats.patch("/v1/settings", setting, If_Match=etag).status_code == 200
    assert said(stoats, doubted, "level-unlike-before") == []


def test_stock_cars_with_a_doubt_are_no_reference_for_others(stoats):
    for n in range(2, 10):
        apart = setup() | {"pulls": [pull(1.1), pull(0.9), pull(1.0)]}
        assert kept(stoats, session(apart, vehicle=f"stoat-{n}", day=n))["setups"][0]["doubts"]
    assert said(stoats, session(setup(scale=0.5), day=20), "level-unlike-stock") == []


def test_another_bays_cars_of_the_day_are_not_this_bays(stoats):
    stock_cars(stoats, 8, first=5)
    for i in range(2):
        kept(stoats, at(30.0 * i - 120.0, setup(scale=0.88), vehicle=f"stoat-{2 + i}"))
    assert said(stoats, at(0, setup(scale=0.88), bay="hub"), "bay-day-off") == []


@pytest.mark.parametrize(("bay", "expected"), [("north", 1), ("hub", 0)])
def test_the_platforms_ratio_of_a_gear_is_that_on_the_same_bays_rollers(stoats, bay, expected):
    for n in range(2, 6):
        kept(stoats, session(geared(3.0), vehicle=f"stoat-{n}", day=n, gear=4))
    body = session(geared(3.9), day=20, gear=4, bay=bay)
    assert said(stoats, body, "wrong-gear") == [("doubtful", "/gear")] * expected
