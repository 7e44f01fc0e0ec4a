"""GET /v1/typical-gain: every measure, the curve over the rev range, the cost, and when an answer moves."""

import math

import numpy as np
import pytest
from scipy import integrate

from tests.api.gains import GAIN, POWER, answer, by_hand, measured, post
from tests.factories import RPM, hump, lifted, pull, setup


def power_at(rpm: float) -> float:
    """Power of the hump [kW]."""
    return hump(rpm) * rpm * math.pi / 30_000


MEASURES = {
    "peak_torque": 260.0,
    "power_at&rpm=5000": power_at(5000),
    "torque_at&rpm=3120": hump(3120),
    # The mean of (n - 4.2)^2 over 3 to 5 thousand rpm is (0.8^3 + 1.2^3) / (3 x 2) = 0.37333.
    "band_torque&from=3000&to=5000": 260 - 12 * (0.8**3 + 1.2**3) / 6,
    "band_power&from=3000&to=6025": integrate.quad(power_at, 3000, 6025)[0] / 3025,
}


@pytest.mark.parametrize(("measure", "figure"), MEASURES.items())
def test_every_measure_is_read_from_the_curve_as_its_formula_says(stoats, measure, figure):
    measured(stoats, 5, 5, 5)
    body = answer(stoats, f"&measure={measure}")
    assert body["baseline"] == pytest.approx(figure, rel=5e-4)
    assert body["pairs_only"]["typical_percent"] == pytest.approx(5.0, abs=1e-3)
    assert body["typical_percent"] == pytest.approx(
        5.0, abs=0.2
    )  # drawn a little towards what parts usually do
    assert body["typical"] == pytest.approx(body["typical_percent"] / 100 * figure, rel=1e-3)


@pytest.mark.parametrize(("measure", "figure"), MEASURES.items())
def test_every_measure_is_answered_from_the_pairs_before_there_is_a_model(
    stoats, without_model, measure, figure
):
    measured(stoats, 5, 5, 5)
    body = answer(stoats, f"&measure={measure}")
    assert (body["method"], body["baseline_is"]) == ("pairs-only", "typical of the cars measured")
    assert body["baseline"] == pytest.approx(figure, rel=5e-4)
    assert body["typical_percent"] == pytest.approx(5.0, abs=1e-3)
    assert body["typical"] == pytest.approx(0.05 * figure, rel=1e-3)
    assert any("history model is not ready" in caution for caution in body["cautions"])


def test_a_speed_that_no_pull_reached_gives_no_number_and_says_so(stoats):
    measured(stoats, 5, 5, 5)
    body = answer(stoats, "&measure=power_at&rpm=7500")
    assert (body["typical"], body["evidence"]["grade"]) == (None, "none")
    assert body["cautions"][0].startswith("Measured on 3 cars, none of them ")
    assert not any("Not measured" in caution for caution in body["cautions"])


def alike(column: list[float]) -> np.ndarray:
    """From 2550 rpm on, which the differing first samples of the pulls do not reach."""
    return np.array(column[11:])


def test_a_constant_gain_is_the_same_at_every_speed_of_the_curve(stoats):
    measured(stoats, 5, 5, 5, 5)
    body = answer(stoats, "&measure=peak_torque")
    curve = body["curve"]
    assert curve["rpm"] == list(range(2000, 6501, 50))
    columns = [name for name, values in curve.items() if isinstance(values, list) and name != "established"]
    assert {len(curve[name]) for name in columns} == {91}
    assert curve["cars"] == [4] * 91
    np.testing.assert_allclose(alike(curve["typical_percent"]), body["typical_percent"], atol=0.1)
    np.testing.assert_allclose(alike(curve["baseline"]), alike([hump(n) for n in curve["rpm"]]), rtol=1e-3)
    shown = alike(curve["typical_percent"]) / 100 * alike(curve["baseline"])
    np.testing.assert_allclose(alike(curve["typical"]), shown, rtol=2e-3)


def test_the_band_for_the_whole_curve_holds_the_one_for_each_speed_and_one_more_car_varies_more(stoats):
    measured(stoats, 4, 5, 6)
    curve = answer(stoats)["curve"]
    columns = ("next_low", "band_low", "low", "typical", "high", "band_high", "next_high")
    next_low, band_low, low, typical, high, band_high, next_high = (alike(curve[name]) for name in columns)
    assert (band_low <= low).all()
    assert (low < typical).all()
    assert (typical < high).all()
    assert (high <= band_high).all()
    assert (next_low < low).all()
    assert (next_high > high).all()


def test_where_the_gain_is_established_is_said_longest_first(stoats):
    measured(stoats, 5, 5, 5, 5)
    (stretch,) = answer(stoats)["curve"]["established"]
    assert stretch["is"] == "gain"
    assert stretch["from_rpm"] < 2600
    assert stretch["to_rpm"] == 6500


def test_a_part_that_gives_above_and_takes_below_shows_both_in_its_curve(stoats):
    """Plus 6 % at the top and minus 6 % at the bottom, straight between."""
    for n in (1, 2, 3, 4):
        tilted = [hump(rpm) * (1 + 0.06 * (rpm - 4250) / 2250) for rpm in RPM]
        curves = [{"rpm": RPM, "torque": lifted(tilted)} for _ in range(3)]
        after = {"parts": ["wide-pipe"], "pulls": [pull(curve=curve) for curve in curves]}
        post(stoats, setup(), after, vehicle=f"stoat-{n}", day=n)
    curve = answer(stoats, "&measure=peak_torque")["curve"]
    at = dict(zip(curve["rpm"], curve["typical_percent"], strict=True))
    for rpm in (2600, 4250, 6200):
        assert at[rpm] == pytest.approx(6 * (rpm - 4250) / 2250, abs=0.8)
    assert {one["is"] for one in curve["established"]} == {"gain", "loss"}


def test_before_there_is_a_model_the_curve_is_that_of_the_plain_formulas_at_every_speed(
    stoats, without_model
):
    measured(stoats, 4, 5, 6)
    curve, (low, high) = answer(stoats)["curve"], by_hand(4, 5, 6)["interval_percent"]
    np.testing.assert_allclose(alike(curve["low_percent"]), low, atol=3e-3)
    np.testing.assert_allclose(alike(curve["high_percent"]), high, atol=3e-3)


def test_the_curve_as_csv_has_one_row_a_speed(stoats):
    measured(stoats, 5, 5, 5)
    response = stoats.get(GAIN, Accept="text/csv")
    lines = [line.split(",") for line in response.text.splitlines()]
    assert response.content_type.startswith("text/csv")
    assert len(lines) == 1 + 91
    first, later = (dict(zip(lines[0], lines[n], strict=True)) for n in (1, 21))
    assert (first["rpm"], first["cars"]) == ("2000", "3")
    assert (later["rpm"], float(later["typical_percent"])) == ("3000", pytest.approx(5.0, abs=0.2))


def test_the_curve_and_the_pairs_can_be_left_out(stoats):
    measured(stoats, 5, 5, 5)
    body = answer(stoats, "&curve=false&pairs=false")
    assert body["curve"] is None
    assert "pairs" not in body
    assert body["typical_percent"] == answer(stoats)["typical_percent"]


def test_a_peak_that_moves_is_said_by_how_much(stoats):
    torque = [1.05 * hump(rpm - 200) for rpm in RPM]
    for n in (1, 2, 3):
        moved = [{"rpm": RPM, "torque": lifted(torque)} for _ in range(3)]
        after = {"parts": ["wide-pipe"], "pulls": [pull(curve=curve) for curve in moved]}
        post(stoats, setup(), after, vehicle=f"stoat-{n}", day=n)
    shift = answer(stoats, "&measure=peak_torque")["peak_shift_rpm"]
    assert shift["typical"] == pytest.approx(200, abs=10)
    assert shift["interval"][0] <= shift["typical"] <= shift["interval"][1]


def test_the_models_shift_of_the_peak_is_not_replaced_by_the_pairs_where_no_curve_is_asked(stoats):
    measured(stoats, 5, 4, 6)
    with_curve, without = answer(stoats), answer(stoats, "&curve=false")
    assert with_curve["method"] == without["method"] == "history-model"
    assert with_curve["peak_shift_rpm"] is not None
    assert without["peak_shift_rpm"] is None
    assert without["pairs_only"]["peak_shift_rpm"] == with_curve["pairs_only"]["peak_shift_rpm"] is not None


def test_a_band_that_no_car_reached_is_not_called_not_measured(stoats):
    measured(stoats, 5, 4, 6)
    body = answer(stoats, "&measure=band_power&from=9000&to=9500")
    assert body["typical_percent"] is None
    assert (body["evidence"]["cars"], body["evidence"]["cars_compared"]) == (0, 3)
    assert body["cautions"][0].startswith(
        "Measured on 3 cars, none of them from 9,000 to 9,500 rpm. No number"
    )
    assert not any("Not measured" in caution for caution in body["cautions"])


@pytest.mark.parametrize(
    ("slot", "words"),
    [("wheels-tyres", "rollers read"), ("lubricants", "maker asks for"), ("service-event", "in good order")],
)
def test_what_a_change_in_a_slot_does_not_show_is_said_beside_its_gain(stoats, slot, words):
    measured(stoats, 5)
    assert not any(words in caution for caution in answer(stoats)["cautions"])
    etag = stoats.get("/v1/parts/wide-pipe").headers["ETag"]
    assert stoats.patch("/v1/parts/wide-pipe", {"slots": [slot]}, If_Match=etag).status_code == 200
    assert any(words in caution for caution in answer(stoats)["cautions"])


def test_one_car_of_peak_figures_is_spoken_of_in_the_singular(stoats):
    def paper(scale: float) -> dict:
        peaks = {"power": POWER * scale, "torque": 260.0 * scale}
        return {"basis": {"standard": "sae-j1349", "factor": 1.01}, "best_of": 3, "peaks": peaks}

    for n in (1, 2):
        with_it = setup(["wide-pipe"]) | {"pulls": [paper(1.05)]}
        post(stoats, setup() | {"pulls": [paper(1.0)]}, with_it, vehicle=f"stoat-{n}", day=n)
        (said,) = [one for one in answer(stoats)["cautions"] if one.endswith("read as one best pull.")]
        assert "peak figures only" in said
        assert ("each read" in said) == (n == 2)


@pytest.mark.parametrize(("share", "said"), [(0.3, True), (0.7, False), (1.6, False), (60, True)])
def test_a_baseline_far_from_what_such_cars_read_is_asked_about(stoats, share, said):
    measured(stoats, 5, 4, 6)
    body = answer(stoats, f"&baseline={share * POWER:.1f}")
    found = [caution for caution in body["cautions"] if "check its value and units" in caution]
    assert bool(found) == said
    assert all("far outside what stock cars of this kind read here" in caution for caution in found)


def test_the_cost_of_a_unit_is_the_fitted_cost_over_the_gain(stoats):
    measured(stoats, 4, 5, 6)
    body = answer(stoats)
    cost, (low, high) = body["cost"], body["typical_interval"]
    assert (cost["fitted"], cost["currency"]) == (480 + 2.5 * 72, "GBP")
    assert cost["per_unit"] == pytest.approx(660 / body["typical"], rel=1e-3)
    assert cost["per_unit_interval"] == pytest.approx([660 / high, 660 / low], rel=1e-3)


def test_a_gain_that_is_not_established_has_no_cost_per_unit(stoats):
    measured(stoats, -1, 0, 1.2)
    body = answer(stoats)
    assert body["typical_interval"][0] < 0 < body["typical_interval"][1]
    assert (body["cost"]["per_unit"], body["cost"]["per_unit_interval"]) == (None, None)
    assert any("not established" in caution for caution in body["cautions"])


def test_a_part_without_a_price_has_no_cost_and_says_so(stoats):
    for n in (1, 2, 3):
        post(stoats, setup(), setup(["mesh-pipe"], 1.05), vehicle=f"stoat-{n}", day=n)
    body = stoats.get(GAIN.replace("wide", "mesh")).json
    assert (body["cost"]["fitted"], body["cost"]["per_unit"]) == (None, None)
    assert any("No price" in caution for caution in body["cautions"])


def test_an_answer_the_client_has_is_304_until_something_it_rests_on_moves(stoats):
    measured(stoats, 4, 5, 6)
    etag = stoats.get(GAIN).headers["ETag"]
    same = stoats.get(GAIN, If_None_Match=etag)
    assert (same.status_code, same.data, same.headers["ETag"]) == (304, b"", etag)
    settings = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"labour_rate": 80}, If_Match=settings).status_code == 200
    moved = stoats.get(GAIN, If_None_Match=etag)
    assert (moved.status_code, moved.json["cost"]["fitted"]) == (200, 480 + 2.5 * 80)


def test_another_price_of_the_part_moves_the_answer(stoats):
    measured(stoats, 4, 5, 6)
    assert answer(stoats)["cost"]["fitted"] == 660
    etag = stoats.get("/v1/parts/wide-pipe").headers["ETag"]
    assert stoats.patch("/v1/parts/wide-pipe", {"price": 500}, If_Match=etag).status_code == 200
    assert answer(stoats)["cost"]["fitted"] == 680


def test_a_likely_gain_beside_an_interval_that_includes_nought_says_what_the_chance_counts(stoats):
    measured(stoats, 0.9, 0.0)
    body = answer(stoats)
    low, high = body["typical_interval_percent"]
    assert low < 0 < high
    assert body["chance_of_gain"] > 0.75
    assert any("counts that parts are made to gain" in caution for caution in body["cautions"])
