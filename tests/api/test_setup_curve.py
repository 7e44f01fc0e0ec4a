"""A setup's mean curve with everything that was recorded along it."""

import numpy as np
import pytest

from service.domain.restriction import Restriction
from service.schemas.setup_curves import restriction_document
from tests.factories import RPM, hump, pull, session, setup

PATH = "/v1/sessions/{}/setups/1/curve"
MAP = [101.0 - 0.001 * (rpm - 2000.0) for rpm in RPM]  # falls by a kilopascal every thousand rpm


def curve_of(client, body: dict, query: str = "?units=si", **headers):
    kept = client.post("/v1/sessions", body)
    assert kept.status_code == 201, kept.get_json()
    return client.get(PATH.format(kept.get_json()["id"]) + query, **headers)


def with_channels(**channels) -> dict:
    """A session of one setup with these beside torque."""
    one = pull()
    one["curve"] |= {name: list(values) for name, values in channels.items()}
    return session(setup(pulls=1) | {"pulls": [one]})


def at(curve: dict, rpm: float, name: str) -> float:
    return curve[name][curve["rpm"].index(rpm)]


def test_torque_and_power_stand_every_50_rpm_at_the_asked_standard(stoats):
    answer = curve_of(stoats, session(setup())).get_json()
    assert (answer["standard"], answer["pulls"], answer["restriction"]) == ("sae-j1349", 3, None)
    curve = answer["curve"]
    assert (curve["rpm"][0], curve["rpm"][-1], curve["rpm"][1] - curve["rpm"][0]) == (2000, 6500, 50)
    # the reference air's factor is 1 to four digits
    assert at(curve, 4200, "torque") == pytest.approx(hump(4200.0), rel=2e-4)
    assert at(curve, 4200, "power") == pytest.approx(hump(4200.0) * 4200 * np.pi / 30_000, rel=2e-4)


def test_what_was_recorded_along_the_curve_is_answered_in_the_asked_units(stoats):
    body = with_channels(
        map=MAP, **{"lambda": [0.86] * len(RPM)}, spark=[18.0] * len(RPM), inlet=[40.0] * len(RPM)
    )
    answer = curve_of(stoats, body, "?units=us").get_json()
    curve = answer["curve"]
    # NIST SP 811 B.8: one inch of mercury at 0 degC is 3.38638 kPa, one pound-force a square inch 6.894757 kPa.
    assert at(curve, 4000, "map") == pytest.approx(99.0 / 3.38638, rel=1e-3)
    assert at(curve, 4000, "boost") == pytest.approx((99.0 - 100.0) / 6.894757, abs=3e-3)
    assert (at(curve, 4000, "lambda"), at(curve, 4000, "spark"), at(curve, 4000, "inlet")) == (
        0.86,
        18.0,
        104.0,
    )


def test_the_setup_that_recorded_nothing_beside_torque_has_no_other_columns(stoats):
    assert set(curve_of(stoats, session(setup())).get_json()["curve"]) == {"rpm", "torque", "power"}


def test_a_falling_manifold_pressure_is_a_restriction_in_kilopascal_and_an_estimate_of_power(shop):
    etag = shop.get("/v1/platforms/stoat")
    body = {"aspiration": "natural"}
    assert shop.patch("/v1/platforms/stoat", body, If_Match=etag.headers["ETag"]).status_code == 200
    # about 100 kPa at 2500 rpm and 95.5 kPa at 6250 rpm are 4-5 kPa upstream (common practice, no source)
    fall = [100.0 - 4.5 * (rpm - 2500.0) / 3750.0 for rpm in RPM]
    posted = with_channels(map=fall)
    answer = curve_of(shop, posted | {"vehicle": shop_car(shop)}).get_json()
    restriction = answer["restriction"]
    assert 4.0 < restriction["pressure"] < 5.5
    assert "consistent with" in restriction["reading"]
    assert "estimate" in restriction["reading"]
    # by hand: the pressure law gives the low over the top pressure less one, in percent
    low, top = (
        100.0 - 4.5 * (restriction["from_rpm"] - 2500.0) / 3750.0,
        100.0 - 4.5 * (restriction["at_rpm"] - 2500.0) / 3750.0,
    )
    assert restriction["power_freed_percent"] == pytest.approx(100 * (low / top - 1), rel=0.02)


def shop_car(client) -> str:
    return client.get("/v1/vehicles").get_json()["items"][0]["tag"]


def test_as_csv_it_is_one_row_a_speed(stoats):
    text = curve_of(stoats, with_channels(map=MAP), Accept="text/csv").text.splitlines()
    assert text[0] == "rpm,torque,power,map,boost,units,standard"
    assert len(text) == 1 + (6500 - 2000) // 50 + 1


def test_the_api_document_declares_both_forms_and_says_what_the_curve_is(nobody):
    document = nobody.get("/v1/openapi.json").get_json()
    operation = document["paths"]["/v1/sessions/{id}/setups/{n}/curve"]["get"]
    assert set(operation["responses"]["200"]["content"]) == {"application/json", "text/csv"}
    properties = document["components"]["schemas"]["SetupCurve"]["properties"]
    assert [name for name, inner in properties.items() if not inner.get("description")] == []
    assert (
        "estimate"
        in document["components"]["schemas"]["Restriction"]["properties"]["power_freed"]["description"]
    )


@pytest.mark.parametrize(
    "path",
    [
        "/v1/sessions/{id}/setups/{n}/curve", "/v1/sessions/{id}/review", "/v1/checks", "/v1/standards",
        "/v1/correction-factor", "/v1/settings", "/v1/bays/{slug}/settings", "/v1/settings/{name}/history",
    ],
)  # fmt: skip
def test_a_question_has_a_description_beside_its_summary(nobody, path):
    operation = nobody.get("/v1/openapi.json").get_json()["paths"][path]["get"]
    assert len(operation["summary"]) > 10
    assert len(operation["description"]) > 20


def test_a_record_of_peaks_has_no_curve(stoats):
    peaks = {"peaks": {"power": 120.0, "power_rpm": 6000}, "basis": "observed", "best_of": 3}
    answer = curve_of(stoats, session({"parts": [], "pulls": [peaks]})).get_json()
    assert (answer["curve"], answer["restriction"]) == (None, None)


def test_a_setup_there_is_not_is_404(stoats):
    kept = stoats.post("/v1/sessions", session(setup())).get_json()["id"]
    answer = stoats.get(f"/v1/sessions/{kept}/setups/2/curve")
    assert answer.status_code == 404
    assert answer.json["detail"] == f"there is no setup '2 of session {kept}, which has 1'"


def test_a_curve_says_what_it_is_corrected_to_and_never_a_word_of_the_house(stoats):
    etag = stoats.get("/v1/platforms/stoat").headers["ETag"]
    answer = stoats.patch("/v1/platforms/stoat", {"ignition": "compression"}, If_Match=etag)
    assert answer.status_code == 200, answer.json
    whole = curve_of(stoats, session(setup()), "?standard=un-r85").get_json()
    assert (whole["standard"], whole["standing"]) == (
        "sae-j1349", "by SAE J1349: UN Regulation 85 needs the engine's fuel per cycle and boost ratio, not recorded",
    )  # fmt: skip
    dry = [pull(ambient={"temperature": 25.0, "pressure": 100.0})]
    bare = curve_of(stoats, session({"parts": [], "pulls": dry}, day=2), "?standard=din-70020").get_json()
    assert (bare["standard"], bare["standing"]) == (
        None, "as measured, not corrected: humidity was not recorded",
    )  # fmt: skip


def test_a_restriction_is_said_in_the_asked_units():
    found = Restriction(kpa=4.4, from_rpm=2500.0, at_rpm=6250.0, power_freed_percent=4.6, power_freed_kw=5.0)
    # NIST SP 811 B.8: one inch of mercury at 0 degC is 3.38638 kPa
    assert "falls by 1.3 inHg from 2500" in restriction_document(found, "us")["reading"]
    assert "falls by 4.4 kPa from 2500" in restriction_document(found, "si")["reading"]
    assert "falls by 44 hPa from 2500" in restriction_document(found, "ps")["reading"]
    us = restriction_document(found, "us")
    assert us["pressure"] == pytest.approx(4.4 / 3.38638, rel=1e-5)
    # NIST SP 811 B.8: one horsepower of 550 ft.lbf/s is 0.7456999 kW
    assert us["power_freed"] == pytest.approx(5.0 / 0.7456999, rel=1e-6)


def test_each_pulls_own_curve_is_answered_when_asked_for_and_their_mean_is_the_setups(stoats):
    answer = curve_of(stoats, session(setup(pulls=3)), "?units=us&singles=true").get_json()
    singles = answer["singles"]
    assert [one["n"] for one in singles] == [1, 2, 3]
    assert {one["status"] for one in singles} == {"accepted"}
    for name in ("torque", "power"):
        own = [[*one[name]] for one in singles]
        assert len(own[0]) == len(answer["curve"]["rpm"])
        # both are told to five digits: half a unit of the last one each
        assert np.mean(own, axis=0) == pytest.approx(answer["curve"][name], rel=1.1e-4)


def test_a_rejected_pull_is_among_the_single_curves_though_the_mean_leaves_it_out(stoats):
    body = session(setup(pulls=2))
    weak = pull(0.9) | {"status": "rejected", "reason": "wheel slip"}
    body["setups"][0]["pulls"].append(weak)
    answer = curve_of(stoats, body, "?units=si&singles=true").get_json()
    assert answer["pulls"] == 2
    third = answer["singles"][2]
    assert third["status"] == "rejected"
    assert at(answer["curve"], 4200, "torque") == pytest.approx(hump(4200.0), rel=1e-3)
    where = answer["curve"]["rpm"].index(4200)
    assert third["torque"][where] == pytest.approx(0.9 * hump(4200.0), rel=1e-3)


def test_a_pull_that_stands_elsewhere_than_the_mean_has_no_curve_beside_it(stoats):
    body = session(setup(pulls=2))
    body["setups"][0]["pulls"].append(pull(basis={"standard": "unknown"}))
    answer = curve_of(stoats, body, "?units=si&singles=true").get_json()
    assert answer["pulls"] == 2
    assert [one["n"] for one in answer["singles"]] == [1, 2]


def test_single_curves_are_left_out_unless_asked_for(stoats):
    assert "singles" not in curve_of(stoats, session(setup())).get_json()
