"""GET /v1/outliers: what lies apart from the rest, and what was recorded that goes the same way."""

import pytest

from tests.api.bodies import added
from tests.api.builds import fully_measured
from tests.api.gains import post
from tests.api.odd_shop import CHECK, RICH
from tests.conftest import Client
from tests.factories import pull, setup

OUTLIERS = "/v1/outliers"
HORSEPOWER = 0.7456998715822702  # kW of 550 ft.lbf/s, NIST SP 811 App. B.8


@pytest.fixture(scope="session")
def stoats_url(odd_url: str) -> str:
    """Here `stoats` is the shop with something wrong in it."""
    return odd_url


def answer(client: Client, query: str = "") -> dict:
    """What lies apart."""
    response = client.get(OUTLIERS + query)
    assert response.status_code == 200, response.text
    return response.json


def of(body: dict, kind: str, vehicle: str) -> dict:
    """The one of a kind that is about a car."""
    (found,) = [one for one in body["items"] if (one["kind"], one["vehicle"]) == (kind, vehicle)]
    return found


def test_a_car_far_below_its_kind_is_listed_with_what_its_mixture_explains(stoats):
    """12 % down; a lambda of 0.72 where 0.86 is usual takes 5 to 6 %: the rest is unexplained."""
    one = of(answer(stoats), "car", RICH)
    assert one["deviation_percent"] == pytest.approx(-12, abs=2)
    assert one["value"] < one["expected"]
    assert one["value"] / one["expected"] - 1 == pytest.approx(one["deviation_percent"] / 100, abs=1e-3)
    assert (one["platform"], one["bay"], one["unit"]) == ("heron", "north", "quantity")
    assert stoats.get(one["session"]).json["vehicle"] == RICH
    mixture = next(reason for reason in one["reasons"] if reason["code"] == "mixture")
    assert -7 < mixture["explains_percent"] < -4
    assert "0.72 where 0.86 is usual" in mixture["message"]


def test_a_setup_off_the_cars_other_ones_is_listed_with_its_place(stoats):
    one = of(answer(stoats), "pull", CHECK)
    assert one["deviation_percent"] == pytest.approx(-4, abs=1)
    assert (one["setup"], one["at"][:10], one["pull"]) == (1, "2026-03-22", None)
    assert [reason["code"] for reason in one["reasons"]] == ["unexplained"]


def test_the_most_surprising_come_first_at_a_stated_rate_of_false_alarms(stoats):
    body = answer(stoats)
    scores = [abs(one["score"]) for one in body["items"]]
    assert scores == sorted(scores, reverse=True)
    assert body["false_alarm_rate"] == 0.05
    assert body["looked_at"] == {"cars": 14, "gains": 0, "setups": 24, "pulls": 0, "bays": 2}


def test_cars_that_differ_as_cars_do_are_not_listed(stoats):
    assert {one["vehicle"] for one in answer(stoats)["items"]} == {RICH, CHECK}


@pytest.mark.parametrize(
    ("query", "vehicles"),
    [
        ("?platform=heron", {RICH, CHECK}),
        ("?platform=stoat", set()),
        ("?bay=north", {RICH, CHECK}),
        ("?bay=hub", set()),
        ("?since=2026-03-21", {CHECK}),
        ("?since=2026-03-22T10:00:01%2B00:00", set()),
    ],
)
def test_platform_bay_and_time_narrow_the_list(stoats, query, vehicles):
    assert {one["vehicle"] for one in answer(stoats, query)["items"]} == vehicles


def test_a_page_leads_on_to_the_next(stoats):
    first = stoats.get(f"{OUTLIERS}?limit=1")
    assert len(first.json["items"]) == 1
    second = stoats.get(first.headers["Link"].split(">")[0].lstrip("<"))
    assert first.json["items"] + second.json["items"] == answer(stoats)["items"]
    assert "Link" not in second.headers


def test_figures_come_in_the_asked_units(stoats):
    si, us = of(answer(stoats), "car", RICH), of(answer(stoats, "?units=us"), "car", RICH)
    assert us["value"] * HORSEPOWER == pytest.approx(si["value"], rel=1e-4)
    assert us["deviation_percent"] == si["deviation_percent"]


def test_another_measure_looks_at_cars_and_single_pulls_and_says_so(stoats):
    body = answer(stoats, "?measure=torque_at&rpm=4200")
    assert set(body["looked_at"]) == {"cars", "pulls"}
    assert of(body, "car", RICH)["measure"] == "torque_at"
    assert any("only cars and single pulls" in caution for caution in body["cautions"])


def test_one_pull_apart_from_its_setups_others_is_named(stoats):
    body = post(
        stoats,
        {**setup(), "pulls": [pull(s) for s in (1, 1.002, 0.999, 1.001, 0.998, 1.06)]},
        vehicle="stoat-1",
    )
    one = of(answer(stoats), "pull", "stoat-1")
    assert one["pull"] == body["setups"][0]["pulls"][-1]["id"]
    assert one["deviation_percent"] == pytest.approx(6, abs=0.3)


def test_a_car_that_gained_unlike_the_others_is_listed_with_the_part(stoats):
    fully_measured(stoats, 10)
    post(stoats, setup(), setup(["wide-pipe"], 0.9), vehicle="stoat-11", day=11)
    one = of(answer(stoats), "gain", "stoat-11")
    assert (one["part"], one["unit"]) == ("wide-pipe", "percent")
    assert one["value"] < 0 < one["expected"]
    assert one["expected"] == pytest.approx(5.0, abs=1.5)


def test_a_step_of_a_bay_that_nobody_recorded_is_listed(stoats):
    """Twelve stoats come twice; between their visits the north bay begins to read 6 % less."""
    for n in range(1, 13):
        post(stoats, setup(), vehicle=f"stoat-{n}", day=n)
        later = f"2026-06-{n:02d}T10:00:00+00:00"
        body = post(stoats, setup(scale=0.94), vehicle=f"stoat-{n}", started_at=later)
        for pulled in body["setups"][0]["pulls"]:
            stoats.post(f"/v1/pulls/{pulled['id']}/confirm", {"reason": "looked at"})
    steps = [one for one in answer(stoats)["items"] if one["kind"] == "bay"]
    assert [(one["bay"], one["vehicle"], one["unit"]) for one in steps] == [("north", None, "percent")]
    assert steps[0]["value"] == pytest.approx(-6, abs=1.5)
    assert "2026-03-12" <= steps[0]["at"][:10] <= "2026-06-01"
    assert "/v1/bays/north/events" in steps[0]["reasons"][0]["message"]


def test_before_there_is_a_model_nothing_is_listed_and_it_says_why(stoats, without_model):
    """A standard that the shop has just changed to has no fit yet."""
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    body = answer(stoats)
    assert body["items"] == []
    assert any("history model is not ready" in caution for caution in body["cautions"])


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("?platform=hern", 404),
        ("?bay=nort", 404),
        ("?since=yesterday", 422),
        ("?since=2026-03-21T10:00", 422),
        ("?measure=x", 422),
    ],
)
def test_what_cannot_be_asked_is_refused(stoats, query, status):
    assert stoats.get(OUTLIERS + query).status_code == status


def test_the_list_as_csv_has_one_row_each(stoats):
    lines = stoats.get(OUTLIERS, Accept="text/csv").text.splitlines()
    assert lines[0].startswith("kind,vehicle,platform,bay,session,setup,pull,part,at,measure,value,")
    assert len(lines) == 1 + len(answer(stoats)["items"])


def test_the_list_is_304_until_something_is_posted(stoats):
    etag = stoats.get(OUTLIERS).headers["ETag"]
    assert stoats.get(OUTLIERS, If_None_Match=etag).status_code == 304
    added(stoats, "/v1/vehicles", {"tag": "heron-fifteen", "platform": "heron", "confirm": True})
    post(stoats, setup(), vehicle="heron-fifteen", day=23)
    assert stoats.get(OUTLIERS, If_None_Match=etag).status_code == 200
