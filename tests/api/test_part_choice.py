"""GET /v1/platforms/{slug}/part-choice: which part gives most for its money."""

import pytest

from tests.api.bodies import added
from tests.api.builds import price
from tests.conftest import Client

CHOICE = "/v1/platforms/stoat/part-choice?"


@pytest.fixture(scope="session")
def stoats_url(built_url: str) -> str:
    """Here six `stoats` were measured in every state of pipe and calibration, three with the mesh pipe."""
    return built_url


@pytest.fixture
def priced(stoats: Client) -> Client:
    """All three parts priced. Fitted at 72 an hour: wide pipe 480 + 2.5 h = 660, mesh pipe 900 + 2.5 h = 1080,
    calibration 600 + 1 h = 672."""
    price(stoats, "mesh-pipe", price=900, currency="GBP", labour_hours=2.5)
    price(stoats, "road-map", price=600, currency="GBP", labour_hours=1.0)
    return stoats


def answer(client: Client, query: str = "") -> dict:
    """The choice, with what is asked beside it."""
    response = client.get(CHOICE + query)
    assert response.status_code == 200, response.text
    return response.json


def by_part(body: dict) -> dict[str, dict]:
    """The parts of a choice by slug."""
    return {one["part"]: one for one in body["parts"]}


def test_parts_come_with_gain_intervals_cost_and_gain_for_the_money_best_first(priced):
    body = answer(priced)
    assert [one["part"] for one in body["parts"]] == ["road-map", "wide-pipe", "mesh-pipe"]
    assert [one["fitted"] for one in body["parts"]] == [672, 660, 1080]
    for one in body["parts"]:
        assert one["gain_per_money"] == pytest.approx(one["typical"] / one["fitted"], rel=1e-3)
        assert one["cost_per_unit"] == pytest.approx(one["fitted"] / one["typical"], rel=1e-3)
        low, high = one["typical_interval"]
        assert one["gain_per_money_interval"] == pytest.approx(
            [low / one["fitted"], high / one["fitted"]], rel=1e-3
        )
        assert one["next_car_interval"][0] < low < one["typical"] < high < one["next_car_interval"][1]
    assert (body["currency"], body["labour_rate"]) == ("GBP", 72.0)


def test_the_frontier_are_the_parts_that_none_beats_in_both_gain_and_cost(priced):
    """The calibration gives most; the wide pipe less, but for less; the mesh pipe less than the wide one, for more."""
    frontier = {part: one["frontier"] for part, one in by_part(answer(priced)).items()}
    assert frontier == {"road-map": True, "wide-pipe": True, "mesh-pipe": False}


def test_how_sure_it_is_which_is_best_is_said(priced):
    parts = by_part(answer(priced))
    assert sum(one["chance_of_best"] for one in parts.values()) == pytest.approx(1.0, abs=1e-6)
    assert parts["road-map"]["chance_of_best"] > 0.95
    assert [parts[part]["cautious_rank"] for part in ("road-map", "wide-pipe", "mesh-pipe")] == [1, 2, 3]


def test_a_slot_narrows_the_choice(priced):
    assert set(by_part(answer(priced, "slot=down-pipe"))) == {"wide-pipe", "mesh-pipe"}
    response = priced.get(CHOICE + "slot=down-pip")
    assert (response.status_code, "down-pipe" in response.json["detail"]) == (404, True)


def test_the_order_of_fitting_and_the_best_build_stay_within_the_budget(priced):
    rich, poor = answer(priced, "budget=1400"), answer(priced, "budget=700")
    assert [step["part"] for step in rich["best_order"]] == ["road-map", "wide-pipe"]
    assert [step["spent"] for step in rich["best_order"]] == [672, 672 + 660]
    assert rich["best_order"][1]["gained"] > rich["best_order"][0]["gained"]
    assert set(rich["best_within_budget"]) == {"road-map", "wide-pipe"}
    assert [step["part"] for step in poor["best_order"]] == poor["best_within_budget"] == ["road-map"]
    assert {part: one["within_budget"] for part, one in by_part(poor).items()} == {
        "road-map": True, "wide-pipe": True, "mesh-pipe": False,
    }  # fmt: skip
    assert answer(priced)["best_within_budget"] is None


def test_what_is_fitted_is_no_choice_and_what_it_would_replace_is_held_against_it(priced):
    parts = by_part(answer(priced, "fitted=wide-pipe"))
    assert set(parts) == {"road-map", "mesh-pipe"}
    assert (parts["mesh-pipe"]["against"], parts["road-map"]["against"]) == ("wide-pipe", "without")
    assert parts["mesh-pipe"]["typical_percent"] < 0
    assert parts["mesh-pipe"]["gain_per_money"] is None
    plain = by_part(answer(priced))["road-map"]["typical_percent"]
    assert parts["road-map"]["typical_percent"] > plain + 0.5  # together they give 3 % more


def test_an_asked_labour_rate_takes_the_place_of_the_shops(priced):
    body = answer(priced, "labour_rate=100")
    assert body["labour_rate"] == 100.0
    assert by_part(body)["wide-pipe"]["fitted"] == 480 + 2.5 * 100


def test_a_part_without_a_price_is_listed_last_without_a_place_and_one_never_measured_not_at_all(stoats):
    added(stoats, "/v1/parts", {"slug": "air-box", "name": "Air box", "slots": ["air-filter"]})
    body = answer(stoats)
    assert [one["part"] for one in body["parts"]] == ["wide-pipe", "road-map", "mesh-pipe"]
    unpriced = by_part(body)["road-map"]
    assert (unpriced["fitted"], unpriced["gain_per_money"], unpriced["chance_of_best"]) == (None, None, None)
    assert unpriced["typical_percent"] > 15
    assert body["left_out"] == {"never measured on any kind of car": 1}
    assert any("no cost and no place" in caution for caution in body["cautions"])


def test_a_price_in_other_money_is_no_cost_here(priced):
    price(priced, "mesh-pipe", currency="EUR")
    body = answer(priced)
    assert by_part(body)["mesh-pipe"]["fitted"] is None
    assert body["left_out"] == {"priced in another currency than the shop's, so without a cost": 1}


def test_an_unknown_platform_or_part_is_404_with_the_nearest(stoats):
    for path, near in (
        ("/v1/platforms/stot/part-choice", "stoat"),
        (CHOICE + "fitted=wide-pip", "wide-pipe"),
    ):
        response = stoats.get(path)
        assert (response.status_code, near in response.json["detail"]) == (404, True)


def test_the_choice_as_csv_has_one_row_a_part(priced):
    lines = priced.get(CHOICE, Accept="text/csv").text.splitlines()
    assert lines[0].startswith("part,name,slots,against,typical,")
    assert [line.split(",")[0] for line in lines[1:]] == ["road-map", "wide-pipe", "mesh-pipe"]


def test_a_choice_the_client_has_is_304_until_a_price_changes(priced):
    etag = priced.get(CHOICE).headers["ETag"]
    assert priced.get(CHOICE, If_None_Match=etag).status_code == 304
    price(priced, "wide-pipe", price=500)
    assert priced.get(CHOICE, If_None_Match=etag).status_code == 200
