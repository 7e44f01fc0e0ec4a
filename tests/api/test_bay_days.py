"""GET /v1/bays/{slug}/days: is it the car or the bay today."""

import csv
import io

import pytest

from tests.api.bodies import added
from tests.api.gains import post
from tests.api.odd_shop import CHECK, RICH, confirmed, mixed
from tests.conftest import Client
from tests.factories import setup

DAYS = "/v1/bays/north/days"


@pytest.fixture(scope="session")
def stoats_url(odd_url: str) -> str:
    """Here `stoats` is a shop of herons, one car or two a day in the north bay."""
    return odd_url


def answer(client: Client, query: str = "", path: str = DAYS) -> dict:
    """A bay's days."""
    response = client.get(path + query)
    assert response.status_code == 200, response.text
    return response.json


def one_day(client: Client, day: str) -> dict:
    """One of them."""
    (found,) = answer(client, f"?day={day}")["items"]
    return found


def test_a_day_on_which_all_cars_read_low_speaks_of_the_bay(stoats):
    """Herons 6, 7 and 8 come again a month later and read 5 % under what they read before."""
    for n, scale in ((6, 1.0), (7, 1.001), (8, 1.004)):
        started = f"2026-04-20T1{n}:00:00+00:00"
        confirmed(stoats, mixed(0.95 * scale), vehicle=f"heron-{n}", started_at=started)
    day = one_day(stoats, "2026-04-20")
    assert (day["cars"], day["cars_seen_before"], day["reach_days"], day["state"]) == (3, 3, 0, "outside")
    assert day["deviation_percent"] == pytest.approx(-5, abs=0.7)
    assert day["deviation_percent"] < -day["limit_percent"]
    assert "consistent with the bay" in day["said"]
    assert "not with the cars" in day["said"]


def test_one_low_car_among_others_speaks_of_the_car(stoats):
    for n, scale in ((6, 0.997), (7, 0.90), (8, 1.004)):
        started = f"2026-04-20T1{n}:00:00+00:00"
        confirmed(stoats, mixed(scale), vehicle=f"heron-{n}", started_at=started)
    day = one_day(stoats, "2026-04-20")
    assert day["state"] == "inside"
    low = next(car for car in day["readings"] if car["vehicle"] == "heron-7")
    assert low["deviation_percent"] == pytest.approx(-10, abs=1.5)
    assert low["seen_before"]


def test_a_car_seen_before_is_known_better_than_a_new_one(stoats):
    added(stoats, "/v1/vehicles", {"tag": "heron-fifteen", "platform": "heron", "confirm": True})
    confirmed(stoats, mixed(0.998), vehicle="heron-fifteen", day=28)
    confirmed(stoats, mixed(1.002), vehicle=CHECK, day=28)
    readings = one_day(stoats, "2026-03-28")["readings"]
    errors = {car["vehicle"]: car["error_percent"] for car in readings}
    seen = {car["vehicle"]: car["seen_before"] for car in readings}
    assert (seen[CHECK], seen["heron-fifteen"]) == (True, False)
    assert errors[CHECK] < errors["heron-fifteen"]


def test_a_day_of_too_few_cars_takes_in_the_days_around_it(stoats):
    """On 20 March the weak heron alone; the check car came two days either side, heron-12 eight days before."""
    day = one_day(stoats, "2026-03-20")
    assert day["reach_days"] == 8
    assert {car["vehicle"] for car in day["readings"]} == {RICH, CHECK, "heron-12"}


def test_the_days_around_end_at_a_recorded_event(stoats):
    event = {"at": "2026-03-19T00:00:00+00:00", "kind": "recalibrated"}
    added(stoats, "/v1/bays/north/events", event)
    day = one_day(stoats, "2026-03-20")
    assert {car["vehicle"] for car in day["readings"]} == {RICH, CHECK}
    assert day["state"] == "too-few"
    assert "its own limits say more" in day["said"]


def test_days_come_newest_first_page_by_page(stoats):
    first = stoats.get(f"{DAYS}?limit=4")
    days = [day["day"] for day in first.json["items"]]
    assert days == ["2026-03-22", "2026-03-20", "2026-03-18", "2026-03-14"]
    second = stoats.get(first.headers["Link"].split(">")[0].lstrip("<"))
    assert second.json["items"][0]["day"] == "2026-03-12"
    everything = answer(stoats, "?limit=100")["items"]
    assert first.json["items"] + second.json["items"] == everything[:8]


def test_a_day_without_posts_is_no_day(stoats):
    assert answer(stoats, "?day=2026-03-21")["items"] == []


def test_a_bay_never_used_has_no_days(stoats):
    added(stoats, "/v1/bays", {"slug": "yard", "name": "Yard", "kind": "roller-loaded"})
    assert answer(stoats, path="/v1/bays/yard/days")["items"] == []


def test_the_days_as_csv_have_one_row_each(stoats):
    text = stoats.get(DAYS, Accept="text/csv").text
    rows = list(csv.DictReader(io.StringIO(text)))
    body = answer(stoats)["items"]
    assert [row["day"] for row in rows] == [day["day"] for day in body]
    assert [float(row["limit_percent"]) for row in rows] == [day["limit_percent"] for day in body]
    assert "readings" not in rows[0]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/v1/bays/nort/days", 404),
        (f"{DAYS}?day=yesterday", 422),
        (f"{DAYS}?limit=101", 422),
        (f"{DAYS}?after=x", 422),
    ],
)
def test_what_cannot_be_asked_is_refused(stoats, path, status):
    assert stoats.get(path).status_code == status


def test_the_days_are_304_until_something_is_posted(stoats):
    etag = stoats.get(DAYS).headers["ETag"]
    assert stoats.get(DAYS, If_None_Match=etag).status_code == 304
    post(stoats, setup(), vehicle="stoat-2", day=23)
    assert stoats.get(DAYS, If_None_Match=etag).status_code == 200


def test_before_there_is_a_model_it_says_why_there_is_nothing(stoats, without_model):
    """A standard that the shop has just changed to has no fit yet."""
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    body = answer(stoats)
    assert body["items"] == []
    assert any("history model is not ready" in caution for caution in body["cautions"])
