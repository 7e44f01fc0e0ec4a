"""GET /v1/build-estimate at its edges: what several parts cost, how sure all of them are, and what is said beside it."""

import pytest

from service.answers.build_estimate import Bundle
from tests.api.builds import price
from tests.conftest import Client

BUILD = "/v1/build-estimate?platform=stoat&parts="


@pytest.fixture(scope="session")
def stoats_url(built_url: str) -> str:
    """Here `stoats` were measured in every state of pipe and calibration, and the model is fitted."""
    return built_url


def answer(client: Client, parts: str) -> dict:
    response = client.get(BUILD + parts)
    assert response.status_code == 200, response.text
    return response.json


def test_several_parts_are_as_sure_as_the_least_sure_of_them(stoats):
    """Six cars had the calibration, three the mesh pipe."""
    body = answer(stoats, "mesh-pipe,road-map")
    grades = {one["part"]: one["evidence"]["grade"] for one in body["parts"]}
    assert grades == {"mesh-pipe": "thin", "road-map": "fair"}
    assert body["evidence"]["grade"] == answer(stoats, "road-map,mesh-pipe")["evidence"]["grade"] == "thin"


def test_what_parts_do_together_is_known_relative_to_their_gains(stoats):
    """Six cars in every state, each read to half a percent: one in a hundred at most is open."""
    (pair,) = answer(stoats, "wide-pipe,road-map")["together"]
    low, high = pair["interval_percent"]
    assert high - low < 4.0


def test_prices_in_two_currencies_make_no_sum_and_the_oldest_price_dates_it(stoats):
    price(stoats, "road-map", price=600, currency="EUR", price_date="2025-11-01", labour_hours=1.0)
    mixed = answer(stoats, "wide-pipe,road-map")["cost"]
    assert (mixed["price"], mixed["fitted"], mixed["currency"]) == (None, None, None)
    price(stoats, "road-map", currency="GBP")
    cost = answer(stoats, "wide-pipe,road-map")["cost"]
    assert (cost["price"], cost["currency"], cost["price_date"]) == (1080, "GBP", "2025-11-01")
    assert cost["labour_hours"] == 3.5


def test_hours_that_are_known_are_paid_for_and_whose_are_not_recorded_is_named(stoats):
    """2.5 h of the pipe at 72 an hour are in the cost of both as they are in its own."""
    price(stoats, "road-map", price=600, currency="GBP")
    body = answer(stoats, "wide-pipe,road-map")
    assert body["cost"]["labour_hours"] == 2.5
    assert body["cost"]["fitted"] == (480 + 2.5 * 72) + 600
    assert (
        "No fitting time is recorded for Road calibration: that work is not in the cost." in body["cautions"]
    )
    price(stoats, "road-map", labour_hours=1.0)
    body = answer(stoats, "wide-pipe,road-map")
    assert body["cost"]["fitted"] == (480 + 2.5 * 72) + 600 + 72
    assert not any("No fitting time" in one for one in body["cautions"])


def test_nothing_bought_has_no_price_and_no_hours():
    named = Bundle([])
    assert (named.price, named.currency, named.price_date, named.labour_hours) == (None, None, None, None)


def test_with_a_part_that_was_never_measured_there_is_no_number_and_it_is_named(stoats):
    body = {"slug": "odd-part", "name": "Odd part", "slots": ["air-filter"]}
    assert stoats.post("/v1/parts", body).status_code == 201
    found = answer(stoats, "wide-pipe,odd-part")
    assert found["typical_percent"] is None
    assert [one["typical_percent"] is None for one in found["parts"]] == [False, True]
    assert found["cautions"][0] == (
        "Not measured: no car of any kind was measured with Odd part. No number is given."
    )
    assert found["evidence"]["grade"] == "none"


def test_a_part_known_from_other_kinds_of_car_alone_is_said_to_be_borrowed(stoats):
    platform = {"slug": "heron", "name": "Merrow Heron", "aspiration": "natural", "ignition": "spark"}
    assert stoats.post("/v1/platforms", platform).status_code == 201
    found = stoats.get("/v1/build-estimate?platform=heron&parts=wide-pipe").json
    assert found["evidence"]["grade"] == "borrowed"
    assert (
        "Borrowed: Wide down-pipe was judged from other kinds of car than the Merrow Heron."
        in found["cautions"]
    )
    boosted = "the percentage hardly depends on it"
    assert [
        any(boosted in words for words in one["cautions"]) for one in (found, answer(stoats, "wide-pipe"))
    ] == [
        False,
        True,
    ]
