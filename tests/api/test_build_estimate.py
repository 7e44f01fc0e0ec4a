"""GET /v1/build-estimate: what parts do together, and what each contributes."""

import math

import pytest

from tests.api.builds import BOTH, MAP, PIPE, price
from tests.api.gains import POWER, post
from tests.conftest import Client
from tests.factories import setup

BUILD = "/v1/build-estimate?platform=stoat&parts="
HORSEPOWER = 0.7456998715822702  # kW of 550 ft.lbf/s, NIST SP 811 App. B.8


@pytest.fixture(scope="session")
def stoats_url(built_url: str) -> str:
    """Here `stoats` were measured in every state of pipe and calibration, and the model is fitted."""
    return built_url


def answer(client: Client, parts: str = "wide-pipe,road-map", more: str = "") -> dict:
    """The estimate of these parts."""
    response = client.get(BUILD + parts + more)
    assert response.status_code == 200, response.text
    return response.json


def test_parts_together_are_more_than_their_product_where_the_cars_say_so(stoats):
    body = answer(stoats)
    assert body["typical_percent"] == pytest.approx(100 * (BOTH - 1), abs=1.5)
    assert body["alone_percent"] == pytest.approx(100 * (PIPE * MAP - 1), abs=1.5)
    assert body["typical_percent"] > body["alone_percent"] + 1.0
    (pair,) = body["together"]
    assert (pair["parts"], pair["cars"]) == (["wide-pipe", "road-map"], 6)
    assert pair["interval_percent"][0] < 3.0 < pair["interval_percent"][1]


def test_what_the_parts_contribute_multiplies_to_the_whole(stoats):
    body = answer(stoats)
    logs = [math.log1p(one["contributes_percent"] / 100) for one in body["parts"]]
    assert sum(logs) == pytest.approx(math.log1p(body["typical_percent"] / 100), rel=1e-3)
    pipe, road_map = body["parts"]
    assert pipe["typical_percent"] == pytest.approx(5.0, abs=0.7)
    assert road_map["typical_percent"] == pytest.approx(20.0, abs=1.0)
    assert pipe["evidence"] == {
        **pipe["evidence"],
        "grade": "fair",
        "cars": 6,
        "cars_with": 6,
        "cars_elsewhere": 0,
    }


def test_how_many_cars_had_all_parts_at_once_is_counted(stoats):
    assert answer(stoats)["evidence"]["cars_with_all"] == 6
    assert answer(stoats, "mesh-pipe,road-map")["evidence"]["cars_with_all"] == 0
    assert answer(stoats, "mesh-pipe")["evidence"]["cars_with_all"] == 3


def test_the_figure_after_is_the_baseline_with_the_gain(stoats):
    body, own = answer(stoats), answer(stoats, more="&baseline=200")
    assert (body["baseline"], body["baseline_is"]) == (
        pytest.approx(POWER, rel=1e-3),
        "typical stock car of this kind",
    )
    assert (own["baseline"], own["baseline_is"]) == (200.0, "yours")
    for one in (body, own):
        assert one["expected"]["typical"] == pytest.approx(one["baseline"] + one["typical"], rel=1e-4)
        assert one["expected"]["interval"][0] == pytest.approx(
            one["baseline"] + one["typical_interval"][0], rel=1e-4
        )
    assert own["typical_percent"] == body["typical_percent"]
    us = answer(stoats, more="&units=us")
    assert us["expected"]["typical"] * HORSEPOWER == pytest.approx(body["expected"]["typical"], rel=1e-4)


def test_one_part_is_its_typical_gain(stoats):
    gain = stoats.get("/v1/typical-gain?part=wide-pipe&platform=stoat&curve=false").json
    body = answer(stoats, "wide-pipe")
    for name in (
        "typical_percent",
        "typical_interval_percent",
        "next_car_interval_percent",
        "chance_of_gain",
    ):
        assert body[name] == pytest.approx(gain[name], rel=1e-3), name
    assert body["together"] == []


def test_the_cost_is_that_of_all_parts_and_null_where_one_is_not_known(stoats):
    assert answer(stoats)["cost"]["fitted"] is None
    price(stoats, "road-map", price=600, currency="GBP", labour_hours=1.0)
    body = answer(stoats)
    assert body["cost"]["fitted"] == 480 + 2.5 * 72 + 600 + 72
    assert body["cost"]["per_unit"] == pytest.approx(body["cost"]["fitted"] / body["typical"], rel=1e-3)


def test_before_there_is_a_model_there_is_no_number_and_it_says_why(stoats, without_model):
    """A standard that the shop has just changed to has no fit yet."""
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"standard": "sae-j607"}, If_Match=etag).status_code == 200
    body = answer(stoats)
    assert body["typical_percent"] is None
    assert "history model is not ready" in body["cautions"][0]


def test_another_measure_is_estimated_alike(stoats):
    body = answer(stoats, more="&measure=torque_at&rpm=4200")
    assert body["question"]["rpm"] == 4200
    assert body["baseline"] == pytest.approx(260, rel=1e-3)
    assert body["typical_percent"] == pytest.approx(100 * (BOTH - 1), abs=1.5)


@pytest.mark.parametrize(
    ("query", "status", "named"),
    [
        ("platform=stot&parts=wide-pipe", 404, "no platform 'stot'"),
        ("platform=stoat&parts=wide-pipe,road-mop", 404, "no part 'road-mop'"),
        ("platform=stoat&parts=wide-pipe,mesh-pipe", 422, "both fill the slot down-pipe"),
    ],
)
def test_what_cannot_be_asked_is_said_with_the_way_out(stoats, query, status, named):
    response = stoats.get(f"/v1/build-estimate?{query}")
    assert (response.status_code, named in response.json["detail"]) == (status, True)


@pytest.mark.parametrize("parts", ["", "wide-pipe,wide-pipe", "Wide-Pipe", ",".join(["a"] * 13)])
def test_a_list_of_parts_that_is_none_is_422(stoats, parts):
    response = stoats.get(BUILD + parts)
    assert response.status_code == 422
    assert response.json["errors"][0]["parameter"] == "parts"


def test_the_parts_come_as_csv_too(stoats):
    lines = stoats.get(BUILD + "wide-pipe,road-map", Accept="text/csv").text.splitlines()
    assert lines[0].startswith("part,name,slots,typical_percent,")
    assert [line.split(",")[0] for line in lines[1:]] == ["wide-pipe", "road-map"]


def test_an_estimate_the_client_has_is_304_until_a_car_or_a_price_changes(stoats):
    path = BUILD + "wide-pipe,road-map"
    etag = stoats.get(path).headers["ETag"]
    assert stoats.get(path, If_None_Match=etag).status_code == 304
    price(stoats, "road-map", price=600, currency="GBP")
    moved = stoats.get(path, If_None_Match=etag)
    assert moved.status_code == 200
    post(stoats, setup(), vehicle="stoat-10", day=10)
    assert stoats.get(path, If_None_Match=moved.headers["ETag"]).status_code == 200
