"""GET /v1/typical-gain: what a part gains and how sure that is, by the model, and by hand from the pairs alone."""

import math

import numpy as np
import pytest

from tests.api.gains import GAIN, POWER, answer, by_hand, measured, pair_variance, percent, post
from tests.factories import pull, setup

HORSEPOWER = 0.7456998715822702  # kW of 550 ft.lbf/s, NIST SP 811 App. B.8
WARM = {"temperature": 30.0, "pressure": 98.0, "humidity": 0.0}
WARM_FACTOR = 1.18 * (99 / 98.0) * math.sqrt((30 + 273) / 298) - 0.18  # SAE J1349 in dry air, by hand


def test_the_answer_has_the_whole_shape_of_the_contract(stoats):
    measured(stoats, 4, 5, 6)
    body = answer(stoats, "&units=us")
    assert body["question"] == {
        "part": "wide-pipe", "platform": "stoat", "measure": "peak_power", "against": "without",
        "standard": "sae-j1349", "units": "us",
    }  # fmt: skip
    assert set(body) >= {
        "typical", "typical_percent", "typical_interval", "next_car_interval", "level", "chance_of_gain", "noise_floor",
        "context", "as_of", "pairs_only", "evidence", "curve", "peak_shift_rpm", "cost", "cautions", "pairs",
    }  # fmt: skip
    assert set(body["pairs_only"]) >= {"typical_percent", "interval_percent", "next_car_percent", "method"}
    assert set(body["curve"]) >= {"rpm", "typical", "low", "high", "cars"}
    assert set(body["peak_shift_rpm"]) == {"typical", "interval"}
    assert set(body["cost"]) >= {
        "price", "labour_hours", "labour_rate", "fitted", "currency", "per_unit", "per_unit_interval",
    }  # fmt: skip
    assert set(body["pairs"][0]) >= {
        "vehicle",
        "before",
        "after",
        "gain",
        "percent",
        "match",
        "held",
        "differs",
    }
    assert body["pairs_only"]["method"] == "paule-mandel, hartung-knapp"


def test_the_evidence_says_what_stands_behind_the_answer(stoats):
    measured(stoats, 4, 5, 6)
    found = answer(stoats)["evidence"]
    assert {name: found[name] for name in found if name not in ("borrowed_share", "spread_percent")} == {
        "grade": "thin", "cars": 3, "cars_compared": 3, "cars_with": 3, "cars_elsewhere": 0, "pairs": 3, "bays": 1, "like_for_like": 3,
        "left_out": 0, "inseparable_from": [], "first": "2026-03-01", "last": "2026-03-03",
    }  # fmt: skip
    assert 0 < found["borrowed_share"] < 0.5
    assert found["spread_percent"] > 0


@pytest.mark.parametrize("gains", [(4, 5, 6), (5, 5.1, 4.9), (2, 9, 4, 7), (-3, -2, -4)], ids=str)
def test_the_pairs_answer_is_that_of_the_plain_formulas(stoats, gains):
    measured(stoats, *gains)
    body, expected = answer(stoats)["pairs_only"], by_hand(*gains)
    for name, value in expected.items():
        assert body[name] == pytest.approx(value, rel=2e-4, abs=2e-4), name
    tau2 = max(0.0, np.log1p(np.array(gains) / 100).var(ddof=1) - pair_variance(len(gains)))
    assert body["spread_percent"] == pytest.approx(100 * math.sqrt(tau2), rel=1e-3)


def test_the_models_answer_lies_between_what_the_pairs_say_and_what_parts_usually_do(stoats):
    """Drawn towards the usual gain of a slot, which is small: less than the pairs' mean, and within their interval."""
    measured(stoats, 4, 5, 6)
    body = answer(stoats)
    assert body["method"] == "history-model"
    assert 0.8 * body["pairs_only"]["typical_percent"] < body["typical_percent"] <= 5.0
    low, high = body["typical_interval_percent"]
    assert low < body["typical_percent"] < high
    further = body["next_car_interval_percent"]
    assert further[0] < low
    assert further[1] > high
    assert body["chance_of_gain"] > 0.95


def test_one_more_session_moves_the_answer(stoats):
    measured(stoats, 4, 5, 6)
    before = stoats.get(GAIN)
    post(stoats, setup(), setup(["wide-pipe"], 1.09), vehicle="stoat-4", day=4)
    after = stoats.get(GAIN)
    for response, gains in ((before, (4, 5, 6)), (after, (4, 5, 6, 9))):
        for name, value in by_hand(*gains).items():
            assert response.json["pairs_only"][name] == pytest.approx(value, rel=2e-4, abs=2e-4)
    assert after.json["typical_percent"] > before.json["typical_percent"]
    assert after.json["as_of"] > before.json["as_of"]
    assert after.headers["ETag"] != before.headers["ETag"]


def test_another_level_widens_the_intervals(stoats):
    measured(stoats, 4, 5, 6)
    wide, plain = answer(stoats, "&level=0.95"), answer(stoats)
    assert wide["level"] == 0.95
    expected = by_hand(4, 5, 6, level=0.95)
    assert wide["pairs_only"]["interval_percent"] == pytest.approx(expected["interval_percent"], rel=2e-4)
    for name in ("typical_interval_percent", "next_car_interval_percent"):
        assert wide[name][0] < plain[name][0] < plain[name][1] < wide[name][1]
    assert wide["typical_percent"] == plain["typical_percent"]


@pytest.mark.parametrize(("gains", "words"), [((5,), "one car only"), ((4, 6), "two cars only")])
def test_one_car_and_two_cars_have_wide_intervals_by_the_model_and_none_by_the_pairs(stoats, gains, words):
    measured(stoats, *gains)
    body, mean = answer(stoats), percent(np.log1p(np.array(gains) / 100).mean())
    assert body["pairs_only"]["typical_percent"] == pytest.approx(mean, abs=1e-3)
    assert [body["pairs_only"][name] for name in ("interval_percent", "next_car_percent")] == [None, None]
    low, high = body["typical_interval_percent"]
    assert low < mean < high
    assert high - low > 1.0
    assert (body["evidence"]["grade"], body["evidence"]["cars"]) == ("thin", len(gains))
    assert any(words in caution for caution in body["cautions"])


def test_the_noise_floor_is_the_smallest_change_that_one_ordinary_test_can_tell_from_nothing(stoats):
    """1.96 standard errors of a test in one session, three pulls before and three after, by the model's own spreads."""
    measured(stoats, 4, 5, 6)
    body = answer(stoats)
    sd = {one["name"]: one["sd_percent"] / 100 for one in stoats.get("/v1/model").json["spreads"]}
    floor = 1.96 * math.sqrt(2 * (sd["setup"] ** 2 + sd["pull"] ** 2 / 3))
    assert body["noise_floor_percent"] == pytest.approx(percent(floor), rel=1e-3)
    assert body["noise_floor"] == pytest.approx(POWER * math.expm1(floor), rel=1e-3)


def test_no_evidence_gives_no_number_the_grade_none_and_says_so(stoats):
    body = answer(stoats)
    numbers = (
        "typical",
        "typical_percent",
        "typical_interval",
        "next_car_interval",
        "chance_of_gain",
        "curve",
    )
    assert [body[name] for name in numbers] == [None] * len(numbers)
    assert (body["evidence"]["grade"], body["evidence"]["cars"], body["pairs"]) == ("none", 0, [])
    assert body["cautions"][0].startswith("Not measured: ")


def test_a_part_measured_elsewhere_only_is_borrowed_from_there_and_says_so(stoats):
    heron = {"slug": "heron", "name": "Heron 2.0", "aspiration": "turbo", "ignition": "spark"}
    assert stoats.post("/v1/platforms", heron).status_code == 201
    elsewhere = GAIN.replace("stoat", "heron")
    before = stoats.get(elsewhere)
    measured(stoats, 4, 5)
    after, here = stoats.get(elsewhere), answer(stoats)
    assert (before.json["evidence"]["grade"], before.json["typical_percent"]) == ("none", None)
    body = after.json
    assert (body["evidence"]["grade"], body["evidence"]["cars"], body["pairs"]) == ("borrowed", 0, [])
    assert (body["evidence"]["borrowed_share"], body["evidence"]["cars_elsewhere"]) == (1.0, 2)
    assert body["typical_percent"] > 1.0
    widths = [a["typical_interval_percent"][1] - a["typical_interval_percent"][0] for a in (body, here)]
    assert widths[0] > widths[1]
    assert (body["typical"], body["baseline"]) == (None, None)  # no heron was measured at all
    assert any(caution.startswith("Borrowed: ") for caution in body["cautions"])
    assert any("measured on Halvern Stoat 1.6 T (2 cars)" in caution for caution in body["cautions"])
    assert after.headers["ETag"] != before.headers["ETag"]


def test_a_car_that_had_it_in_anothers_place_only_was_not_measured_with_and_without_it(stoats):
    heron = {"slug": "heron", "name": "Heron 2.0", "aspiration": "turbo", "ignition": "spark"}
    assert stoats.post("/v1/platforms", heron).status_code == 201
    measured(stoats, 4, 5)
    post(stoats, setup(["mesh-pipe"]), setup(["wide-pipe"], 1.02), vehicle="stoat-3", day=3)
    cautions = stoats.get(GAIN.replace("stoat", "heron")).json["cautions"]
    assert any("measured on Halvern Stoat 1.6 T (2 cars)" in caution for caution in cautions)


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ("part=wide-pip&platform=stoat", ("no part 'wide-pip'", "wide-pipe")),
        ("part=wide-pipe&platform=stot", ("no platform 'stot'", "stoat")),
        ("part=wide-pipe&platform=stoat&against=mesh", ("no part 'mesh'", "mesh-pipe")),
    ],
)
def test_an_unknown_name_is_404_with_the_nearest(stoats, query, named):
    response = stoats.get(f"/v1/typical-gain?{query}")
    assert response.status_code == 404
    assert all(words in response.json["detail"] for words in named)


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("", "part"),
        ("&measure=power", "measure"),
        ("&measure=power_at", "rpm"),
        ("&measure=band_torque&from=3000", "to"),
        ("&measure=band_torque&from=5000&to=3000", "from"),
        ("&level=1", "level"),
        ("&baseline=0", "baseline"),
        ("&units=metric", "units"),
        ("&standard=sae", "standard"),
        ("&colour=red", "colour"),
    ],
)
def test_a_question_that_cannot_be_is_422_and_says_which_parameter(stoats, query, parameter):
    response = stoats.get(GAIN + query if query else "/v1/typical-gain?platform=stoat")
    assert response.status_code == 422
    assert response.json["errors"][0]["parameter"] == parameter


def test_a_speed_beside_a_peak_and_two_parts_of_no_common_slot_are_refused(stoats):
    assert stoats.get(f"{GAIN}&rpm=5000").status_code == 422
    response = stoats.get(f"{GAIN}&against=road-map")
    assert response.status_code == 422
    assert "share no slot" in response.json["detail"]
    assert (response.json["errors"][0]["parameter"], response.json["errors"][0]["value"]) == (
        "against",
        "road-map",
    )


def test_a_refused_question_has_one_title_whoever_noticed(stoats):
    asked = ("&colour=red", "&against=road-map", "&measure=power", "&against=wide-pipe")
    titles = {stoats.get(GAIN + query).json["title"] for query in asked}
    assert titles == {"The content cannot be accepted"}
    unknown = stoats.get(f"{GAIN}&colour=red").json["errors"]
    assert unknown == [
        {
            "parameter": "colour",
            "value": "red",
            "detail": "no such parameter here; see /v1/docs for the ones there are",
        }
    ]


@pytest.mark.parametrize("context", ["", "&context=alone"])
def test_a_part_against_the_one_it_replaced_in_either_direction(stoats, context):
    for n in (1, 2, 3):
        post(
            stoats, setup(["mesh-pipe"], 1.03), setup(["wide-pipe"], 1.03 * 1.02), vehicle=f"stoat-{n}", day=n
        )
    body = answer(stoats, f"&against=mesh-pipe{context}")
    assert (body["pairs_only"]["typical_percent"], body["context"]) == (pytest.approx(2.0, abs=1e-3), "alone")
    low, high = body["typical_interval_percent"]
    assert low < 2.0 < high
    back = stoats.get(f"/v1/typical-gain?part=mesh-pipe&platform=stoat&against=wide-pipe{context}").json
    assert back["pairs_only"]["typical_percent"] == pytest.approx(percent(-math.log(1.02)), abs=1e-3)
    there, again = (math.log1p(one["typical_percent"] / 100) for one in (body, back))
    assert again == pytest.approx(-there, rel=1e-3)
    assert answer(stoats)["evidence"]["cars"] == 0


def test_an_own_baseline_scales_the_figures_and_leaves_the_percent(stoats):
    measured(stoats, 4, 5, 6)
    plain, own = answer(stoats), answer(stoats, "&baseline=200")
    assert plain["baseline"] == pytest.approx(POWER, rel=1e-3)
    assert plain["typical"] == pytest.approx(POWER * plain["typical_percent"] / 100, rel=1e-3)
    assert own["typical_percent"] == plain["typical_percent"]
    assert own["typical"] == pytest.approx(200 * plain["typical_percent"] / 100, rel=1e-4)
    assert (plain["baseline_is"], own["baseline_is"]) == (
        "typical stock car of this kind",
        "yours",
    )


def test_other_units_show_the_same_gain(stoats):
    measured(stoats, 4, 5, 6)
    si, us = answer(stoats), answer(stoats, "&units=us")
    each = 5e-5  # told to five figures: half a unit of the fifth
    assert us["typical"] * HORSEPOWER == pytest.approx(si["typical"], rel=2 * each)
    assert us["typical_percent"] == si["typical_percent"]
    assert us["cost"]["per_unit"] == pytest.approx(si["cost"]["per_unit"] * HORSEPOWER, abs=0.01)
    assert answer(stoats, f"&units=us&baseline={200 / HORSEPOWER}")["typical"] * HORSEPOWER == pytest.approx(
        answer(stoats, "&baseline=200")["typical"], rel=2 * each
    )


def test_the_standard_moves_the_level_and_not_the_percent(stoats):
    for n in (1, 2, 3):
        warm = [
            {"parts": p, "pulls": [pull(s, ambient=WARM) for _ in range(3)]}
            for p, s in (([], 1), (["wide-pipe"], 1.05))
        ]
        post(stoats, *warm, vehicle=f"stoat-{n}", day=n)
    corrected, raw = answer(stoats), answer(stoats, "&standard=none")
    assert raw["baseline"] == pytest.approx(POWER, rel=1e-3)
    assert corrected["baseline"] == pytest.approx(WARM_FACTOR * POWER, rel=1e-3)
    assert raw["typical_percent"] == pytest.approx(corrected["typical_percent"], abs=1e-3)
    assert any("Boosted engine" in caution for caution in corrected["cautions"])
