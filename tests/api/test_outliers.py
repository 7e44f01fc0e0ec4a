"""GET /v1/outliers: what lies apart from the rest, and what was recorded that goes the same way."""

import csv
import io
import math
import re

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
    assert (one["platform"], one["bay"], one["unit"]) == ("heron", "north", "kW")
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
    assert body["looked_at"] == {"cars": 14, "gains": 0, "setups": 16, "pulls": 0, "bays": 2}
    assert body["found"] == {"cars": 1, "gains": 0, "setups": 1, "pulls": 0, "bays": 0}


def test_the_first_sentence_says_how_many_of_how_many(stoats):
    body = answer(stoats)
    assert body["said"] == "1 of 14 cars and 1 of 16 setups lie apart from the rest."
    assert body["said_beside"].startswith("Among 2 bays none does. Of those listed about 1 in 20 ")


@pytest.mark.parametrize(
    ("query", "looked_at"),
    [
        ("?platform=heron", {"cars": 14, "setups": 16, "bays": 0}),
        ("?platform=stoat", {"cars": 0, "setups": 0, "bays": 0}),
        ("?bay=north", {"cars": 9, "setups": 11, "bays": 1}),
        ("?bay=hub", {"cars": 0, "setups": 5, "bays": 1}),
        ("?since=2026-03-20", {"cars": 2, "setups": 1, "bays": 1}),
        ("?since=2026-03-22T10:00:00%2B00:00", {"cars": 1, "setups": 1, "bays": 1}),
        ("?since=2026-03-23", {"cars": 0, "setups": 0, "bays": 0}),
    ],
)
def test_what_was_looked_at_is_counted_as_asked(stoats, query, looked_at):
    """Of 14 herons five were in both bays, so nine stand in the north bay alone; setups count where a car has several."""
    body = answer(stoats, query)
    assert {kind: body["looked_at"][kind] for kind in looked_at} == looked_at


def test_that_nothing_is_odd_is_called_normal_and_that_nothing_was_looked_at_is_not(stoats):
    hub, stoat = answer(stoats, "?bay=hub"), answer(stoats, "?platform=stoat")
    assert "That is normal" in hub["said"]
    assert hub["said_beside"] is None
    assert stoat["said"].startswith("Nothing could be looked at here")


def test_a_car_page_says_what_is_odd_and_what_is_ordinary_among_its_kind(stoats):
    """The same verdict as in the list, under the car's own reading."""
    odd = of(answer(stoats), "car", RICH)
    says = stoats.get(f"/v1/vehicles/{RICH}/own-readings").json["says"]["standing"]
    assert f"{abs(odd['deviation_percent']):.1f} % less than other Merrow Heron 3.5 cars" in says
    assert says.endswith("it is listed as odd.")
    ordinary = stoats.get("/v1/vehicles/heron-6/own-readings").json["says"]["standing"]
    assert "too close to call against the average Merrow Heron 3.5 car" in ordinary


def test_since_a_day_to_come_nothing_was_measured(stoats):
    assert answer(stoats, "?since=2099-01-01T00:00:00Z")["said"].startswith("Nothing was measured since then")


def test_each_stands_against_the_range_of_ordinary_ones(stoats):
    """19 of 20 lie within 1.96 spreads: the deviation in logs over the score is one spread."""
    one = of(answer(stoats), "car", RICH)
    spread = abs(math.log1p(one["deviation_percent"] / 100) / one["score"])
    low, high = one["ordinary"]
    assert (low, high) == pytest.approx(
        [one["expected"] * math.exp(side * 1.96 * spread) for side in (-1, 1)], rel=1e-3
    )
    assert one["ordinary_percent"] == pytest.approx(
        [100 * (end / one["expected"] - 1) for end in (low, high)], abs=0.01
    )
    assert one["value"] < low


def test_what_to_look_at_comes_in_order_the_bay_first_where_all_is_low(stoats):
    one = of(answer(stoats), "car", RICH)
    areas = [check["area"] for check in one["checks"]]
    assert areas[:4] == ["the bay", "what was typed", "the weather", "tyres and straps"]
    assert areas[-2:] == ["the engine itself", "brakes and gearbox"]
    recorded = {check["area"]: check["recorded"] for check in one["checks"]}
    assert recorded["fuel and spark"].startswith("lambda was 0.72 where 0.86 is usual")
    assert recorded["tyres and straps"] is None
    assert recorded["the bay"] == one["bay_day"]["said"]


def test_the_bays_day_is_told_by_its_other_cars(stoats):
    """The weak heron came on day 20; the check car on days 18 and 22 stands beside it within two days, heron-12 on the 12th."""
    one = of(answer(stoats), "car", RICH)
    day = one["bay_day"]
    assert (day["day"], day["bay"]) == ("2026-03-20", "north")
    assert RICH not in {car["vehicle"] for car in day["readings"]}
    assert CHECK in {car["vehicle"] for car in day["readings"]}
    assert "other cars measured there within" in day["said"]


def test_the_records_to_open_are_named(stoats):
    car, setup_ = of(answer(stoats), "car", RICH), of(answer(stoats), "pull", CHECK)
    assert stoats.get(car["record"] + "/curve").status_code == 200
    assert (car["stock"], car["beside"]) == (True, None)
    assert setup_["record"] != setup_["beside"]
    assert setup_["beside"].startswith("/v1/sessions/")


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
    said = re.search(r": ([0-9.]+) hp where ([0-9.]+) hp is to be expected", us["said"])
    assert said is not None
    assert [float(one) for one in said.groups()] == pytest.approx([us["value"], us["expected"]], abs=0.051)


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
    assert not any("pairs" in caution for caution in body["cautions"])


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


def test_the_list_as_csv_has_one_row_each_and_what_each_reason_explains_in_a_column(stoats):
    text = stoats.get(OUTLIERS, Accept="text/csv").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert text.startswith("kind,vehicle,platform,bay,session,setup,pull,part,at,measure,value,")
    assert len(rows) == len(answer(stoats)["items"])
    one = next(row for row in rows if row["vehicle"] == RICH)
    by_code = {r["code"]: r["explains_percent"] for r in of(answer(stoats), "car", RICH)["reasons"]}
    assert one["reasons"].split() == list(by_code)
    assert float(one["mixture_percent"]) == by_code["mixture"]
    assert one["factor_percent"] == ""
    assert float(one["ordinary_low"]) < float(one["ordinary_high"])
    assert "{" not in text


def test_the_list_is_304_until_something_is_posted(stoats):
    etag = stoats.get(OUTLIERS).headers["ETag"]
    assert stoats.get(OUTLIERS, If_None_Match=etag).status_code == 304
    added(stoats, "/v1/vehicles", {"tag": "heron-fifteen", "platform": "heron", "confirm": True})
    post(stoats, setup(), vehicle="heron-fifteen", day=23)
    assert stoats.get(OUTLIERS, If_None_Match=etag).status_code == 200
