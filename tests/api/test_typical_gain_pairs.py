"""GET /v1/typical-gain: the comparisons it rests on, which of them count, and what must be said beside it."""

import math

import numpy as np
import pytest

from tests.api.gains import POWER, answer, by_hand, measured, post
from tests.factories import WARM, pull, setup


def test_every_pair_is_listed_with_links_that_resolve(stoats):
    measured(stoats, 4, 5, 6)
    pairs = answer(stoats)["pairs"]
    assert [(p["vehicle"], p["match"], p["held"], p["used"]) for p in pairs] == [
        (f"stoat-{n}", "same-session", True, True) for n in (1, 2, 3)
    ]
    for pair, gain in zip(pairs, (4, 5, 6), strict=True):
        assert pair["percent"] == pytest.approx(gain, abs=1e-3)
        assert pair["gain"] == pytest.approx(POWER * gain / 100, rel=1e-3)
        assert stoats.get(pair["before"]).json["parts"] == []
        assert stoats.get(pair["after"]).json["parts"] == ["wide-pipe"]


def test_a_condition_that_moved_is_listed_in_the_asked_units(stoats):
    states = (([], 1, 95.0), (["wide-pipe"], 1.05, 101.0))
    post(stoats, *({"parts": p, "pulls": [pull(s, engine={**WARM, "oil": oil})]} for p, s, oil in states))
    (pair,) = answer(stoats, "&units=us")["pairs"]
    (moved,) = pair["differs"]
    assert not pair["held"]
    # 95 and 101 degC are 203 and 213.8 degF; a window of 5 degC is one of 9 degF.
    assert moved == {"what": "oil", "before": 203.0, "after": 213.8, "window": pytest.approx(9.0)}
    assert answer(stoats)["evidence"]["like_for_like"] == 0


def test_both_sides_conditions_stand_beside_each_other_in_the_asked_units(stoats):
    states = (([], 1, 95.0), (["wide-pipe"], 1.05, 101.0))
    engines = [{**WARM, "oil": oil, "coolant": coolant} for oil, coolant in ((95.0, 84.0), (101.0, 85.0))]
    post(
        stoats,
        *({"parts": p, "pulls": [pull(s, engine=e)]} for (p, s, _), e in zip(states, engines, strict=True)),
        gear=4,
    )
    (pair,) = answer(stoats, "&units=us")["pairs"]
    before, after = pair["conditions"]["before"], pair["conditions"]["after"]
    # By hand: 95, 101, 84, 85 and 25 degC are 203, 213.8, 183.2, 185 and 77 degF.
    assert (before["oil"], after["oil"], before["coolant"], after["coolant"]) == (203.0, 213.8, 183.2, 185.0)
    assert (before["air_temperature"], after["air_temperature"]) == (77.0, 77.0)
    assert (before["gear"], before["lambda"], before["tyre_pressure"]) == (4, None, None)
    assert before.keys() == after.keys()


def test_a_drifting_bay_does_not_bend_a_gain_measured_between_two_readings(stoats):
    for n in (1, 2, 3):
        drift = [math.exp(-0.01 * i) for i in range(3)]
        states = setup([], drift[0]), setup(["wide-pipe"], 1.05 * drift[1]), setup([], drift[2])
        post(stoats, *states, vehicle=f"stoat-{n}", day=n)
    body = answer(stoats)
    assert body["pairs_only"]["typical_percent"] == pytest.approx(5.0, abs=1e-3)
    assert {pair["match"] for pair in body["pairs"]} == {"same-session-aba"}
    assert body["typical_percent"] == pytest.approx(5.0, abs=0.2)


def test_each_car_counts_once_by_its_nearest_pair(stoats):
    post(stoats, setup(), setup(["wide-pipe"], 1.05))
    post(stoats, setup(["wide-pipe"], 1.20), day=5)
    body = answer(stoats)
    assert (body["evidence"]["cars"], body["evidence"]["pairs"]) == (1, 2)
    assert body["pairs_only"]["typical_percent"] == pytest.approx(5.0, abs=1e-3)
    assert {(p["match"], p["used"]) for p in body["pairs"]} == {("same-session", True), ("other-day", False)}


def test_both_bays_of_a_comparison_over_two_are_counted(stoats):
    post(stoats, setup())
    post(stoats, setup(["wide-pipe"], 1.05), bay="hub", day=2)
    assert answer(stoats)["evidence"]["bays"] == 2


def test_the_pairs_of_cars_with_other_parts_count_unless_asked_for_the_part_alone(stoats):
    measured(stoats, 4, 5, 6)
    mapped = setup(["road-map"], 1.2), setup(["road-map", "wide-pipe"], 1.2 * 1.08)
    post(stoats, *mapped, vehicle="stoat-4", day=4)
    plain, alone = answer(stoats), answer(stoats, "&context=alone")
    assert (plain["pairs_only"]["context"], plain["evidence"]["cars"]) == ("as-usually-fitted", 4)
    assert (alone["pairs_only"]["context"], alone["evidence"]["cars"]) == ("alone", 3)
    assert alone["pairs_only"]["typical_percent"] == pytest.approx(
        by_hand(4, 5, 6)["typical_percent"], abs=1e-3
    )
    assert any("other parts fitted" in caution for caution in plain["cautions"])


def test_a_car_whose_list_may_not_be_whole_is_not_otherwise_stock(stoats):
    measured(stoats, 4, 5)
    unsure = {"parts_known": "partial"}
    post(stoats, setup(**unsure), setup(["wide-pipe"], 1.2, **unsure), vehicle="stoat-3", day=3)
    plain, alone = answer(stoats), answer(stoats, "&context=alone")
    assert (len(plain["pairs"]), len(alone["pairs"])) == (3, 2)


def test_the_model_answers_for_the_part_alone_unless_asked_beside_what_is_usually_fitted(stoats):
    """Five cars gain 5 % with nothing else, and 9 % beside a calibration: the model can answer both."""
    for n in range(1, 6):
        states = [
            ([], 1.0),
            (["wide-pipe"], 1.05),
            (["road-map"], 1.2),
            (["road-map", "wide-pipe"], 1.2 * 1.09),
        ]
        post(stoats, *(setup(parts, scale) for parts, scale in states), vehicle=f"stoat-{n}", day=n)
    alone, usual = answer(stoats), answer(stoats, "&context=as-usually-fitted")
    assert (alone["context"], usual["context"]) == ("alone", "as-usually-fitted")
    assert alone["typical_percent"] == pytest.approx(5.0, abs=0.7)
    assert alone["typical_percent"] + 1.0 < usual["typical_percent"] < 9.5
    assert any("next to what is usually fitted" in caution for caution in usual["cautions"])


@pytest.mark.parametrize(("cars", "grade"), [(3, "thin"), (4, "fair"), (7, "fair"), (8, "strong")])
def test_the_grade_goes_by_the_number_of_cars(stoats, cars, grade):
    measured(stoats, *[5] * cars)
    assert answer(stoats, "&curve=false")["evidence"]["grade"] == grade


def test_the_grade_is_lower_where_most_pairs_are_not_like_for_like(stoats):
    for n in range(1, 5):
        post(stoats, setup(), vehicle=f"stoat-{n}", day=n)
        post(stoats, setup(["wide-pipe"], 1.05), vehicle=f"stoat-{n}", day=n + 10)
    body = answer(stoats)
    assert (body["evidence"]["grade"], body["evidence"]["like_for_like"]) == ("thin", 0)
    assert "Most of these comparisons are not like for like: other days." in body["cautions"]


def test_the_days_measured_are_those_of_comparisons_that_count(stoats):
    disagreeing = setup(["wide-pipe"]) | {"pulls": [pull(1.05), pull(1.05), pull(1.1)]}
    for car, day in ((4, 1), (5, 9)):
        post(stoats, setup(), disagreeing, vehicle=f"stoat-{car}", day=day)
    post(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-6", day=5)
    evidence = answer(stoats)["evidence"]
    assert (evidence["left_out"], evidence["first"], evidence["last"]) == (2, "2026-03-05", "2026-03-05")


def test_conditions_that_nobody_recorded_are_not_called_moved(stoats):
    """The air was the same on both sides; coolant and inlet air were recorded on neither."""
    for n in (1, 2, 3, 4):
        bare = [
            {"parts": p, "pulls": [pull(s, engine={}) for _ in range(3)]}
            for p, s in (([], 1), (["wide-pipe"], 1.05))
        ]
        post(stoats, *bare, vehicle=f"stoat-{n}", day=n)
    body = answer(stoats)
    assert body["evidence"]["like_for_like"] == 0
    (said,) = (caution for caution in body["cautions"] if "like for like" in caution)
    assert said == (
        "Most of these comparisons are not known to be like for like: "
        "not recorded on both sides: coolant, inlet air."
    )


def test_a_condition_that_moved_is_named_as_why_most_are_not_like_for_like(stoats):
    for n in (1, 2, 3, 4):
        cool, hot = (
            [pull(s, engine={"coolant": c, "inlet": 27.0}) for _ in range(3)]
            for s, c in ((1, 88.0), (1.05, 99.0))
        )
        post(
            stoats,
            setup() | {"pulls": cool},
            setup(["wide-pipe"]) | {"pulls": hot},
            vehicle=f"stoat-{n}",
            day=n,
        )
    said = [caution for caution in answer(stoats)["cautions"] if "like for like" in caution]
    assert said == ["Most of these comparisons are not like for like: conditions that moved (coolant)."]


def test_air_that_was_not_recorded_gives_the_percent_alone(stoats):
    for n in (1, 2, 3):
        bare = [
            {"parts": p, "pulls": [pull(s, ambient={}) for _ in range(3)]}
            for p, s in (([], 1), (["wide-pipe"], 1.05))
        ]
        post(stoats, *bare, vehicle=f"stoat-{n}", day=n)
    body = answer(stoats)
    assert body["pairs_only"]["typical_percent"] == pytest.approx(5.0, abs=1e-3)
    assert body["typical_percent"] == pytest.approx(5.0, abs=0.2)
    assert (body["typical"], body["baseline"], body["pairs"][0]["gain"]) == (None, None, None)
    assert set(body["curve"]["typical"]) == {None}
    np.testing.assert_allclose(body["curve"]["typical_percent"][11:], 5.0, atol=0.3)
    assert any("in percent only" in caution for caution in body["cautions"])
    own = answer(stoats, "&baseline=200")
    assert own["typical"] == pytest.approx(2 * own["typical_percent"], rel=1e-3)


def test_every_answer_says_that_it_is_no_promise_and_that_law_decides(stoats):
    for cautions in (answer(stoats)["cautions"], measured(stoats, 4, 5, 6) or answer(stoats)["cautions"]):
        assert any("no promise for another car" in caution for caution in cautions)
        assert any("unlawful on public roads" in caution for caution in cautions)


def test_the_questions_that_have_evidence_are_listed_most_cars_first(stoats):
    measured(stoats, 4, 5, 6)
    post(stoats, setup(), setup(["mesh-pipe"], 1.03), vehicle="stoat-5", day=5)
    first = stoats.get("/v1/evidence?limit=1")
    assert first.json["items"] == [
        {
            "platform": "stoat", "part": "wide-pipe", "against": "without", "cars": 3, "pairs": 3,
            "first": "2026-03-01", "last": "2026-03-03",
        }
    ]  # fmt: skip
    second = stoats.get(first.headers["Link"].split(">")[0].lstrip("<")).json["items"]
    assert [(row["part"], row["cars"]) for row in second] == [("mesh-pipe", 1)]
