"""What may be divided by what: a part that does nothing must not seem to gain by how its figures were posted."""

import pytest

from tests.factories import WARM, pull, session, setup

THIN = {"temperature": 25.0, "pressure": 94.0, "humidity": 0.3155}
"""Thin air: SAE J1349 corrects by about 7 %."""
BARE = {"temperature": 25.0, "pressure": 94.0}


def state(parts, scale=1.0, **fields):
    """A setup of three equal pulls."""
    return {
        "parts": list(parts),
        "stock_checked": "declared",
        "pulls": [pull(scale, **fields) for _ in range(3)],
    }


def gain(client, query=""):
    """The answer about the wide pipe."""
    return client.get(f"/v1/typical-gain?part=wide-pipe&platform=stoat&curve=false{query}").json


def kept(client, *setups, **fields):
    """Post a session, which must be taken."""
    answer = client.post("/v1/sessions", session(*setups, **fields))
    assert answer.status_code == 201, answer.json
    return answer.json


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"ambient": THIN}, {"basis": {"standard": "unknown"}, "ambient": THIN}),
        ({"ambient": BARE}, {"basis": {"standard": "sae-j1349"}, "ambient": {}}),
        ({"ambient": BARE}, {"basis": {"standard": "unknown"}}),
    ],
)
def test_a_corrected_figure_is_not_divided_by_an_observed_one(stoats, before, after):
    body = kept(stoats, state([], **before), state(["wide-pipe"], 1.076, **after))
    assert body["pairs"] == []
    assert gain(stoats)["evidence"]["cars"] == 0


@pytest.mark.parametrize(
    ("before", "after"),
    [
        # Both observed; one with its whole air: its observed figure is known too.
        ({"ambient": THIN}, {"ambient": BARE}),
        # Both corrected by the same unknown factor.
        ({"basis": {"standard": "unknown"}}, {"basis": {"standard": "unknown"}}),
        # One stands in J1349 as posted, the other can be brought there by its air.
        ({"ambient": {**THIN, "pressure": 100.0}}, {"basis": {"standard": "sae-j1349"}, "ambient": {}}),
    ],
)
def test_figures_on_one_footing_serve_a_ratio_in_their_own_session(stoats, before, after):
    kept(stoats, state([], **before), state(["wide-pipe"], 1.05, **after))
    assert gain(stoats)["typical_percent"] == pytest.approx(5.0, abs=0.1)


def test_pulls_of_another_basis_are_left_out_of_their_setups_figure_and_it_is_said(stoats):
    odd = pull(1.076, basis={"standard": "unknown"})
    mixed = {**state([], ambient=THIN), "pulls": [pull(ambient=THIN), pull(ambient=THIN), odd]}
    body = kept(stoats, mixed)
    assert "mixed-basis" in [check["code"] for check in body["checks"]]
    assert (body["setups"][0]["summary"]["peak_power"]["pulls"], body["setups"][0]["doubts"][:1]) == (
        2,
        ["factor-outside-limits"],
    )


def test_two_old_records_of_one_day_are_two_strap_downs(stoats):
    """A date without a time makes both begin at midnight; they were strapped down anew all the same."""
    for car in (1, 2, 3):
        kept(stoats, state([], 1.0), vehicle=f"stoat-{car}")
        kept(stoats, state(["wide-pipe"], 1.05), vehicle=f"stoat-{car}")
    same_time = gain(stoats)["pairs_only"]["interval_percent"]
    for car in (4, 5, 6):
        kept(stoats, state(["mesh-pipe"], 1.0), vehicle=f"stoat-{car}")
        kept(
            stoats,
            state(["mesh-pipe", "road-map"], 1.05),
            vehicle=f"stoat-{car}",
            started_at="2026-03-01T10:00:01Z",
        )
    road_map = stoats.get("/v1/typical-gain?part=road-map&platform=stoat&curve=false").json
    apart = road_map["pairs_only"]["interval_percent"]
    assert same_time == pytest.approx(apart, rel=1e-3)


def test_the_offset_between_two_bays_is_not_averaged_away_by_more_cars(stoats):
    """Eight cars before in one bay and after in another that reads 4 % high: one unknown offset, not eight."""
    for car in range(1, 9):
        kept(stoats, state([], 1.0), vehicle=f"stoat-{car}", bay="north", day=1)
        kept(stoats, state(["wide-pipe"], 1.04), vehicle=f"stoat-{car}", bay="hub", day=2)
    answer = gain(stoats)
    low, high = answer["pairs_only"]["interval_percent"]
    assert low < 0 < high
    low, high = answer["typical_interval_percent"]
    assert high - low > 6
    assert any("one bay without it and in another with it" in caution for caution in answer["cautions"])


def test_bays_that_changed_sides_cancel(stoats):
    """Four cars from north to hub and four from hub to north: what the bays differ by stands on both sides."""
    for car in range(1, 9):
        there, back = ("north", "hub") if car % 2 else ("hub", "north")
        kept(stoats, state([], 1.04 if there == "hub" else 1.0), vehicle=f"stoat-{car}", bay=there, day=1)
        scale = 1.06 * (1.04 if back == "hub" else 1.0)
        kept(stoats, state(["wide-pipe"], scale), vehicle=f"stoat-{car}", bay=back, day=2)
    low, high = gain(stoats)["typical_interval_percent"]
    assert 0 < low < 6 < high


@pytest.mark.parametrize("missing", ["coolant", "inlet"])
def test_a_comparison_without_its_temperatures_is_not_called_held(stoats, missing):
    engine = {name: value for name, value in WARM.items() if name != missing}
    for car in range(1, 9):
        kept(
            stoats,
            state([], engine=engine),
            state(["wide-pipe"], 1.05, engine=engine),
            vehicle=f"stoat-{car}",
        )
    answer = gain(stoats)
    assert (answer["evidence"]["like_for_like"], answer["evidence"]["grade"]) == (0, "fair")
    assert answer["pairs"][0]["differs"] == [{"what": missing, "before": None, "after": None, "window": 3.0}]


def test_a_car_of_unknown_parts_is_not_called_otherwise_stock(stoats):
    states = [
        {**state([]), "parts_known": "unknown"},
        {**state(["wide-pipe"], 1.05), "parts_known": "unknown"},
    ]
    kept(stoats, *states)
    assert gain(stoats)["pairs_only"]["context"] == "as-usually-fitted"
    assert gain(stoats, "&context=alone")["evidence"]["cars"] == 0


def test_pulls_that_are_left_out_do_not_set_the_noise(stoats, without_model):
    kept(stoats, state([]), state(["wide-pipe"], 1.05))
    clean = gain(stoats)["noise_floor_percent"]
    wild = {**state(["wide-pipe"]), "pulls": [pull(0.9), pull(1.0), pull(1.1)]}
    kept(stoats, state([]), wild, vehicle="stoat-2")
    assert gain(stoats)["evidence"]["left_out"] == 1
    assert gain(stoats)["noise_floor_percent"] == clean


def test_a_diesel_is_told_that_the_factor_is_a_petrol_engines(admin, stoats):
    body = {"slug": "drover", "name": "Drover", "aspiration": "turbo", "ignition": "compression"}
    assert admin.post("/v1/platforms", body).status_code == 201
    assert admin.post("/v1/vehicles", {"tag": "drover-one", "platform": "drover"}).status_code == 201
    kept(stoats, state([]), state(["wide-pipe"], 1.05), vehicle="drover-one")
    for path in ("/v1/typical-gain?part=wide-pipe&platform=drover", "/v1/platforms/drover/stock-spread"):
        assert any("spark ignition" in caution for caution in stoats.get(path).json["cautions"])


def test_a_check_cars_comparisons_are_counted_and_its_best_five_listed(stoats):
    for day in range(1, 6):
        kept(stoats, state([], 1 + day / 1000), state(["wide-pipe"], 1.05), day=day)
    answer = gain(stoats)
    assert (answer["evidence"]["cars"], answer["evidence"]["pairs"], len(answer["pairs"])) == (1, 25, 5)
    assert {pair["match"] for pair in answer["pairs"]} == {"same-session"}


def test_two_states_of_the_same_parts_that_read_apart_are_doubted(stoats):
    body = kept(stoats, state([]), {**state([], 1.06), "label": "with the pipe"})
    (check,) = [check for check in body["checks"] if check["code"] == "same-parts-differ"]
    assert (check["level"], check["pointer"]) == ("doubtful", "/setups/1/parts")
    assert "is a part missing" in check["message"]
    steady = kept(stoats, state([]), state([], 1.01), vehicle="stoat-2")
    assert "same-parts-differ" not in [check["code"] for check in steady["checks"]]


def test_a_stock_car_far_above_its_rated_power_is_doubted(admin, stoats):
    etag = admin.get("/v1/platforms/stoat").headers["ETag"]
    rated = {"units": "si", "rated_power": 160.0}
    assert admin.patch("/v1/platforms/stoat", rated, If_Match=etag).status_code == 200
    usual = kept(stoats, setup())
    high = kept(stoats, state([], 1.6), vehicle="stoat-2", day=2)
    codes = [[check["code"] for check in body["checks"]] for body in (usual, high)]
    assert codes == [[], ["level-implausible"]]


def test_a_bay_clock_years_ahead_is_refused(stoats):
    body = session(setup(), started_at="2094-01-01T10:00:00Z", clock="2094-01-01T11:00:00Z")
    answer = stoats.post("/v1/sessions", body)
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "/started_at")
