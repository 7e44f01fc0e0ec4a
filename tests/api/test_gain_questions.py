"""GET /v1/typical-gain/questions: what customers ask at the counter, answered in sentences from the ledger."""

import re

import pytest

from tests.api.bodies import PART, added
from tests.api.gains import GAIN, answer, measured, post
from tests.conftest import Client
from tests.factories import pull, setup

QUESTIONS = GAIN.replace("/v1/typical-gain", "/v1/typical-gain/questions")


def said(client: Client, words: str, more: str = "") -> list[str]:
    """The sentences that answer the one question with these words in it."""
    response = client.get(QUESTIONS + more)
    assert response.status_code == 200, response.text
    found = [item["answer"] for item in response.json["items"] if words in item["question"]]
    assert len(found) == 1, [item["question"] for item in response.json["items"]]
    return found[0]


def asked(client: Client) -> set[str]:
    return {item["question"] for item in client.get(QUESTIONS).json["items"]}


def test_cars_that_read_lower_are_told_from_those_within_the_noise(stoats):
    measured(stoats, 5, 0.2, -6)
    floor = answer(stoats)["noise_floor_percent"]
    assert 0.2 < floor < 5
    first, second = said(stoats, "How many gained nothing")
    assert first == "Of the 3 cars, 1 read lower with it; 1 is within what one test can tell."
    assert f"{floor:.1f} %" in second


def test_one_car_alone_is_not_counted_in_the_plural(stoats):
    measured(stoats, 5)
    assert said(stoats, "How many gained nothing")[0] == "The one car did not read lower with it."


def test_who_lost_is_named_with_what_is_on_record_about_it(stoats):
    measured(stoats, 5, 4)
    warm = {"coolant": 90.0, "oil": 95.0, "inlet": 30.0}
    hot = setup(["wide-pipe"], 0.93) | {
        "pulls": [pull(0.93, engine=warm | {"coolant": 99.0}) for _ in range(3)]
    }
    cool = setup() | {"pulls": [pull(engine=warm) for _ in range(3)]}
    post(stoats, cool, hot, vehicle="stoat-3", day=3)
    first, last = said(stoats, "Who lost", "&units=us")
    assert first.startswith(
        "stoat-3: \u22127.0 %, same strap-down; coolant 194.0, then 210.2 °F"
    )  # 90 and 99 °C
    assert "not why" in last


def test_nobody_is_said_to_have_lost_where_nobody_did(stoats):
    measured(stoats, 5, 4)
    assert not [question for question in asked(stoats) if "Who lost" in question]


def test_the_newest_tests_are_told_one_by_one_the_newest_first(stoats):
    measured(stoats, *range(1, 12))
    (told,) = said(stoats, "What did the last 10 do")
    dates = re.findall(r"(\d\d) Mar 2026 stoat-(\d+) \+(\d+)\.0 %", told)
    assert dates == [(f"{n:02d}", str(n), str(n)) for n in range(11, 1, -1)]


def test_where_in_the_revs_is_what_the_curve_calls_established(stoats):
    measured(stoats, 5, 5.2, 4.8, 5.1)
    (stretch,) = answer(stoats)["curve"]["established"]
    assert stretch["is"] == "gain"
    gains, losses = said(stoats, "Where in the revs")
    ends = f"{round(stretch['from_rpm'], -1):,} to {round(stretch['to_rpm'], -1):,} rpm"
    assert gains.startswith(f"It gains from {ends}")
    assert losses == "No loss of torque was established at any speed."


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
