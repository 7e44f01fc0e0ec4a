"""GET /v1/typical-gain/questions: what customers ask at the counter, answered in sentences from the ledger."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from service.answers import gain_told
from service.answers.gain_words import Teller
from service.stats.history.curves import Stretch
from tests.api.bodies import PART, added
from tests.api.gains import GAIN, answer, measured, post
from tests.conftest import Client
from tests.factories import AIR, WARM, pull, setup

QUESTIONS = GAIN.replace("/v1/typical-gain", "/v1/typical-gain/questions")


def said(client: Client, words: str, more: str = "") -> list[str]:
    """The sentences that answer the one question with these words in it."""
    response = client.get(QUESTIONS + more)
    assert response.status_code == 200, response.text
    found = [item["answer"] for item in response.json["items"] if words in item["question"]]
    assert len(found) == 1, [item["question"] for item in response.json["items"]]
    return found[0]


def told_one_by_one(client: Client, words: str, more: str = "") -> list[str]:
    """The rows under the one question with these words in it."""
    items = client.get(QUESTIONS + more).json["items"]
    (found,) = [item["rows"] for item in items if words in item["question"]]
    return found


def asked(client: Client) -> set[str]:
    return {item["question"] for item in client.get(QUESTIONS).json["items"]}


def test_cars_that_read_lower_are_told_from_those_within_the_noise(stoats):
    measured(stoats, 5, 0.2, -6, -0.2)
    floor = answer(stoats)["noise_floor_percent"]
    assert 0.2 < floor < 5
    first, second = said(stoats, "How many gained nothing")
    assert first == (
        "Of the 4 cars, 2 read lower with it, or the same: 1 clearly, 1 by no more than one test can tell; "
        "1 read higher, but by no more than one test can tell."
    )
    assert f"{floor:.1f} %" in second


def test_one_car_alone_is_not_counted_in_the_plural(stoats):
    measured(stoats, 5)
    assert said(stoats, "How many gained nothing")[0] == "The one car read higher with it."


def test_who_lost_is_named_with_what_is_on_record_about_it(stoats):
    measured(stoats, 5, 4)
    warm = {"coolant": 90.0, "oil": 95.0, "inlet": 30.0}
    hot = setup(["wide-pipe"], 0.93) | {
        "pulls": [pull(0.93, engine=warm | {"coolant": 99.0}) for _ in range(3)]
    }
    cool = setup() | {"pulls": [pull(engine=warm) for _ in range(3)]}
    post(stoats, cool, hot, vehicle="stoat-3", day=3)
    (why,), (row,) = said(stoats, "Who lost", "&units=us"), told_one_by_one(stoats, "Who lost", "&units=us")
    assert row.startswith(
        "March 2026: \u22127.0 %, same strap-down; coolant 194.0, then 210.2 °F"
    )  # 90 and 99 °C
    assert "not why" in why


def test_nobody_is_said_to_have_lost_where_nobody_did(stoats):
    measured(stoats, 5, 4)
    assert not [question for question in asked(stoats) if "Who lost" in question]


def test_the_newest_tests_are_told_one_by_one_the_newest_first(stoats):
    measured(stoats, *range(1, 12))
    rows = told_one_by_one(stoats, "What did the last 10 do")
    assert rows == [f"March 2026: +{n}.0 %" for n in range(11, 1, -1)]


def test_no_cars_tag_is_named_where_a_customer_may_read_along(stoats):
    measured(stoats, 5, 4, -6)
    assert told_one_by_one(stoats, "Who lost")
    assert not re.search(r"stoat-\d", stoats.get(QUESTIONS).text)


def test_a_condition_recorded_on_neither_side_is_said_once_and_has_no_unit():
    told = Teller(None, "si")
    neither = [{"what": what, "before": None, "after": None} for what in ("coolant_c", "inlet_c")]
    one_side = {"what": "oil_c", "before": 90.0, "after": None}
    assert told.differences([*neither, one_side]) == [
        "oil 90.0 °C, then not recorded",
        "not recorded on both sides: coolant, inlet air",
    ]


def test_where_in_the_revs_is_what_the_curve_calls_established(stoats):
    measured(stoats, 5, 5.2, 4.8, 5.1)
    (stretch,) = answer(stoats)["curve"]["established"]
    assert stretch["is"] == "gain"
    gains, losses = said(stoats, "Where in the revs")
    ends = f"{round(stretch['from_rpm'], -1):,} to {round(stretch['to_rpm'], -1):,} rpm"
    assert gains.startswith(f"It gains from {ends}")
    assert losses == "No loss of torque was established at any speed."


def test_where_it_gains_most_is_said_to_be_in_percent(stoats):
    measured(stoats, 5, 5.2, 4.8, 5.1)
    assert re.search(
        r"rpm, in percent most at [\d,]+ rpm \(\+[\d.]+ %\)", said(stoats, "Where in the revs")[0]
    )


def test_what_is_established_over_a_short_stretch_only_is_not_denied(monkeypatch):
    short = (Stretch(1750.0, 1850.0, gains=True),)
    rpm = np.arange(1750.0, 3000.0, 50.0)
    monkeypatch.setattr(gain_told, "drawn", lambda found: (rpm, np.full(rpm.size, 0.01), short))
    facts = SimpleNamespace(found=None, tell=Teller(None, "si"))
    (where,) = gain_told.where_in_the_revs(facts)
    assert where.answer == (
        "A gain was established over less than 150 rpm only.",
        "No loss of torque was established at any speed.",
    )


def test_low_end_torque_is_answered_with_a_one_sided_bound(stoats):
    measured(stoats, -5, -5.2, -4.8, -5.1)
    (told,) = said(stoats, "torque low down")
    found = re.search(
        r"changes by \u2212([\d.]+) % on average; it costs at least ([\d.]+) % \(95 % sure\)", told
    )
    assert found, told
    typical, least = map(float, found.groups())
    low, high = answer(stoats)["typical_interval_percent"]
    assert 0 < least < typical < -low
    assert least == pytest.approx(
        -high, abs=1.0
    )  # the same fall at every speed, so about the peak's own bound


def test_another_level_moves_the_one_sided_bound(stoats):
    measured(stoats, 5, 5.2, 4.8, 5.1)
    wide = said(stoats, "torque low down", "&level=0.99")[0]
    assert "(99.5 % sure)" in wide  # one side of 99 % two-sided: (1 + 0.99) / 2
    narrow = said(stoats, "torque low down", "&level=0.5")[0]
    bound = r"adds at least ([\d.]+) %"
    assert float(re.search(bound, narrow)[1]) > float(re.search(bound, wide)[1])


def test_the_tenth_pull_is_not_answered_from_three(stoats):
    measured(stoats, 5, 4)
    told = said(stoats, "tenth pull")
    assert "longest series with it here is 3 pulls: a tenth pull cannot be answered" in told[-1]


def test_ten_pulls_in_a_row_are_answered(stoats):
    fading = [pull(1.05 * 0.998**n) for n in range(10)]
    post(stoats, setup(), setup(["wide-pipe"]) | {"pulls": fading}, vehicle="stoat-1")
    told = said(stoats, "tenth pull")
    # each pull 0.2 % below the one before it: the logs fall on a straight line, ln 0.998 = -0.2002 %
    assert any("changed by \u22120.20 % on average" in line for line in told)
    assert not any("cannot be answered" in line for line in told)


def test_ten_records_of_peaks_alone_are_no_series_of_pulls(stoats):
    def slips(count: int, power: float) -> list[dict]:
        best = {"ambient": AIR, "engine": WARM, "basis": "observed", "best_of": 3}
        return [best | {"peaks": {"power": power + n / 100}} for n in range(count)]

    post(stoats, setup() | {"pulls": slips(3, 130.0)}, setup(["wide-pipe"]) | {"pulls": slips(10, 137.0)})
    assert answer(stoats)["evidence"]["cars"] == 1
    assert not any("tenth pull" in question for question in asked(stoats))


def test_what_no_pull_shows_is_refused_and_says_why(stoats):
    measured(stoats, 5)
    assert "does not say" in said(stoats, "clutch")[0]


def test_an_unknown_approval_sends_to_the_authority(stoats):
    measured(stoats, 5)
    assert said(stoats, "lawful")[0].startswith("Unknown: no approval document is on record")


def test_a_recorded_approval_is_quoted_and_not_judged(stoats):
    measured(stoats, 5)
    etag = stoats.get("/v1/parts/wide-pipe").headers["ETag"]
    body = {"approval": {"document": "certificate 12", "place": "Northland"}}
    assert stoats.patch("/v1/parts/wide-pipe", body, If_Match=etag).status_code == 200
    (told,) = said(stoats, "lawful")
    assert told.startswith("On record: certificate 12; place: Northland. ")
    assert "local law and inspection decide" in told


def test_a_version_of_the_part_leads_to_the_question_against_it(stoats):
    measured(stoats, 5)
    slots = stoats.get("/v1/parts/wide-pipe").json["slots"]
    added(stoats, "/v1/parts", PART | {"slug": "wide-pipe-ported", "name": "wide pipe, ported", "slots": slots, "variant_of": "wide-pipe", "price": 100.0, "currency": "GBP"})  # fmt: skip
    items = stoats.get(QUESTIONS).json["items"]
    (item,) = [item for item in items if "reworked" in item["question"]]
    assert item["see"] == [
        {"part": "wide-pipe", "against": "wide-pipe-ported", "words": "against wide pipe, ported"}
    ]
    assert "None was measured in its place" in item["answer"][0]
    assert "100 GBP" in item["answer"][1]


def test_two_versions_of_one_part_lead_to_each_other(stoats):
    slots = stoats.get("/v1/parts/wide-pipe").json["slots"]
    for work in ("ported", "coated"):
        version = {"slug": f"wide-pipe-{work}", "name": f"wide pipe, {work}", "slots": slots}
        added(stoats, "/v1/parts", PART | version | {"variant_of": "wide-pipe"})
    items = stoats.get(QUESTIONS.replace("wide-pipe", "wide-pipe-ported")).json["items"]
    (item,) = [item for item in items if "reworked" in item["question"]]
    assert {one["against"] for one in item["see"]} == {"wide-pipe", "wide-pipe-coated"}


def test_a_car_a_little_lower_than_before_is_within_the_noise_and_did_not_lose(stoats):
    measured(stoats, 5, -0.2, -6)
    assert 0.2 < answer(stoats)["noise_floor_percent"] < 5
    assert len(told_one_by_one(stoats, "Who lost")) == 1


def test_a_gain_that_is_not_established_is_not_called_larger_than_the_noise(stoats):
    measured(stoats, -2, 2, 18, 3)
    body = answer(stoats)
    low, high = body["typical_interval_percent"]
    assert low < 0 < high
    assert body["typical_percent"] > body["noise_floor_percent"]
    assert said(stoats, "larger than the dyno's noise")[0].startswith("Not established")


def test_without_a_car_of_its_own_noise_is_not_asked_about(stoats):
    post(stoats, setup(), setup(["wide-pipe", "road-map"], 1.2), vehicle="stoat-1")
    body = answer(stoats)
    assert body["typical_percent"] is not None
    assert body["evidence"]["cars"] == 0
    assert "Is it larger than the dyno's noise?" not in asked(stoats)


def test_one_more_car_changes_where_it_may_lose_and_gains_where_it_may_not(stoats):
    measured(stoats, 8, -6, 1)
    low, high = answer(stoats)["next_car_interval"]
    assert low < 0 < high
    assert "is expected to change by between" in said(stoats, "on my car")[0]


def test_the_typical_gain_need_only_be_larger_than_what_one_test_can_tell(stoats):
    measured(stoats, 2.2, 2.2, 2.2)
    floor = answer(stoats)["noise_floor_percent"]
    assert floor < 2.2 < 2 * floor
    assert said(stoats, "larger than the dyno's noise")[0].startswith("Yes")


def test_cars_with_something_else_fitted_are_told_from_those_otherwise_stock(stoats):
    measured(stoats, 5, 4)
    post(stoats, setup(["road-map"], 1.2), setup(["road-map", "wide-pipe"], 1.32), vehicle="stoat-3", day=3)
    assert said(stoats, "everything else left stock")[:2] == [
        "Of 3 cars counted, 2 had nothing else fitted.",
        "There it gave +4.5 % on average, from +4.0 to +5.0 %.",
    ]


def test_a_calibration_measured_by_itself_on_this_kind_of_car_is_led_to(stoats):
    measured(stoats, 5, 4)
    needed = "Do I need a calibration"
    assert "No calibration was measured by itself on this kind of car" in said(stoats, needed)[0]
    other = {"slug": "other", "name": "Other", "aspiration": "turbo", "ignition": "spark"}
    added(stoats, "/v1/platforms", other)
    for tag, platform in (("stoat-3", "stoat"), ("other-1", "other"), ("other-2", "other")):
        if platform == "other":
            added(stoats, "/v1/vehicles", {"tag": tag, "platform": platform, "confirm": True})
        post(stoats, setup(), setup(["road-map"], 1.2), vehicle=tag, day=4)
    (item,) = [one for one in stoats.get(QUESTIONS).json["items"] if needed in one["question"]]
    assert item["see"] == [
        {"part": "road-map", "against": "without", "words": "Road calibration by itself: 1 car"}
    ]
    assert "No calibration" not in item["answer"][0]


def test_only_a_part_of_the_same_place_for_less_in_the_same_money_is_a_cheaper_one(stoats):
    measured(stoats, 5)  # the wide pipe costs 480 GBP
    for price, currency, is_cheaper in (
        (300, "GBP", True),
        (480, "GBP", False),
        (600, "GBP", False),
        (300, "EUR", False),
    ):
        etag = stoats.get("/v1/parts/mesh-pipe").headers["ETag"]
        body = {"price": price, "currency": currency}
        assert stoats.patch("/v1/parts/mesh-pipe", body, If_Match=etag).status_code == 200
        assert any("cheaper" in question for question in asked(stoats)) == is_cheaper, (price, currency)


def test_how_many_cars_were_held_alike_is_counted(stoats):
    measured(stoats, 5, 4)
    hot = setup(["wide-pipe"]) | {
        "pulls": [pull(1.05, engine={"coolant": 99.0, "inlet": 27.0}) for _ in range(3)]
    }
    post(stoats, setup(), hot, vehicle="stoat-3", day=3)
    first, second = said(stoats, "anything else changed")
    assert "in 2 of 3 cars the conditions are known to have been held as well" in first
    assert second == "Not held in the others: coolant; each is named in the list of pairs."


def test_conditions_nobody_recorded_are_not_said_to_have_moved(stoats):
    for n in (1, 2, 3):
        bare = [
            setup() | {"pulls": [pull(1.0, engine={})]},
            setup(["wide-pipe"]) | {"pulls": [pull(1.05, engine={})]},
        ]
        post(stoats, *bare, vehicle=f"stoat-{n}", day=n)
    first, second = said(stoats, "anything else changed")
    assert "in none of 3 cars the conditions are known to have been held" in first
    assert second == "Not recorded on both sides: coolant, inlet air."


def test_inlet_air_rises_by_the_accepted_pulls_with_and_without(stoats):
    """5 K without, 10 K with: 9 and 18 degrees Fahrenheit (a kelvin is 9/5 of one). A rejected pull rose by 40 K."""

    def rising(scale: float, degrees: float, **fields: object) -> dict:
        return pull(scale, engine={"coolant": 88.0, "inlet": 27.0, "inlet_end": 27.0 + degrees}, **fields)

    spoilt = rising(1.0, 40.0, status="rejected", reason="fan was off")
    without = setup() | {"pulls": [*(rising(1.0, 5.0) for _ in range(3)), spoilt]}
    with_it = setup(["wide-pipe"]) | {"pulls": [rising(1.05, 10.0) for _ in range(3)]}
    post(stoats, without, with_it, vehicle="stoat-1")
    assert "Inlet air rose by 10.0 °C in a pull with it, by 5.0 °C without." in said(
        stoats, "keep its gain hot"
    )
    assert "Inlet air rose by 18.0 °F in a pull with it, by 9.0 °F without." in said(
        stoats, "keep its gain hot", "&units=us"
    )


def test_inlet_air_of_a_struck_pull_is_no_rise(stoats):
    def rising(scale: float, degrees: float) -> dict:
        return pull(scale, engine={"coolant": 88.0, "inlet": 27.0, "inlet_end": 27.0 + degrees})

    without = setup() | {"pulls": [rising(1.0, degrees) for degrees in (5.0, 5.0, 5.0, 40.0)]}
    kept = post(stoats, without, setup(["wide-pipe"]) | {"pulls": [rising(1.05, 10.0) for _ in range(3)]})
    hottest = kept["setups"][0]["pulls"][3]["id"]
    assert stoats.post(f"/v1/pulls/{hottest}/strike", {"reason": "fan was off"}).status_code == 200
    assert any("by 5.0 °C without" in line for line in said(stoats, "keep its gain hot"))


def test_a_comparison_in_doubt_does_not_make_a_rival_measured_in_each_others_place(stoats):
    measured(stoats, 5)
    etag = stoats.get("/v1/parts/mesh-pipe").headers["ETag"]
    cheap = {"price": 300, "currency": "GBP"}
    assert stoats.patch("/v1/parts/mesh-pipe", cheap, If_Match=etag).status_code == 200
    disagreeing = setup(["mesh-pipe"]) | {"pulls": [pull(1.03), pull(1.03), pull(1.08)]}
    kept = post(stoats, setup(["wide-pipe"], 1.05), disagreeing, vehicle="stoat-2", day=2)
    assert [one["usable"] for one in kept["pairs"]] == [False, False]
    assert "None was measured in its place" in said(stoats, "cheaper")[0]


def test_what_was_merged_into_a_part_is_no_cheaper_one(stoats):
    measured(stoats, 5)
    etag = stoats.get("/v1/parts/mesh-pipe").headers["ETag"]
    cheap = {"price": 300, "currency": "GBP"}
    assert stoats.patch("/v1/parts/mesh-pipe", cheap, If_Match=etag).status_code == 200
    assert any("cheaper" in question for question in asked(stoats))
    same = {"into": "wide-pipe", "reason": "the same pipe, typed twice"}
    assert stoats.post("/v1/parts/mesh-pipe/merge", same).status_code == 200
    assert not any("cheaper" in question for question in asked(stoats))


def test_figures_are_in_the_asked_units(stoats):
    measured(stoats, 5, 4, 6)
    low, high = answer(stoats, "&units=us")["next_car_interval"]
    told = said(stoats, "on my car", "&units=us")[0]
    first, second = map(float, re.search(r"between ([\d.]+) and ([\d.]+) hp", told).groups())
    assert (first, second) == (pytest.approx(low, abs=0.5), pytest.approx(high, abs=0.5))


def test_a_part_never_measured_is_still_told_what_can_be(stoats):
    told = asked(stoats)
    assert any("lawful" in question for question in told)
    assert not any("gained nothing" in question for question in told)


def test_questions_are_refused_like_the_gain_itself(stoats):
    assert stoats.get(QUESTIONS.replace("wide-pipe", "no-such")).status_code == 404
    assert stoats.get(QUESTIONS + "&measure=power_at").status_code == 422


def test_a_changed_price_of_a_rival_is_said_at_once(stoats):
    measured(stoats, 5)
    before = stoats.get(QUESTIONS).headers["ETag"]
    added(stoats, "/v1/parts", PART | {"slug": "any-other", "name": "any other", "slots": stoats.get("/v1/parts/wide-pipe").json["slots"]})  # fmt: skip
    assert stoats.get(QUESTIONS).headers["ETag"] != before


def test_before_there_is_a_model_the_pairs_say_where_in_the_revs(stoats, without_model):
    measured(stoats, 5, 5.2, 4.8, 5.1)
    body = answer(stoats)
    assert body["method"] == "pairs-only"
    (stretch,) = body["curve"]["established"]
    assert stretch["is"] == "gain"
    gains = said(stoats, "Where in the revs")[0]
    assert gains.startswith(f"It gains from {round(stretch['from_rpm'], -1):,} to ")
    assert not [question for question in asked(stoats) if "low down" in question]
