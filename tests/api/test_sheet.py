"""GET /v1/sessions/{id}/sheet and /v1/sheets/{number}: the customer's sheet, its ten points, its version."""

import csv
import io
import json
import math
from uuid import UUID

import pytest

from service.schemas.sheets import SheetAnswer
from tests.conftest import Client
from tests.factories import AIR, RPM, WARM, hump, peak_of_hump, pull, session
from tests.tokens import new_token

SETUP_SPREAD = 0.0045  # the shop's setting until it is set
PULL_SPREAD = 0.005  # a bay's before it posted anything
SESSION_SPREAD = 0.007  # the shop's setting until it is set
BAY_SPREAD = 0.022  # the shop's setting until it is set
POWER, PEAK_RPM = peak_of_hump()
ID = "71582c73-4094-5c1e-9a59-fd9cbc07486a"
EARLIER = "a91c22b0-4e1d-5c1e-9a59-fd9cbc07486a"
NUMBER = "7158-2c73-4094-1-2"


def of(*pulls: dict, parts: tuple[str, ...] = (), **fields: object) -> dict:
    """A setup of these pulls."""
    return {"parts": list(parts), "stock_checked": "verified", "pulls": list(pulls), **fields}


def setup(parts: tuple[str, ...] = (), scale: float = 1.0, **fields: object) -> dict:
    """Three pulls a thousandth apart about this scale."""
    return of(*[pull(scale + step) for step in (-0.001, 0.0, 0.001)], parts=parts, **fields)


def posted(client: Client, *setups: dict, **fields: object) -> str:
    """Post a session; its id."""
    answer = client.post("/v1/sessions", session(*setups, **{"id": ID, **fields}))
    assert answer.status_code == 201, answer.json
    return answer.json["id"]


def read(client: Client, path: str) -> dict:
    answer = client.get(path)
    assert answer.status_code == 200, answer.json
    return answer.json


def sheet(client: Client, id: str = ID, more: str = "") -> dict:
    return read(client, f"/v1/sessions/{id}/sheet{more}")


def before_and_after(client: Client, gain: float = 0.05, **fields: object) -> dict:
    """The sheet of a car measured without and with the pipe in one strap-down."""
    posted(client, setup(), setup(("wide-pipe",), 1 + gain), **fields)
    return sheet(client)


def words(document: dict, point: int) -> dict[str, object]:
    """The rows of a point by their labels."""
    (found,) = [one for one in document["points"] if one["point"] == point]
    return {row["label"]: row["both"] or (row["a"], row["b"]) for row in found["rows"]}


def refused(client: Client, path: str, status: int) -> str:
    answer = client.get(path)
    assert answer.status_code == status, answer.json
    return answer.json["detail"]


# Figures


def test_the_gain_is_that_of_the_review_and_of_hand_computation(north):
    found = before_and_after(north)
    (pair,) = read(north, f"/v1/sessions/{ID}/review")["comparisons"]
    peak = found["gain"]["peak"]
    assert peak["percent"] == pytest.approx(5.0, abs=0.01)
    assert (peak["percent"], peak["gain"]) == (pair["gain_percent"], pair["gain"])
    assert peak["interval_percent"] == pair["interval_percent"]
    half = 1.96 * math.sqrt(2 * (SETUP_SPREAD**2 + PULL_SPREAD**2 / 3))
    by_hand = [100 * math.expm1(math.log(1.05) + sign * half) for sign in (-1, 1)]
    assert peak["interval_percent"] == pytest.approx(by_hand, abs=0.01)
    assert found["gain"]["smallest_percent"] == pytest.approx(100 * half, rel=1e-3)
    assert found["a"]["peak_power"]["mean"] == pytest.approx(POWER, rel=2e-3)
    assert found["b"]["peak_power"]["mean"] == pytest.approx(1.05 * POWER, rel=2e-3)


def test_the_band_runs_from_half_the_peak_power_speed_up_to_it(north):
    found = before_and_after(north)
    band, third = found["gain"]["band"], found["gain"]["low_third"]
    assert band["to_rpm"] == round(found["a"]["peak_power"]["rpm"] / 50) * 50
    assert band["to_rpm"] == pytest.approx(PEAK_RPM, abs=50)
    assert band["from_rpm"] == pytest.approx(PEAK_RPM / 2, abs=50)
    first, last = min(found["curves"]["rpm"]), max(found["curves"]["rpm"])
    assert third["from_rpm"] == first
    assert third["to_rpm"] == pytest.approx(first + (last - first) / 3, abs=25)


def test_the_band_and_the_lowest_third_are_means_of_their_own_speeds(north):
    """With the part torque is 5 % more from 4000 rpm on and the same below: the third knows nothing of it."""

    def bent(scale: float) -> dict:
        one = pull()
        lifted = [
            v * (scale if rpm >= 4000 else 1.0) for rpm, v in zip(RPM, one["curve"]["torque"], strict=True)
        ]
        return {**one, "curve": {"rpm": RPM, "torque": lifted}}

    posted(north, setup(), of(*[bent(1.05 + step) for step in (0.0, 0.001, -0.001)], parts=("wide-pipe",)))
    gain = sheet(north)["gain"]
    assert gain["low_third"]["percent"] == pytest.approx(0.0, abs=0.15)
    assert not gain["low_third"]["established"]
    low, high = gain["band"]["from_rpm"], gain["band"]["to_rpm"]
    speeds = [low + (high - low) * i / 2000 for i in range(2001)]
    before = sum(hump(rpm) * rpm for rpm in speeds)
    after = sum(hump(rpm) * rpm * (1.05 if rpm >= 4000 else 1.0) for rpm in speeds)
    assert gain["band"]["percent"] == pytest.approx(100 * (after / before - 1), abs=0.15)


def test_the_gain_over_the_rev_range_is_the_quotient_of_both_curves(north):
    curves = before_and_after(north)["curves"]
    at = {rpm: i for i, rpm in enumerate(curves["rpm"])}
    for rpm, gain in zip(curves["gain"]["rpm"], curves["gain"]["gain"], strict=True):
        own = curves["power_b"][at[rpm]] - curves["power_a"][at[rpm]]
        assert gain == pytest.approx(own, abs=0.11), "power is shown to the tenth"
    assert curves["power_a"][at[4200.0]] == pytest.approx(260 * 4200 * math.pi / 30_000, rel=2e-3)


def test_units_are_those_asked_for(north):
    before_and_after(north)
    si, us = sheet(north), sheet(north, more="?units=us")
    hp = 0.745699872  # kW, NIST SP 811 appendix B.8
    assert us["a"]["peak_power"]["mean"] == pytest.approx(si["a"]["peak_power"]["mean"] / hp, rel=1e-4)
    assert us["gain"]["peak"]["percent"] == si["gain"]["peak"]["percent"]
    assert us["a"]["conditions"]["coolant"]["mean"] == pytest.approx(WARM["coolant"] * 1.8 + 32)
    assert " hp" in words(us, 4)["Mean peak power"][0]


def test_a_state_repeated_last_stands_between_its_readings(north):
    posted(north, setup(), setup(("wide-pipe",), 1.05), setup(scale=1.02))
    found = sheet(north)
    assert (found["changed"]["match"], found["changed"]["again"], found["changed"]["again_is"]) == (
        "same-session-aba",
        3,
        "a",
    )
    assert found["number"] == NUMBER
    between = math.exp((math.log(1.0) + math.log(1.02)) / 2)
    assert found["gain"]["peak"]["percent"] == pytest.approx(100 * (1.05 / between - 1), abs=0.02)
    assert found["changed"]["returned_percent"] == pytest.approx(2.0, abs=0.01)
    assert "A again (A-B-A; setup 3, 2 % higher the second time)" in words(found, 6)["Order"]


def test_the_part_coming_off_is_a_loss_as_large_as_its_gain(north):
    posted(north, setup(("wide-pipe",), 1.05), setup())
    found = sheet(north, more="?before=1&after=2")
    assert found["gain"]["peak"]["percent"] == pytest.approx(100 * (1 / 1.05 - 1), abs=0.01)
    low, high = found["gain"]["peak"]["interval_percent"]
    assert low < found["gain"]["peak"]["percent"] < high < 0
    assert found["changed"]["taken_off"] == ["wide-pipe"]
    assert found["headline"].startswith("Without wide down-pipe: \u22125 % peak power (\u22127 kW)")


def test_what_more_than_one_thing_did_is_said_to_be_of_all_together(north):
    posted(north, setup(), setup(("road-map", "wide-pipe"), 1.08))
    found = sheet(north, more="?before=1&after=2")
    assert found["gain"]["peak"]["percent"] == pytest.approx(8.0, abs=0.02)
    assert found["headline"].startswith("All of these changes together: +8 %")
    assert (found["changed"]["part"], found["pooled"]) == (None, None)
    assert found["changed"]["fitted"] == ["road-map", "wide-pipe"]
    assert "calibration was changed in the same step" in words(found, 6)["Between A and B"]
    assert words(found, 9)["Other cars"].startswith("not asked: more than one thing")


def test_a_test_of_another_day_says_so_and_its_interval_is_wider(north):
    first = posted(north, setup(), id="a91c22b0-4e1d-5c1e-9a59-fd9cbc07486a", day=1)
    posted(north, setup(("wide-pipe",), 1.05), day=3)
    found = sheet(north, more=f"?after=1&before=/v1/sessions/{first}/setups/1")
    assert found["number"] == "7158-2c73-4094-1-a91c-22b0-4e1d-1"
    assert found["changed"]["match"] == "other-day"
    assert words(found, 6)["Time between"] == "2 days apart, strapped down anew"
    # the bay's own pulls before B: 2 degrees of freedom of 0.1 % beside four of 0.5 %
    pull_spread = math.sqrt((4 * PULL_SPREAD**2 + 2 * 0.001**2) / 6)
    half = 1.96 * math.sqrt(2 * (SETUP_SPREAD**2 + pull_spread**2 / 3) + 2 * SESSION_SPREAD**2)
    assert found["gain"]["smallest_percent"] == pytest.approx(100 * half, rel=2e-3)
    assert read(north, f"/v1/sheets/{found['number']}")["gain"] == found["gain"]


def test_figures_of_other_days_that_share_no_level_are_not_divided(north):
    bare = {"ambient": {"temperature": 20.0, "pressure": 99.0}}
    first = posted(
        north, of(pull(**bare), pull(1.001, **bare)), id="a91c22b0-4e1d-5c1e-9a59-fd9cbc07486a", day=1
    )
    posted(north, setup(("wide-pipe",), 1.05), day=3)
    found = sheet(north, more=f"?after=1&before=/v1/sessions/{first}/setups/1")
    assert found["gain"]["peak"] is None
    assert (
        found["gain"]["refused"]
        == "the air was not fully recorded, so figures of different days do not stand at one level"
    )
    assert words(found, 3)["Peak corrected"][0] == "not corrected"


def test_one_state_alone_makes_a_sheet_without_a_gain(north):
    posted(north, setup())
    found = sheet(north)
    assert (found["a"], found["gain"], found["changed"], found["pooled"]) == (None, None, None, None)
    assert found["number"] == "7158-2c73-4094-1"
    assert (
        found["headline"]
        == f"{POWER:.0f} kW peak power at the wheels at {PEAK_RPM:,.0f} rpm, give or take 1 kW in this strap-down."
    )
    assert read(north, "/v1/sheets/7158-2c73-4094-1")["b"] == found["b"]


def test_the_pooled_answer_is_that_of_typical_gain(stoats, north):
    for n, gain in enumerate((0.04, 0.05, 0.06), 2):
        posted(
            north, setup(), setup(("wide-pipe",), 1 + gain), vehicle=f"stoat-{n}", day=n, id=str(UUID(int=n))
        )
    found = before_and_after(north, day=9)["pooled"]
    asked = read(stoats, "/v1/typical-gain?part=wide-pipe&platform=stoat&curve=false")
    assert found["typical_percent"] == asked["typical_percent"]
    assert found["typical_interval_percent"] == asked["typical_interval_percent"]
    assert found["next_car_percent"] == asked["next_car_interval_percent"]
    assert (found["cars"], found["comparisons"], found["left_out"]) == (4, 4, 0)
    assert found["without_gain"] == {"cars": 0, "clearly": 0, "of": 4}
    assert found["cost"]["fitted"] == 480 + 2.5 * 72


def test_cars_without_a_gain_are_counted_as_the_gains_own_page_counts_them(stoats, north):
    for n, gain in enumerate((-0.06, -0.002, 0.06), 2):
        posted(
            north, setup(), setup(("wide-pipe",), 1 + gain), vehicle=f"stoat-{n}", day=n, id=str(UUID(int=n))
        )
    found = before_and_after(north, day=9)
    assert found["pooled"]["without_gain"] == {"cars": 2, "clearly": 1, "of": 4}
    row = words(found, 9)["Cars without a gain"]
    assert row == "two of 4 read lower or the same, one of them beyond what one test can tell"
    items = read(stoats, "/v1/typical-gain/questions?part=wide-pipe&platform=stoat")["items"]
    (told,) = [item["answer"][0] for item in items if "gained nothing" in item["question"]]
    assert told.startswith("Of the 4 cars, 2 read lower with it, or the same: 1 clearly, 1 by no more")


def test_the_sheet_of_wheels_says_that_they_change_the_reading_and_not_the_engine(stoats, north):
    etag = stoats.get("/v1/parts/wide-pipe").headers["ETag"]
    assert stoats.patch("/v1/parts/wide-pipe", {"slots": ["wheels-tyres"]}, If_Match=etag).status_code == 200
    assert "change what the rollers read" in words(before_and_after(north), 9)["Keep in mind"]


# The ten points


def test_every_one_of_the_ten_points_stands_on_the_sheet(north):
    found = before_and_after(north, gear=4, ratio=3.9, tyre_size="205/45R17")
    assert [one["point"] for one in found["points"]] == list(range(1, 11))
    assert set(words(found, 1)) == {"Car", "Not stock", "The rest", "Calibration", "Fuel"}
    assert words(found, 1)["Not stock"] == ("nothing", "Wide down-pipe (down-pipe or front pipe)")
    assert words(found, 2)["Figures"] == "at the wheels; at the flywheel: not estimated"
    assert words(found, 2)["Gear, ratio"] == "gear 4, engine over axle 3.90"
    assert words(found, 2)["Last bay check"] == "none before this test"
    assert words(found, 3)["Procedure"] == "SAE J1349"
    assert words(found, 3)["Factor used"] == "1.000"
    assert words(found, 4)["Pulls"] == "3 made, 3 accepted"
    assert words(found, 4)["Best pull"] == tuple(
        f"{scale * POWER:.1f} kW (pull 3)" for scale in (1.001, 1.051)
    )
    assert words(found, 5)["Coolant, °C"] == "88"
    assert words(found, 6)["Order"] == "A first, then B; not repeated (no A-B-A)"
    assert words(found, 7)["Before that"] == "moving mean, width 50 rpm"
    assert "conditions held" in words(found, 8)["Match"]
    assert words(found, 8)["Smallest gain it can show"].startswith("1.5 %")
    assert words(found, 9)["Fitted cost"] == "660 GBP (price of 10 January 2026, 2.5 h fitting)"
    assert "oil" in words(found, 10)["In this test"]


def test_what_was_not_recorded_is_null_and_said_to_be_not_measured(north):
    plain = {"ambient": dict(AIR), "engine": {}, "smoothing": None}
    posted(
        north,
        of(pull(**plain), pull(1.001, **plain)),
        of(pull(1.05, **plain), pull(1.051, **plain), parts=("wide-pipe",)),
    )
    found = sheet(north)
    assert found["a"]["conditions"]["oil"] is found["a"]["conditions"]["coolant"] is None
    assert found["a"]["fuel"] == {"octane": None, "octane_method": None, "ethanol": None}
    assert found["tested"]["odometer_km"] is None
    assert "odometer not recorded" in words(found, 1)["Car"]
    assert words(found, 1)["Fuel"] == "octane not recorded, ethanol not measured"
    assert words(found, 5)["Oil, °C"] == "not measured"
    assert words(found, 6)["Time between"] == "minutes not recorded"
    assert words(found, 6)["What else moved"] == "coolant and inlet air not recorded"
    assert words(found, 7)["Before that"] == "not recorded"
    assert {"oil", "coolant", "lambda", "spark advance", "ethanol"} <= set(found["not_measured"])
    assert found["changed"]["held"] is False


def test_pulls_that_do_not_count_are_told_with_their_reasons(north):
    settling, rejected = pull(0.95, status="settling"), pull(0.9, status="rejected", reason="missed a gear")
    posted(north, of(settling, pull(), pull(1.001), rejected))
    id_of = read(north, f"/v1/sessions/{ID}")["setups"][0]["pulls"][2]["id"]
    assert north.post(f"/v1/pulls/{id_of}/strike", {"reason": "wheel slipped"}).status_code == 200
    found = sheet(north)
    assert words(found, 4)["Pulls"] == "4 made, 1 accepted, 1 settling, 1 rejected, 1 struck"
    why = words(found, 4)["Not counted"]
    assert "pull 1 settling;" in why
    assert "pull 4 rejected: missed a gear" in why
    assert "pull 3 struck, reason on record" in why
    assert [one["counts"] for one in found["b"]["pulls"]["each"]] == [False, True, False, False]


def test_conditions_stand_side_by_side_with_their_ends(north):
    cool, hot = {**WARM, "inlet": 25.0}, {**WARM, "inlet": 27.0}
    posted(north, of(pull(engine=cool), pull(1.001, engine=hot)), setup(("wide-pipe",), 1.05))
    found = sheet(north)
    assert found["a"]["conditions"]["inlet_start"] == {"mean": 26.0, "low": 25.0, "high": 27.0}
    assert words(found, 5)["Inlet air, start, °C"] == ("26 (25 to 27)", "27")


def test_observed_stands_beside_corrected_with_the_factor_between(north):
    thin = {"ambient": {"temperature": 30.0, "pressure": 95.0, "humidity": 0.3}}
    posted(north, of(pull(**thin), pull(1.001, **thin), pull(0.999, **thin)))
    state = sheet(north)["b"]
    factors = [one["factor"] for one in state["pulls"]["each"]]
    dry = (
        95.0 - 0.3 * 4.2467
    )  # saturation at 30 degC 4.2467 kPa: ASHRAE Fundamentals 2017, chapter 1, table 3
    by_hand = 1.18 * (99 / dry) * math.sqrt((30 + 273) / 298) - 0.18
    assert factors == pytest.approx([by_hand] * 3, abs=2e-4)
    assert state["peak_power"]["mean"] / state["peak_power"]["observed"] == pytest.approx(by_hand, abs=3e-4)


def test_factor_one_by_policy_is_said(north):
    before_and_after(north)
    found = sheet(north, more="?standard=none")
    assert found["procedure"]["factor_is_policy"] is True
    assert words(found, 3)["Procedure"] == "none: factor 1, the shop's policy for this sheet"
    assert words(found, 3)["Factor used"] == "1, by policy: not corrected"


def test_the_last_reading_of_the_check_car_before_the_test_is_told(stoats, north):
    etag = stoats.get("/v1/vehicles/stoat-12").headers["ETag"]
    assert stoats.patch("/v1/vehicles/stoat-12", {"check_car": True}, If_Match=etag).status_code == 200
    for day, scale in ((1, 1.0), (2, 1.002), (9, 1.2)):
        posted(north, setup(scale=scale), vehicle="stoat-12", day=day, id=str(UUID(int=day)))
    found = before_and_after(north, day=5)
    check = found["b"]["bay"]["last_check"]
    assert (check["date"], check["state"], check["inside"]) == ("2026-03-02", "inside", True)
    assert check["deviation_percent"] == pytest.approx(0.2, abs=0.01)
    assert (
        words(found, 2)["Last bay check"]
        == "check car on 2 March 2026: +0.2 % from its mean, inside its limits (2.0 %)"
    )


def test_an_approval_that_nobody_recorded_sends_to_the_authority(stoats, north):
    assert (
        "Wide down-pipe: approval unknown, ask the authority"
        in before_and_after(north)["notices"]["legality"]
    )
    etag = stoats.get("/v1/parts/wide-pipe").headers["ETag"]
    known = {"approval": {"document": "sheet 118", "place": "Vale district"}}
    assert stoats.patch("/v1/parts/wide-pipe", known, If_Match=etag).status_code == 200
    assert "Wide down-pipe: recorded as 'sheet 118', Vale district" in sheet(north)["notices"]["legality"]


def test_nothing_private_stands_on_the_sheet(stoats, north):
    etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
    assert (
        stoats.patch("/v1/vehicles/stoat-1", {"vin": "1M8GDM9AXKP042788"}, If_Match=etag).status_code == 200
    )
    found = before_and_after(north, operator="Harriet Example")
    text = json.dumps(found["points"]) + json.dumps(found["notices"]) + found["headline"] + found["title"]
    assert "Harriet" not in json.dumps(found)
    assert "042788" not in json.dumps(found)
    assert "10:00" not in text


# Version


def change(client: Client, path: str, body: dict, session_id: str = ID) -> None:
    etag = client.get(f"/v1/sessions/{session_id}").headers["ETag"]
    done = client.patch(path, body, If_Match=etag)
    assert done.status_code == 200, done.json


def test_the_same_question_gives_the_same_sheet(north):
    first = before_and_after(north)
    again = sheet(north)
    assert {**again, "as_of": ""} == {**first, "as_of": ""}
    assert (first["version"], first["superseded"]) == (1, None)


def test_every_change_of_what_it_rests_on_makes_one_more_version(north):
    posted(
        north, setup(), of(pull(1.05, engine={**WARM, "coolant": 115.0}), pull(1.051), parts=("wide-pipe",))
    )
    hot = read(north, f"/v1/sessions/{ID}")["setups"][1]["pulls"][0]["id"]
    assert sheet(north, more="?before=1&after=2")["version"] == 1
    steps = (
        lambda: north.post(f"/v1/pulls/{hot}/confirm", {"reason": "gauge is wrong"}),
        lambda: north.post(f"/v1/pulls/{hot}/strike", {"reason": "hot"}),
        lambda: north.post(f"/v1/pulls/{hot}/unstrike", {}),
        lambda: change(north, f"/v1/sessions/{ID}/setups/1", {"label": "stock", "reason": "was missing"}),
        lambda: change(north, f"/v1/sessions/{ID}", {"gear": 4, "reason": "was missing"}),
    )
    for version, step in enumerate(steps, 2):
        step()
        assert sheet(north, more="?before=1&after=2")["version"] == version


def test_what_it_does_not_rest_on_leaves_its_version_alone(stoats, north):
    before_and_after(north)
    other = posted(north, setup(), vehicle="stoat-2", day=2, id=str(UUID(int=2)))
    north.post(f"/v1/sessions/{other}/strike", {"reason": "wrong car"})
    posted(north, setup(), day=4, id=str(UUID(int=4)))
    etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
    assert stoats.patch("/v1/vehicles/stoat-1", {"odometer_km": 61_000}, If_Match=etag).status_code == 200
    found = sheet(north)
    assert found["version"] == 1
    assert found["tested"]["odometer_km"] is None, "what was read at a later visit is not that of the test"


def test_a_change_of_what_it_prints_of_the_car_counts(stoats, north):
    before_and_after(north)
    etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
    assert stoats.patch("/v1/vehicles/stoat-1", {"model_year": 2019}, If_Match=etag).status_code == 200
    etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
    renamed = {"tag": "stoat-one", "confirm": True}
    assert stoats.patch("/v1/vehicles/stoat-1", renamed, If_Match=etag).status_code == 200
    assert sheet(north)["version"] == 3


def test_moving_a_session_to_another_car_never_takes_a_version_away(stoats, north):
    before_and_after(north)
    etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
    assert stoats.patch("/v1/vehicles/stoat-1", {"model_year": 2019}, If_Match=etag).status_code == 200
    change(north, f"/v1/sessions/{ID}", {"vehicle": "stoat-2", "reason": "wrong car chosen"})
    found = sheet(north)
    assert (found["version"], found["tested"]["vehicle"]) == (3, "stoat-2")


def test_an_older_version_says_what_superseded_it(north):
    before_and_after(north)
    change(
        north, f"/v1/sessions/{ID}/setups/2", {"parts": ["mesh-pipe"], "reason": "the other pipe was fitted"}
    )
    change(north, f"/v1/sessions/{ID}", {"gear": 4, "reason": "was missing"})
    found = read(north, f"/v1/sheets/{NUMBER}?version=1")
    assert (found["version"], found["superseded"]["version"], found["superseded"]["by"]) == (3, 1, 3)
    assert [
        {name: one[name] for name in ("who", "action", "what", "from", "to", "reason")}
        for one in found["superseded"]["changes"]
    ] == [
        {"who": "north", "action": "amended", "what": "setup 2: parts", "from": "wide-pipe", "to": "mesh-pipe", "reason": "the other pipe was fitted"},
        {"who": "north", "action": "amended", "what": "the session: gear", "from": None, "to": "4", "reason": "was missing"},
    ]  # fmt: skip
    later = read(north, f"/v1/sheets/{NUMBER}?version=2")["superseded"]
    assert [one["what"] for one in later["changes"]] == ["the session: gear"]
    assert read(north, f"/v1/sheets/{NUMBER}?version=3")["superseded"] is None


def test_who_changed_what_and_why_stays_in_the_house(stoats, north, nobody):
    before_and_after(north, operator="Harriet Example")
    etag = stoats.get("/v1/settings").headers["ETag"]
    assert stoats.patch("/v1/settings", {"open_reading": True}, If_Match=etag).status_code == 200
    pulls = read(north, f"/v1/sessions/{ID}")["setups"][1]["pulls"]
    one, two = (f"/v1/pulls/{pulls[i]['id']}" for i in (1, 2))
    assert north.post(f"{two}/strike", {"reason": "Ivo hit the kerb"}).status_code == 200
    change(north, one, {"status": "rejected", "reason": "Ivo says so"})
    change(north, f"/v1/sessions/{ID}", {"operator": "Joan Example", "reason": "Ivo was off"})
    for named in (f"/v1/sheets/{NUMBER}?version=1", f"/v1/sessions/{ID}/sheet?before=1&after=2"):
        public, house = read(nobody, named), read(north, named)
        assert "Example" not in json.dumps(public)
        assert "Ivo" not in json.dumps(public)
        for words_of in ("points", "headline", "notices", "title"):
            assert "Ivo" not in json.dumps(house[words_of])
    public, house = (
        read(by, f"/v1/sheets/{NUMBER}?version=1")["superseded"]["changes"] for by in (nobody, north)
    )
    assert [(one["what"], one["action"]) for one in public] == [
        ("setup 2, pull 3", "struck"),
        ("setup 2, pull 2: status", "amended"),
        ("the session: operator", "amended"),
    ]
    assert {one["who"] for one in public} == {one["reason"] for one in public} == {None}
    assert [one["reason"] for one in house] == ["Ivo hit the kerb", "Ivo says so", "Ivo was off"]
    assert house[2]["to"] == "Joan Example"
    assert "pull 2 rejected: reason on record" in json.dumps(words(read(nobody, f"/v1/sheets/{NUMBER}"), 4))


def test_the_headline_says_how_sure_it_is_and_what_was_not_held(north):
    cool, hot = (
        [pull(scale, engine={**WARM, "inlet": degrees}) for _ in range(3)]
        for scale, degrees in ((1.0, 22.0), (0.975, 38.0))
    )
    posted(north, of(*cool), of(*hot, parts=("wide-pipe",)))
    said = sheet(north, more="?before=1&after=2")["headline"]
    assert "(95 in 100 sure)" in said
    assert "Not held: inlet air 22 °C before, 38 °C after." in said


def test_the_headline_of_a_test_that_was_held_names_nothing_moved(north):
    warm = [pull(scale, engine=WARM) for scale in (1.0, 1.001, 0.999)]
    posted(
        north,
        of(*warm),
        of(*[pull(scale, engine=WARM) for scale in (1.05, 1.051, 1.049)], parts=("wide-pipe",)),
    )
    found = sheet(north, more="?before=1&after=2")
    assert (found["changed"]["held"], "held" in found["headline"]) == (True, False)


def test_a_struck_test_gives_no_figure_and_says_why(north):
    before_and_after(north)
    north.post(f"/v1/sessions/{ID}/strike", {"reason": "wrong car chosen"})
    found = sheet(north, more="?before=1&after=2")
    assert found["version"] == 2
    assert found["headline"] == "No figure for the difference: state A was struck, reason on record."
    assert found["gain"]["peak"] is None
    assert words(found, 4)["Pulls"].startswith("3 made, 0 accepted")


# What stands on which side


def test_bays_add_their_spread_to_a_test_over_two_of_them(stoats):
    first = posted(stoats, setup(), id=EARLIER, bay="hub", day=1)
    posted(stoats, setup(("wide-pipe",), 1.05), day=3)
    found = sheet(stoats, more=f"?after=1&before=/v1/sessions/{first}/setups/1")
    assert found["changed"]["match"] == "other-bay"
    half = 1.96 * math.sqrt(2 * (SETUP_SPREAD**2 + PULL_SPREAD**2 / 3 + SESSION_SPREAD**2 + BAY_SPREAD**2))
    assert found["gain"]["smallest_percent"] == pytest.approx(100 * half, rel=2e-3)


def test_the_order_and_the_days_are_those_of_the_tests_not_of_their_letters(north):
    posted(north, setup(("wide-pipe",), 1.05), id=EARLIER, day=1)
    posted(north, setup(), day=3)
    found = read(north, f"/v1/sessions/{EARLIER}/sheet?after=1&before=/v1/sessions/{ID}/setups/1")
    assert (found["changed"]["a_first"], found["changed"]["days_between"]) == (False, 2)
    assert words(found, 6)["Order"].startswith("B first, then A")


def test_minutes_between_run_from_the_last_pull_of_one_to_the_first_of_the_other(north):
    def at(minute: int, scale: float) -> dict:
        return pull(scale, started_at=f"2026-03-01T10:{minute:02d}:00+00:00")

    posted(
        north,
        of(at(1, 1.0), at(6, 1.001), at(11, 0.999)),
        of(at(32, 1.05), at(38, 1.051), at(44, 1.049), parts=("wide-pipe",)),
    )
    found = sheet(north)
    assert found["changed"]["minutes_between"] == 21
    assert words(found, 6)["Time between"].startswith("21 minutes")


def test_a_repeated_state_lies_between_its_readings_at_every_speed(north):
    posted(north, setup(), setup(("wide-pipe",), 1.05), setup(scale=1.02))
    along = sheet(north)["curves"]["gain"]
    gain = along["gain"][along["rpm"].index(4200.0)]
    power = 260 * 4200 * math.pi / 30_000  # the top of the parabola of `hump`
    assert gain == pytest.approx(power * (1.05 - math.sqrt(1.02)), abs=0.06)


def test_the_state_that_is_repeated_is_named_by_its_letter_whichever_it_is(north):
    posted(north, setup(("wide-pipe",), 1.05), setup(), setup(("wide-pipe",), 1.05))
    fitted, taken_off = (sheet(north, more=f"?before={a}&after={b}") for a, b in ((2, 1), (1, 2)))
    assert (fitted["changed"]["again_is"], taken_off["changed"]["again_is"]) == ("b", "a")


def test_a_part_coming_off_is_counted_from_the_figure_with_it(north):
    posted(north, setup(("wide-pipe",), 1.05), setup())
    found = sheet(north, more="?before=1&after=2")
    assert found["gain"]["peak"]["gain"] == pytest.approx(-0.05 * POWER, abs=0.06)
    curves = found["curves"]
    at = {rpm: i for i, rpm in enumerate(curves["rpm"])}
    for rpm, gain in zip(curves["gain"]["rpm"], curves["gain"]["gain"], strict=True):
        own = curves["power_b"][at[rpm]] - curves["power_a"][at[rpm]]
        assert gain == pytest.approx(own, abs=0.11), "power is shown to the tenth"


def test_what_else_moved_is_told_from_a_to_b_where_the_part_came_off(north):
    hot, cool = (
        [pull(scale, engine={**WARM, "coolant": degrees}) for _ in range(3)]
        for scale, degrees in ((1.05, 99.0), (1.0, 85.0))
    )
    posted(north, of(*hot, parts=("wide-pipe",)), of(*cool))
    (moved,) = sheet(north, more="?before=1&after=2")["changed"]["differs"]
    assert (moved["before"], moved["after"]) == (99.0, 85.0)


def test_b_struck_alone_is_named(north):
    before_and_after(north)
    north.post(f"/v1/sessions/{ID}/setups/2/strike", {"reason": "hose came off"})
    found = sheet(north, more="?before=1&after=2")
    assert found["headline"] == "No figure for the difference: state B was struck, reason on record."


def test_the_curves_stand_at_the_standard_of_the_peak(north):
    thin = {"ambient": {"temperature": 30.0, "pressure": 90.0, "humidity": 0.3}}
    posted(north, of(pull(**thin), pull(1.001, **thin), pull(0.999, **thin)))
    found = sheet(north, more="?standard=sae-j607")
    peak = found["b"]["peak_power"]
    assert peak["mean"] > 1.03 * peak["observed"]
    assert max(filter(None, found["curves"]["power_b"])) == pytest.approx(peak["mean"], rel=2e-3)


def test_the_best_pull_is_the_strongest_after_correction(north):
    """The second reads less in air of 90 kPa, and is the stronger once that is taken out."""
    thin = {"ambient": {**AIR, "pressure": 90.0}}
    posted(north, of(pull(), pull(0.95, **thin)))
    assert sheet(north)["b"]["pulls"]["best"] == 2


def test_a_struck_pull_is_counted_as_struck_alone(north):
    posted(north, of(pull(), pull(1.001), pull(0.9, status="rejected", reason="missed a gear")))
    id_of = read(north, f"/v1/sessions/{ID}")["setups"][0]["pulls"][2]["id"]
    assert north.post(f"/v1/pulls/{id_of}/strike", {"reason": "wrong car"}).status_code == 200
    assert words(sheet(north), 4)["Pulls"] == "3 made, 2 accepted, 1 struck"


def test_the_last_check_is_of_the_bay_itself_by_whichever_check_car_came_last(stoats, north):
    for tag in ("stoat-11", "stoat-12"):
        etag = stoats.get(f"/v1/vehicles/{tag}").headers["ETag"]
        assert stoats.patch(f"/v1/vehicles/{tag}", {"check_car": True}, If_Match=etag).status_code == 200
    for n, (tag, bay, day) in enumerate(
        (("stoat-12", "north", 1), ("stoat-11", "north", 2), ("stoat-11", "hub", 4)), 1
    ):
        posted(stoats, setup(), vehicle=tag, bay=bay, day=day, id=str(UUID(int=n)))
    assert before_and_after(north, day=5)["b"]["bay"]["last_check"]["date"] == "2026-03-02"


def test_the_check_cars_own_test_is_no_check_before_itself(stoats, north):
    etag = stoats.get("/v1/vehicles/stoat-12").headers["ETag"]
    assert stoats.patch("/v1/vehicles/stoat-12", {"check_car": True}, If_Match=etag).status_code == 200
    posted(north, setup(), vehicle="stoat-12", day=1, id=str(UUID(int=1)))
    found = before_and_after(north, vehicle="stoat-12", day=5)
    assert found["b"]["bay"]["last_check"]["date"] == "2026-03-01"


def test_the_bay_is_told_with_what_was_done_to_it_last_before_the_test(stoats, north):
    for day, kind in ((1, "repaired"), (3, "recalibrated"), (4, "other"), (8, "repaired")):
        event = {"at": f"2026-03-{day:02d}T08:00:00+00:00", "kind": kind}
        assert stoats.post("/v1/bays/north/events", event).status_code == 201
    assert (
        words(before_and_after(north, day=5), 2)["Bay"]
        == "North, rollers, inertia; recalibrated 3 March 2026"
    )


def test_the_odometer_is_the_one_that_stood_when_the_session_was_posted(stoats, north):
    def read_off(km: int) -> None:
        etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
        changed = {"odometer_km": km}
        assert stoats.patch("/v1/vehicles/stoat-1", changed, If_Match=etag).status_code == 200

    read_off(50_000)
    before_and_after(north)
    read_off(61_000)
    read_off(62_000)
    assert sheet(north)["tested"]["odometer_km"] == 50_000


def test_a_change_of_either_session_makes_a_new_version(stoats, north):
    posted(north, setup(), id=EARLIER, day=1)
    etag = stoats.get("/v1/vehicles/stoat-1").headers["ETag"]
    assert stoats.patch("/v1/vehicles/stoat-1", {"model_year": 2019}, If_Match=etag).status_code == 200
    posted(north, setup(("wide-pipe",), 1.05), day=3)
    asked = f"?after=1&before=/v1/sessions/{EARLIER}/setups/1"
    assert sheet(north, more=asked)["version"] == 2, "the car changed after the first of both was posted"
    change(north, f"/v1/sessions/{EARLIER}", {"gear": 4, "reason": "was missing"}, EARLIER)
    assert sheet(north, more=asked)["version"] == 3
    assert sheet(north, more="?after=1")["version"] == 1


# By number, and what is asked wrongly


def test_a_version_that_was_never_made_is_a_slip_with_a_way_out(north):
    before_and_after(north)
    said = refused(north, f"/v1/sheets/{NUMBER}?version=2", 422)
    assert (
        said
        == f"sheet {NUMBER} has no version 2: the newest is 1; look at the version printed on it again, or leave it out"
    )


def test_a_number_of_no_session_is_not_found(north):
    assert "7158-2c73-4094-1-2" in refused(north, f"/v1/sheets/{NUMBER}", 404)


def test_what_is_no_number_is_refused_with_an_example(north):
    assert "such as 7158-2c73-4094-1-2" in refused(north, "/v1/sheets/nonsense", 422)


def test_a_number_that_two_sessions_share_names_both(north):
    twin = ID[:-1] + "b"
    before_and_after(north)
    posted(north, setup(), vehicle="stoat-2", day=2, id=twin)
    said = refused(north, f"/v1/sheets/{NUMBER}", 409)
    assert ID in said
    assert twin in said


@pytest.mark.parametrize(
    ("more", "status", "words"),
    [
        ("?before=1&after=1", 422, "against itself"),
        ("?before=9&after=2", 404, "which has 1, 2"),
        ("?before=one&after=2", 422, "names no setup"),
        ("?after=0", 422, ""),
    ],
)
def test_states_that_make_no_sheet_are_refused_with_the_way_out(north, more, status, words):
    before_and_after(north)
    assert words in refused(north, f"/v1/sessions/{ID}/sheet{more}", status)


def test_a_sheet_is_of_one_car(north):
    before_and_after(north)
    other = posted(north, setup(), vehicle="stoat-2", day=2, id=str(UUID(int=2)))
    said = refused(north, f"/v1/sessions/{ID}/sheet?after=2&before=/v1/sessions/{other}/setups/1", 422)
    assert said == "that setup is of stoat-2, this session of stoat-1; a sheet is of one car"


def test_the_curves_come_as_a_table(north):
    found = before_and_after(north)
    text = north.get(f"/v1/sessions/{ID}/sheet", Accept="text/csv").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [float(one["rpm"]) for one in rows] == found["curves"]["rpm"]
    assert [float(one["power_b"]) for one in rows] == pytest.approx(found["curves"]["power_b"])
    assert {one["number"] for one in rows} == {NUMBER}


def test_the_document_is_what_its_schema_says_and_every_field_is_described(north, nobody):
    found = before_and_after(north)
    assert SheetAnswer().validate(found) == {}
    assert set(found) == set(SheetAnswer().fields)
    shown = nobody.get("/v1/openapi.json").json["components"]["schemas"]["SheetAnswer"]["properties"]
    assert [name for name, one in shown.items() if not one.get("description")] == []


def test_another_bay_sees_no_sheet_of_this_one(stoats, north, app, connection):
    before_and_after(north)
    posted(north, setup(), day=8, id=str(UUID(int=8)))  # no longer the car's last
    hub = Client(app.test_client(), new_token(connection, scope="post", bay="hub", name="hub"))
    assert hub.get(f"/v1/sessions/{ID}/sheet").status_code == 404
    assert hub.get(f"/v1/sheets/{NUMBER}").status_code == 404
