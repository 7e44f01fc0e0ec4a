"""GET /v1/sessions/{id}/review: what a bay is told right after a post."""

import math
import re

import pytest
from flask import Flask
from scipy.stats import percentileofscore

from service.domain.checks.rules import AREAS, RULES
from service.schemas.review import ReviewAnswer
from service.store.db import Connection
from tests.conftest import Client
from tests.factories import WARM, peak_of_hump, pull, session
from tests.tokens import new_token

HP_KW = 0.745699872  # 550 ft.lbf/s, NIST SP 811 appendix B.8


def posted(client: Client, *setups: dict, **fields: object) -> str:
    """Post a session; the address of its review."""
    answer = client.post("/v1/sessions", session(*setups, **fields))
    assert answer.status_code == 201, answer.json
    return f"/v1/sessions/{answer.json['id']}/review"


def review(client: Client, *setups: dict, **fields: object) -> dict:
    """The review of a session just posted."""
    return read(client, posted(client, *setups, **fields))


def read(client: Client, address: str) -> dict:
    answer = client.get(address)
    assert answer.status_code == 200, answer.json
    return answer.json


def of(*pulls: dict, parts: tuple[str, ...] = (), **fields: object) -> dict:
    """A setup of these pulls."""
    return {"parts": list(parts), "stock_checked": "verified", "pulls": list(pulls), **fields}


def setup(parts: tuple[str, ...] = (), scale: float = 1.0, pulls: int = 3, **fields: object) -> dict:
    """A setup of pulls a thousandth apart about this scale: no two pulls are the same."""
    apart = [0.001 * (i - (pulls - 1) / 2) for i in range(pulls)]
    return of(*[pull(scale + step) for step in apart], parts=parts, **fields)


def stock_cars(client: Client, count: int) -> None:
    """Stock cars 1, 2, 3 ... at 1.01, 1.02, 1.03 ... of the curve, one a day."""
    for n in range(1, count + 1):
        posted(client, setup(scale=1.0 + 0.01 * n), vehicle=f"stoat-{n}", day=n)


@pytest.fixture
def hub(stoats: Client, app: Flask, connection: Connection) -> Client:
    """A client with the token of the other bay."""
    return Client(app.test_client(), new_token(connection, scope="post", bay="hub", name="hub"))


def test_a_good_session_says_that_nothing_needs_repeating(north):
    said = review(north, of(pull(1.0), pull(1.002), pull(0.999)))
    assert said["sentences"] == [
        "139 kW by SAE J1349, three pulls within 0.3 %; nothing needs repeating.",
        "With three pulls a side, a change under 1.5 % (2.1 kW) cannot be told from nothing.",
        "This bay's pulls spread by 0.50 %.",
        "No other stock car of this kind was measured yet: nothing to compare it with.",
    ]
    assert (said["findings"], said["look_first"], said["comparisons"]) == ([], [], [])
    (one,) = said["setups"]
    assert one["repeat"] == []
    assert one["range_percent"] == pytest.approx(100 * math.log(1.002 / 0.999), rel=1e-3)
    assert one["mean"] == pytest.approx(peak_of_hump()[0] * 3.001 / 3, rel=1e-3)


def test_the_document_is_what_its_schema_says(north):
    stock_cars(north, 11)
    said = review(
        north,
        of(pull(), pull(1.001), pull(0.95)),
        setup(("wide-pipe",), 1.05),
        setup(scale=1.004),
        vehicle="stoat-12",
        day=20,
    )
    assert ReviewAnswer().validate(said) == {}
    assert set(said) == set(ReviewAnswer().fields)
    assert {"drift", "repeat", "place"} <= set(said["setups"][0])
    for name in ("setups", "comparisons", "findings"):
        assert said[name], "each kind of member is there to be held against its schema"
        assert set(said[name][0]) == set(ReviewAnswer().fields[name].inner.schema.fields)


def test_every_property_of_the_review_is_described(nobody):
    schemas = nobody.get("/v1/openapi.json").json["components"]["schemas"]
    parts = {name: schema for name, schema in schemas.items() if name.startswith("Review")}
    assert len(parts) == 7
    for name, schema in parts.items():
        assert [
            field for field, inner in schema["properties"].items() if not inner.get("description")
        ] == [], name


# The smallest change


def test_the_smallest_change_by_pulls_alone_is_the_printed_one(stoats, north):
    """0.8 % for three pulls a side at a spread of 0.5 %; common practice, no source (1.96 standard errors)."""
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"setup_spread": 0.0}, If_Match=etag).status_code == 200
    (one,) = review(north, setup())["setups"]
    assert one["bays_spread_percent"] == 0.5
    assert one["smallest_change_percent"] == pytest.approx(0.8, abs=0.005)


@pytest.mark.parametrize("pulls", [1, 3, 4])
def test_the_smallest_change_allows_for_the_setup_as_the_answers_do(north, pulls):
    (one,) = review(north, setup(pulls=pulls))["setups"]
    by_hand = 1.96 * math.sqrt(2 * (0.45**2 + 0.5**2 / pulls))
    assert one["smallest_change_percent"] == pytest.approx(by_hand, rel=1e-3)
    assert one["smallest_change"] == pytest.approx(one["mean"] * by_hand / 100, rel=1e-3)


def test_the_bays_own_spread_is_that_of_what_it_posted_before(north):
    address = posted(north, of(pull(1.0), pull(1.004), pull(0.996)))
    assert read(north, address)["setups"][0]["bays_spread_percent"] == 0.5
    (later,) = review(north, setup(), vehicle="stoat-2", day=2)["setups"]
    # squares of 0, 0.4, -0.4 % added to four of 0.5 %, over 4 + 2 degrees of freedom
    assert later["bays_spread_percent"] == pytest.approx(math.sqrt((4 * 0.5**2 + 2 * 0.4**2) / 6), rel=1e-3)
    assert read(north, address)["setups"][0]["bays_spread_percent"] == 0.5, "nor does it move afterwards"


# What to repeat


def test_the_pull_furthest_from_the_others_is_to_be_repeated(north):
    said = review(north, of(pull(), pull(0.96), pull(1.002)))
    (one,) = said["setups"]
    # 0.96 / sqrt(1.002) = 0.9590; three pulls at 0.5 % keep within 2.35 %
    why = "it reads 4.1 % under the others, so all lie 4.3 % apart; good pulls here keep within 2.4 %"
    assert one["repeat"] == [{"pull": 2, "why": why}]
    assert said["sentences"][0] == f"Repeat pull 2: {why}."
    assert one["range_explained_percent"] == pytest.approx(2.35)


def test_the_numbers_are_those_of_the_post(north):
    settling = pull(0.9, status="settling", reason="warming")
    (one,) = review(north, of(settling, pull(), pull(1.001), pull(0.96)))["setups"]
    assert one["pulls"] == 3, "a settling pull counts nowhere"
    assert [repeat["pull"] for repeat in one["repeat"]] == [4]


def test_a_single_pull_asks_for_one_more(north):
    said = review(north, of(pull()))
    assert said["sentences"][0] == "One more pull shows whether it repeats."
    assert said["setups"][0]["repeat"] == [{"pull": None, "why": "one more pull shows whether it repeats"}]


def test_a_bay_that_asks_more_of_its_pulls_is_told_of_more(stoats, north):
    (before,) = review(north, of(pull(), pull(0.985), pull(1.002)))["setups"]
    etag = stoats.get("/v1/bays/north/settings").headers["ETag"]
    strict = {"checks": {"pulls-disagree": {"times": 0.5}}}
    assert stoats.patch("/v1/bays/north/settings", strict, If_Match=etag).status_code == 200
    (after,) = review(north, of(pull(), pull(0.985), pull(1.002)), vehicle="stoat-2")["setups"]
    assert (before["repeat"], [one["pull"] for one in after["repeat"]]) == ([], [2])
    assert after["range_explained_percent"] == pytest.approx(4.7 / 2 * after["bays_spread_percent"], rel=1e-3)


def test_a_pull_on_another_footing_than_the_others_is_not_held_against_them(north):
    no_air = pull(0.9)
    del no_air["ambient"]
    (one,) = review(north, of(pull(), pull(1.001), no_air))["setups"]
    assert one["pulls"] == 2
    assert one["range_percent"] == pytest.approx(0.1, rel=0.01)


def test_what_drifted_between_the_pulls_is_listed_with_its_window(north):
    hot = {**WARM, "inlet": 31.0}
    said = review(north, of(pull(), pull(1.001, engine={**WARM, "inlet": 29.0}), pull(0.999, engine=hot)))
    drift = {one["what"]: one for one in said["setups"][0]["drift"]}
    assert drift["inlet"] == {
        "what": "inlet", "first": 27.0, "last": 31.0, "range": 4.0, "window": 3.0, "outside": True,
    }  # fmt: skip
    assert not drift["coolant"]["outside"]
    assert "oil" not in drift, "what was not recorded has no drift"
    assert "Inlet air went from 27 to 31 °C between the pulls; 3 °C counts as held." in said["sentences"]


# What the checks said


def test_findings_stand_in_the_order_of_the_areas_and_doubts_say_where_to_look(north):
    thin = pull(basis="observed")
    thin["curve"] = {name: values[:: len(values) // 5] for name, values in thin["curve"].items()}
    hot = pull(1.001, engine={**WARM, "coolant": 115.0})
    said = review(north, of(thin, hot, pull(1.002)))
    areas = [AREAS.index(one["area"]) for one in said["findings"]]
    assert areas == sorted(areas)
    found = {one["code"]: one for one in said["findings"]}
    assert (found["few-samples"]["setup"], found["few-samples"]["pull"]) == (1, 1)
    assert found["engine-hot"]["area"] == "heat"
    assert found["engine-hot"]["consistent_with"] == RULES["engine-hot"].means
    assert said["look_first"][0] == "typing"
    assert "heat" in said["look_first"]
    assert [one["pull"] for one in said["setups"][0]["repeat"]] == [1, 2]


def test_a_confirmed_doubt_is_shown_as_closed_and_said_no_more(north):
    address = posted(north, of(pull(engine={**WARM, "coolant": 115.0}), pull(1.001), pull(0.999)))
    kept = north.get(address.removesuffix("/review")).json
    before = read(north, address)
    assert before["sentences"][0].startswith("Repeat pull 1: coolant starts at 115")
    done = north.post(
        f"/v1/pulls/{kept['setups'][0]['pulls'][0]['id']}/confirm", {"reason": "gauge is wrong"}
    )
    assert done.status_code == 200, done.json
    after = read(north, address)
    assert [(one["code"], one["open"]) for one in before["findings"]] == [("engine-hot", True)]
    assert [(one["code"], one["open"]) for one in after["findings"]] == [("engine-hot", False)]
    assert after["look_first"] == []
    assert not any("coolant starts" in one for one in after["sentences"])


def test_a_struck_pull_counts_no_more_and_what_was_said_of_it_is_closed(north):
    address = posted(north, of(pull(), pull(1.001), pull(0.9, engine={**WARM, "coolant": 115.0})))
    kept = north.get(address.removesuffix("/review")).json
    assert read(north, address)["look_first"] != []
    north.post(f"/v1/pulls/{kept['setups'][0]['pulls'][2]['id']}/strike", {"reason": "hot"})
    after = read(north, address)
    assert after["setups"][0]["pulls"] == 2
    assert after["setups"][0]["repeat"] == []
    assert after["look_first"] == []


def test_a_struck_session_says_so(north):
    address = posted(north, setup())
    north.post(f"{address.removesuffix('/review')}/strike", {"reason": "wrong car"})
    said = read(north, address)
    assert said["struck"] is True
    assert said["sentences"] == ["This session is struck: it counts nowhere."]


def test_a_lean_mixture_at_full_load_says_stop_first(north):
    lean = pull()
    lean["curve"]["lambda"] = [1.0 + 0.01 * math.sin(rpm) for rpm in lean["curve"]["rpm"]]
    said = review(north, of(lean, pull(1.001), pull(0.999)))
    assert said["sentences"][0].startswith("Stop and check: lambda is ")
    assert "qualified person" in said["sentences"][1]
    assert said["setups"][0]["repeat"] == [], "nobody pulls again before somebody has looked"


# How the car sits against its platform


def test_a_stock_car_is_placed_among_the_others_without_itself(north):
    stock_cars(north, 11)
    said = review(north, setup(scale=1.035), vehicle="stoat-12", day=20)
    place = said["setups"][0]["place"]
    others = [1.0 + 0.01 * n for n in range(1, 12)]
    assert (place["cars"], place["above"]) == (11, 3)
    assert place["percentile"] == pytest.approx(percentileofscore(others, 1.035, kind="mean"), rel=1e-4)
    assert place["interval"][0] < place["percentile"] < place["interval"][1]
    assert place["median"] == pytest.approx(peak_of_hump()[0] * 1.06, rel=2e-3)
    assert place["deviation_percent"] == pytest.approx(100 * (1.035 / 1.06 - 1), abs=0.02)
    again = review(north, setup(scale=1.039), vehicle="stoat-12", day=21)
    assert again["setups"][0]["place"]["cars"] == 11, "its own earlier session is no other car"


def test_under_ten_cars_there_is_no_percentile_and_under_eight_no_verdict(north):
    stock_cars(north, 9)
    place = review(north, setup(), vehicle="stoat-12", day=20)["setups"][0]["place"]
    assert (place["cars"], place["percentile"], place["interval"]) == (9, None, None)
    assert place["reading"].startswith("Among 9 other stock cars of this kind: below all of them, 5 % under")
    few = review(north, setup(), vehicle="stoat-1", day=21)["setups"][0]["place"]
    assert few["cars"] == 9  # eight that were there, and stoat-12


def test_with_few_cars_the_place_is_no_verdict(north):
    stock_cars(north, 4)
    said = review(north, setup(), vehicle="stoat-12", day=20)
    assert said["setups"][0]["place"]["reading"].endswith("too few for a verdict")
    assert not any("qualified" in one for one in said["sentences"])


def test_a_modified_car_has_no_place_but_its_distance_from_the_median(north):
    stock_cars(north, 11)
    place = review(north, setup(("wide-pipe",), 1.166), vehicle="stoat-12", day=20)["setups"][0]["place"]
    assert (place["stock"], place["percentile"]) == (False, None)
    assert place["deviation_percent"] == pytest.approx(10.0, abs=0.02)  # 1.166 / 1.06
    assert place["reading"].startswith("Does not count as stock: it reads 10 % over the median")


def test_a_car_not_known_to_be_stock_is_not_placed(north):
    stock_cars(north, 11)
    place = review(north, setup(stock_checked="unknown"), vehicle="stoat-12", day=20)["setups"][0]["place"]
    assert (place["stock"], place["percentile"]) == (False, None)


# What the pairs show


def test_a_repeated_state_gives_the_gain_with_its_own_noise(north):
    said = review(north, setup(), setup(("wide-pipe",), 1.05), setup(scale=1.004))
    (one,) = said["comparisons"]
    by_hand = math.log(1.05) - math.log(1.004) / 2  # the repeated state half-way between its readings
    error = math.sqrt(1.5 * (0.0045**2 + 0.005**2 / 3))  # 1 for the middle state, 1/4 + 1/4 for the other
    assert one["gain_percent"] == pytest.approx(100 * math.expm1(by_hand), abs=0.01)
    assert one["interval_percent"] == pytest.approx(
        [100 * math.expm1(by_hand - 1.96 * error), 100 * math.expm1(by_hand + 1.96 * error)], abs=0.01
    )
    assert one["returned_percent"] == pytest.approx(0.4, abs=0.01)
    assert (one["match"], one["held"], one["established"]) == ("same-session-aba", True, True)
    assert one["gain"] == pytest.approx(said["setups"][0]["mean"] * 0.0479, rel=0.01)
    assert any(one["reading"] in sentence for sentence in said["sentences"])


def test_a_change_within_the_noise_is_not_established(north):
    (one,) = review(north, setup(), setup(("wide-pipe",), 1.005))["comparisons"]
    assert one["established"] is False
    assert one["reading"].startswith("wide-pipe: no change established")


def test_a_part_replaced_by_another_is_compared_once_the_way_it_was_done(north):
    said = review(north, setup(("wide-pipe",)), setup(("mesh-pipe",), 1.03))
    assert [(one["part"], one["against"]) for one in said["comparisons"]] == [("mesh-pipe", "wide-pipe")]


def test_an_earlier_session_stands_in_where_this_one_does_not_answer_the_question(north):
    posted(north, setup(("wide-pipe",), 1.05), vehicle="stoat-1", day=1)
    alone = review(north, setup(), vehicle="stoat-1", day=9)
    assert [one["match"] for one in alone["comparisons"]] == ["other-day"]
    both = review(north, setup(scale=1.004), setup(("wide-pipe",), 1.054), vehicle="stoat-1", day=20)
    assert [one["match"] for one in both["comparisons"]] == ["same-session"]


def test_a_comparison_that_was_not_held_says_what_moved(north):
    hot = of(
        *[pull(scale, engine={**WARM, "inlet": 38.0}) for scale in (1.049, 1.05, 1.051)], parts=("wide-pipe",)
    )
    (one,) = review(north, setup(), hot)["comparisons"]
    assert one["held"] is False
    assert one["differs"] == [{"what": "inlet", "before": 27.0, "after": 38.0, "window": 3.0}]
    assert one["reading"].endswith("not held: inlet air 27 °C before, 38 °C after")


# Units, standards, rights


def test_units_and_standard_are_as_asked(north):
    address = posted(north, setup(), setup(("wide-pipe",), 1.05))
    si, us = read(north, address), read(north, f"{address}?units=us&standard=din-70020")
    factor = north.get(f"{address.removesuffix('/review')}?standard=din-70020").json["setups"][0]["summary"][
        "factor"
    ]
    assert (us["units"], us["standard"], us["setups"][0]["standard"]) == ("us", "din-70020", "din-70020")
    assert us["setups"][0]["mean"] == pytest.approx(si["setups"][0]["mean"] / HP_KW * factor, rel=1e-3)
    assert us["comparisons"][0]["gain_percent"] == pytest.approx(
        si["comparisons"][0]["gain_percent"], rel=1e-3
    )
    inlet = next(one for one in us["setups"][0]["drift"] if one["what"] == "inlet")
    assert (inlet["first"], inlet["window"]) == pytest.approx((80.6, 5.4))  # 27 degC; a difference of 3 degC
    assert " hp" in us["sentences"][0]


def test_the_shops_settings_hold_where_nothing_is_asked(stoats, north):
    address = posted(north, setup())
    etag = stoats.get("/v1/settings").headers["ETag"]
    stoats.patch("/v1/settings", {"units": "ps", "standard": "iso-1585"}, If_Match=etag)
    said = read(north, address)
    assert (said["units"], said["standard"]) == ("ps", "iso-1585")


def test_a_figure_that_cannot_be_brought_to_the_standard_stands_at_its_own(north):
    bare = [pull(scale, basis={"standard": "din-70020", "factor": 1.02}) for scale in (0.999, 1.0, 1.001)]
    for one in bare:
        del one["ambient"]
    (one,) = review(north, of(*bare))["setups"]
    assert one["standard"] == "din-70020"
    assert one["place"] is None
    assert one["range_percent"] == pytest.approx(0.2, rel=1e-2)


def test_a_figure_that_needs_more_of_the_engine_says_in_what_it_stands(stoats, north):
    etag = stoats.get("/v1/platforms/stoat").headers["ETag"]
    answer = stoats.patch("/v1/platforms/stoat", {"ignition": "compression"}, If_Match=etag)
    assert answer.status_code == 200, answer.json
    said = read(north, f"{posted(north, setup())}?standard=un-r85")
    (one,) = said["setups"]
    assert (said["standard"], one["standard"]) == ("un-r85", "sae-j1349")
    assert said["sentences"][0] == (
        "139 kW by SAE J1349: UN Regulation 85 needs the engine's fuel per cycle and boost ratio, not recorded; three pulls "
        "within 0.2 %; nothing needs repeating."
    )


@pytest.mark.parametrize("standard", ["sae-j1349", "sae-j607", "din-70020"])
def test_an_observed_figure_without_its_humidity_is_said_to_be_as_measured(north, standard):
    dry = {"temperature": 25.0, "pressure": 100.0}
    address = posted(north, of(*[pull(scale, ambient=dry) for scale in (0.999, 1.0, 1.001)]))
    said = read(north, f"{address}?standard={standard}")
    assert said["setups"][0]["standard"] is None
    assert any(
        one.startswith("139 kW as measured, not corrected: humidity was not recorded; three pulls")
        for one in said["sentences"]
    )
    assert read(north, f"{address}?standard=none")["sentences"][0].startswith(
        "139 kW as measured, not corrected, three pulls"
    )


def test_the_review_and_the_check_say_the_same_two_figures_of_pulls_that_disagree(north):
    posted(north, of(pull(1.0), pull(1.03), pull(0.97)), vehicle="stoat-2")
    said = review(north, of(pull(), pull(0.96), pull(1.002)), day=2)
    (check,) = [one for one in said["findings"] if one["code"] == "pulls-disagree"]
    apart, explained = re.findall(r"([\d.]+)\s?%", check["message"])[0::2]
    assert f"so all lie {apart} % apart; good pulls here keep within {explained} %" in said["sentences"][0]


def test_the_answer_has_an_etag_that_moves_with_what_it_says(north, stoats):
    address = posted(north, setup(), vehicle="stoat-12")
    etag = north.get(address).headers["ETag"]
    assert north.get(address, If_None_Match=etag).status_code == 304
    assert north.get(f"{address}?units=us").headers["ETag"] != etag
    posted(north, setup(), vehicle="stoat-1", day=2)
    assert north.get(address).headers["ETag"] != etag, "one more stock car stands beside it"


def test_a_bay_reads_the_reviews_of_its_own_sessions_only(north, hub, reader, stoats):
    address = posted(north, setup())
    posted(north, setup(scale=1.004), day=2)  # the car's newest session is readable to every bay
    assert north.get(address).status_code == 200
    assert reader.get(address).status_code == 200
    assert stoats.get(address).status_code == 200
    refused = hub.get(address)
    assert refused.status_code == 404
    assert refused.content_type == "application/problem+json"


def test_without_a_token_there_is_no_review(north, nobody):
    assert nobody.get(posted(north, setup())).status_code == 401


def test_an_unknown_session_is_named(reader, stoats):
    answer = reader.get("/v1/sessions/00000000-0000-4000-8000-000000000000/review")
    assert answer.status_code == 404
    assert "00000000-0000-4000-8000-000000000000" in answer.json["detail"]


@pytest.mark.parametrize("query", ["units=imperial", "standard=sae", "measure=peak_power"])
def test_a_question_that_cannot_be_understood_is_refused_as_a_problem(north, query):
    answer = north.get(f"{posted(north, setup())}?{query}")
    assert answer.status_code == 422
    assert answer.content_type == "application/problem+json"
    assert answer.json["errors"][0]["parameter"] == query.partition("=")[0]
