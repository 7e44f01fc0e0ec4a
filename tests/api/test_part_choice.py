"""GET /v1/platforms/{slug}/part-choice: which part gives most for its money."""

import pytest

from tests.api.bodies import added
from tests.api.builds import price
from tests.api.gains import post
from tests.conftest import Client
from tests.factories import setup

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


def test_what_is_bought_is_told_by_the_very_members_that_the_document_describes(priced):
    """A gain in them is four: the figure and its interval, in the asked unit and in percent."""
    schemas = priced.get("/v1/openapi.json").json["components"]["schemas"]
    body = answer(priced, "wished=5&budget=2000")
    told = {
        "FittingStep": body["best_order"][0],
        "BudgetGives": body["best_within_budget_gives"],
        "Wish": body["cheapest_to_wish"],
    }
    assert {name: set(one) for name, one in told.items()} == {
        name: set(schemas[name]["properties"]) for name in told
    }
    for member in ("gained", "gained_interval", "gained_percent", "gained_interval_percent"):
        assert "null" in schemas["BudgetGives"]["properties"][member]["type"]


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


def test_what_wheels_change_is_said_where_wheels_are_among_the_choice(priced):
    words = "change what the rollers read"
    assert not any(words in caution for caution in answer(priced)["cautions"])
    etag = priced.get("/v1/parts/mesh-pipe").headers["ETag"]
    assert priced.patch("/v1/parts/mesh-pipe", {"slots": ["wheels-tyres"]}, If_Match=etag).status_code == 200
    assert any(words in caution for caution in answer(priced)["cautions"])


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


def test_what_a_budget_does_not_buy_is_not_on_the_frontier_and_has_no_place(priced):
    """For 665 only the wide pipe (660) can be bought: the calibration (672), best of all without a budget, has no place."""
    parts = by_part(answer(priced, "budget=665"))
    assert {part: one["frontier"] for part, one in parts.items()} == {
        "road-map": False, "wide-pipe": True, "mesh-pipe": False,
    }  # fmt: skip
    assert (parts["wide-pipe"]["chance_of_best"], parts["wide-pipe"]["cautious_rank"]) == (
        pytest.approx(1.0, abs=0.01),
        1,
    )
    assert (parts["road-map"]["chance_of_best"], parts["road-map"]["cautious_rank"]) == (None, None)
    assert parts["road-map"]["gain_per_money"] == by_part(answer(priced))["road-map"]["gain_per_money"]


def test_each_step_adds_what_the_part_gives_beside_those_before_it(priced):
    first, second = answer(priced)["best_order"]
    alone = by_part(answer(priced))["road-map"]
    beside = by_part(answer(priced, "fitted=road-map"))["wide-pipe"]
    assert (first["part"], first["name"], first["cost"]) == ("road-map", alone["name"], 672)
    for step, row in ((first, alone), (second, beside)):
        assert step["adds_percent"] == pytest.approx(row["typical_percent"], rel=1e-4)
        assert step["adds_interval_percent"] == pytest.approx(row["typical_interval_percent"], rel=1e-4)


@pytest.mark.parametrize("query", ["", "&baseline=250", "&units=us", "&measure=peak_torque"])
def test_what_the_steps_add_in_the_unit_comes_to_what_they_gained(priced, query):
    first, second = answer(priced, query)["best_order"]
    assert first["gained"] == pytest.approx(first["adds"], rel=1e-4)
    assert second["gained"] - first["gained"] == pytest.approx(second["adds"], rel=1e-3)


def test_what_a_step_adds_is_what_the_same_part_gains_on_a_car_that_has_those_before_it(priced):
    """The pipe beside the calibration: 1.05 times 1.03 on 1.20 times the stock figure, not on the stock figure."""
    step, row = answer(priced)["best_order"][1], by_part(answer(priced, "fitted=road-map"))["wide-pipe"]
    assert step["part"] == row["part"]
    assert step["adds"] == pytest.approx(row["typical"], rel=1e-3)
    assert step["adds_interval"] == pytest.approx(row["typical_interval"], rel=1e-3)
    assert step["adds_percent"] == pytest.approx(row["typical_percent"], rel=1e-3)


def test_a_part_whose_gain_is_not_established_beside_the_steps_before_it_is_no_step(priced):
    """An air box that gives 2 % on its own on six cars, but nothing beside the calibration."""
    added(priced, "/v1/parts", {"slug": "air-box", "name": "Air box", "slots": ["air-filter"]})
    price(priced, "air-box", price=400, currency="GBP", labour_hours=0.5)
    for n in range(7, 13):
        own = 1.003  # else a curve could be one that this car was posted with before
        states = (
            setup(scale=own),
            setup(["air-box"], 1.02 * own),
            setup(["road-map"], 1.20 * own),
            setup(["road-map", "air-box"], 1.20 * own),
        )
        post(priced, *states, vehicle=f"stoat-{n}", day=n + 10)
    beside = by_part(answer(priced, "fitted=road-map"))["air-box"]
    assert by_part(answer(priced))["air-box"]["standing"] == "gains"
    assert beside["typical"] > 0 > beside["typical_interval"][0]
    body = answer(priced)
    assert [step["part"] for step in body["best_order"]] == ["road-map", "wide-pipe"]
    assert body["budget_range"]["most"] == 1340  # of the order: 672 + 660, in steps of 20


def test_several_parts_carry_the_weakest_grade_of_what_they_rest_on(priced):
    """The calibration was measured on six cars; the mesh pipe, cheap now, on three."""
    price(priced, "mesh-pipe", price=10)
    price(priced, "wide-pipe", price=5000)
    body = answer(priced, "budget=1400")
    rows = by_part(body)
    assert {part: rows[part]["evidence"]["grade"] for part in ("road-map", "mesh-pipe")} == {
        "road-map": "fair", "mesh-pipe": "thin",
    }  # fmt: skip
    assert [(step["part"], step["grade"]) for step in body["best_order"]] == [
        ("road-map", "fair"),
        ("mesh-pipe", "thin"),
    ]
    assert body["best_within_budget_gives"]["grade"] == "thin"


def test_what_a_budget_buys_in_one_go_has_its_cost_and_gain(priced):
    build = priced.get("/v1/build-estimate?platform=stoat&parts=road-map,wide-pipe").json
    gives = answer(priced, "budget=1400")["best_within_budget_gives"]
    assert gives["spent"] == build["cost"]["fitted"] == 672 + 660
    assert gives["gained"] == pytest.approx(build["typical"], rel=1e-4)
    assert gives["gained_interval"] == pytest.approx(build["typical_interval"], rel=1e-4)
    assert gives["gained_percent"] == pytest.approx(build["typical_percent"], rel=1e-4)
    assert [answer(priced, query)["best_within_budget_gives"] for query in ("", "budget=10")] == [None, None]
    assert answer(priced, "budget=10")["best_within_budget"] == []


def test_what_was_gained_up_to_a_step_is_what_those_parts_do_together(priced):
    build = priced.get("/v1/build-estimate?platform=stoat&parts=road-map,wide-pipe").json
    last = answer(priced)["best_order"][-1]
    assert last["gained"] == pytest.approx(build["typical"], rel=1e-4)
    assert last["gained_interval"] == pytest.approx(build["typical_interval"], rel=1e-4)
    assert last["spent"] == build["cost"]["fitted"]


def test_the_budgets_offered_run_from_the_cheapest_part_to_all_of_the_order(priced):
    """From 660 to 672 + 660 = 1332 in about sixty steps: 11.2 each, the next round one is 20."""
    assert answer(priced)["budget_range"] == {"least": 660, "most": 1340, "step": 20}
    assert answer(priced, "budget=700")["budget_range"] == answer(priced)["budget_range"]
    assert answer(priced, "slot=down-pipe&budget=1")["budget_range"]["least"] == 660


def test_a_wished_gain_is_answered_by_the_cheapest_parts_that_reach_it_together(priced):
    """Of 150 kW: the pipe gives some 7.5, the calibration some 30, both some 44."""
    small, large = (answer(priced, f"wished={gain}")["cheapest_to_wish"] for gain in (5, 40))
    assert ([step["part"] for step in small["steps"]], small["spent"]) == (["wide-pipe"], 660)
    assert ([step["part"] for step in large["steps"]], large["spent"]) == (
        ["road-map", "wide-pipe"],
        672 + 660,
    )
    assert large["wished"] == pytest.approx(40, rel=1e-4)
    assert large["steps"][-1]["gained"] > 40
    assert small["chance"] > 0.9
    assert large["within_budget"] is None
    assert answer(priced, "wished=40&budget=700")["cheapest_to_wish"]["within_budget"] is False


def test_what_the_parts_typically_give_is_reached_by_every_second_car(priced):
    typical = answer(priced, "wished=40")["cheapest_to_wish"]["steps"][-1]["gained"]
    assert answer(priced, f"wished={0.999 * typical}")["cheapest_to_wish"]["chance"] == pytest.approx(
        0.5, abs=0.1
    )


def test_a_wished_gain_out_of_reach_is_said_with_the_most_there_is(priced):
    found = answer(priced, "wished=300")["cheapest_to_wish"]
    assert (found["steps"], found["spent"], found["chance"]) == ([], None, None)
    last = answer(priced)["best_order"][-1]
    assert found["most"] == pytest.approx(last["gained"], rel=1e-4)
    assert found["most_interval"] == pytest.approx(last["gained_interval"], rel=1e-4)


def test_a_wished_gain_counts_from_what_is_fitted(priced):
    found = answer(priced, "wished=10&fitted=road-map")["cheapest_to_wish"]
    assert [step["part"] for step in found["steps"]] == ["wide-pipe"]
    assert answer(priced, "wished=30&fitted=road-map")["cheapest_to_wish"]["steps"] == []


def test_the_baseline_is_the_car_with_what_is_fitted_on_it(priced):
    stock, tuned = answer(priced), answer(priced, "fitted=road-map")
    gained = by_part(stock)["road-map"]["typical"]
    assert tuned["baseline"] == pytest.approx(stock["baseline"] + gained, rel=1e-4)
    assert (stock["baseline_is"], tuned["baseline_is"]) == (
        "typical stock car of this kind",
        "typical car of this kind with what is fitted",
    )
    pipe = by_part(tuned)["wide-pipe"]
    assert pipe["typical"] == pytest.approx(tuned["baseline"] * pipe["typical_percent"] / 100, rel=1e-3)
    own = answer(priced, "fitted=road-map&baseline=250")
    assert (own["baseline"], own["baseline_is"]) == (250.0, "yours")


def test_where_each_gain_stands_and_how_many_cars_would_make_it_firm(priced):
    parts = by_part(answer(priced))
    assert {one["standing"] for one in parts.values()} == {"gains"}
    for one in parts.values():
        assert one["cars_until_established"] == 0
        assert one["cars_until_half"] is None or one["cars_until_half"] >= 3
    against = by_part(answer(priced, "fitted=wide-pipe"))["mesh-pipe"]
    low, high = against["typical_interval"]
    assert against["standing"] == ("gains" if low > 0 else "loses" if high < 0 else "unclear")
    assert (against["cars_until_established"] == 0) == (against["standing"] != "unclear")


def test_the_best_that_was_measured_on_this_very_kind_is_named(priced):
    other = {"slug": "other", "name": "Other", "aspiration": "turbo", "ignition": "spark"}
    added(priced, "/v1/platforms", other)
    assert [answer(priced, query)["best_measured_here"] for query in ("", "budget=665", "budget=10")] == [
        "road-map",
        "wide-pipe",
        None,
    ]
    borrowed = priced.get("/v1/platforms/other/part-choice")
    assert borrowed.status_code == 200
    assert borrowed.json["best_measured_here"] is None


def test_a_budget_buys_what_costs_exactly_as_much(priced):
    wide = by_part(answer(priced, "budget=660"))["wide-pipe"]
    assert (wide["frontier"], wide["cautious_rank"]) == (True, 1)


def test_what_would_take_the_place_of_a_fitted_part_is_no_step(priced):
    body = answer(priced, "fitted=mesh-pipe")
    assert by_part(body)["wide-pipe"]["standing"] == "gains"
    assert [step["part"] for step in body["best_order"]] == ["road-map"]


def test_what_is_not_known_to_gain_is_no_step_however_cheap(priced):
    added(priced, "/v1/parts", {"slug": "air-box", "name": "Air box", "slots": ["air-filter"]})
    price(priced, "air-box", price=10, currency="GBP", labour_hours=0.1)
    post(priced, setup(), setup(["air-box"], 1.001), vehicle="stoat-10", day=10)
    body = answer(priced)
    assert (by_part(body)["air-box"]["standing"], by_part(body)["air-box"]["frontier"]) == ("unclear", False)
    assert "air-box" not in [step["part"] for step in body["best_order"]]


def test_a_step_and_a_wish_count_what_the_part_does_beside_what_is_fitted(priced):
    """Alone the pipe gives 5 % of some 180 kW, beside the calibration 1.05 times 1.03: some 14 kW."""
    body = answer(priced, "fitted=road-map&wished=12")
    (step,) = body["best_order"]
    assert step["gained"] == pytest.approx(step["adds"], rel=1e-4)
    assert body["cheapest_to_wish"]["chance"] > 0.9


def test_the_budgets_offered_begin_below_the_cheapest_part_in_a_round_step(priced):
    price(priced, "wide-pipe", price=485)
    assert answer(priced)["budget_range"] == {"least": 660, "most": 1340, "step": 20}  # 665 to 665 + 672
    price(priced, "wide-pipe", price=480)
    price(priced, "road-map", price=1128)
    assert answer(priced)["budget_range"]["step"] == 20  # 660 to 660 + 1200: sixty steps of 20 to the penny


def test_a_price_comes_with_its_day(priced):
    price(priced, "wide-pipe", price=500, price_date="2026-03-01")
    assert by_part(answer(priced))["wide-pipe"]["price_date"] == "2026-03-01"
    assert by_part(answer(priced))["mesh-pipe"]["price_date"] is None


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
    assert body["left_out_parts"] == [
        {"part": "air-box", "name": "Air box", "why": "never measured on any kind of car"}
    ]
    assert not any("Air box" in caution for caution in body["cautions"])
    assert any("Air box" in caution for caution in answer(stoats, "fitted=air-box")["cautions"])
    assert any("no cost and no place" in caution for caution in body["cautions"])


def test_a_part_without_a_recorded_fitting_time_stands_with_its_price_alone_and_that_is_said(priced):
    said = (
        "Parts without a recorded fitting time stand with their price alone: that work is not in their cost."
    )
    assert said not in answer(priced)["cautions"]
    price(priced, "road-map", labour_hours=None)
    body = answer(priced)
    assert by_part(body)["road-map"]["fitted"] == 600
    assert said in body["cautions"]


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


def test_at_every_level_a_part_gains_what_the_estimate_of_it_alone_says(priced):
    """What no level changes is worked out once for all parts; the estimate works out each by itself."""
    names = ("typical_percent", "typical_interval_percent", "next_car_interval_percent", "chance_of_gain")
    for level in (0.5, 0.95, 0.8):
        for part, one in by_part(answer(priced, f"level={level}")).items():
            alone = priced.get(f"/v1/build-estimate?platform=stoat&parts={part}&level={level}").json
            assert [one[name] for name in names] == [pytest.approx(alone[name], rel=1e-4) for name in names]


def test_after_a_price_was_changed_the_parts_are_held_against_each_other_anew(priced):
    before = by_part(answer(priced))
    price(priced, "mesh-pipe", price=20, labour_hours=0)
    after = by_part(answer(priced))
    assert before["mesh-pipe"]["cautious_rank"] == 3
    assert after["mesh-pipe"]["cautious_rank"] == 1
    assert after["mesh-pipe"]["chance_of_best"] > before["mesh-pipe"]["chance_of_best"]
    assert after["mesh-pipe"]["typical"] == before["mesh-pipe"]["typical"]
