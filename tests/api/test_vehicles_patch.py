"""PATCH /v1/vehicles/{tag}."""

import pytest

from tests.api.bodies import PLATFORM, VEHICLE, added, session
from tests.conftest import version_of

CAR = "/v1/vehicles/car-a"
SAMPLE_VIN = "1G4AH59H45G118341"  # 49 CFR 565, table V


@pytest.fixture
def measured(shop):
    """The car with one session in the ledger."""
    added(shop, "/v1/sessions", session([]))
    added(shop, "/v1/platforms", PLATFORM, slug="heron")
    return shop


def test_a_change_answers_the_new_version(shop):
    response = shop.patch(CAR, {"odometer_km": 90000, "check_car": True}, If_Match='"v1"')
    assert response.status_code == 200
    assert response.headers["ETag"].startswith('"v2.')
    assert (response.get_json()["odometer_km"], response.get_json()["check_car"]) == (90000, True)
    assert shop.get(CAR).get_json()["tag"] == "car-a"


def test_a_change_without_if_match_is_428(shop):
    assert shop.patch(CAR, {"odometer_km": 1}).status_code == 428


def test_a_change_of_an_older_version_is_412_and_changes_nothing(shop):
    shop.patch(CAR, {"odometer_km": 1}, If_Match='"v1"')
    response = shop.patch(CAR, {"odometer_km": 2}, If_Match='"v1"')
    assert response.status_code == 412
    assert '"v2"' in response.get_json()["detail"]
    assert shop.get(CAR).get_json()["odometer_km"] == 1


def test_a_change_to_what_it_is_already_makes_no_new_version(shop):
    response = shop.patch(CAR, {"tag": "car-a"}, If_Match='"v1"')
    assert (response.status_code, version_of(response)) == (200, '"v1"')
    assert len(shop.get("/v1/history?about=vehicles/car-a").get_json()["items"]) == 1


def test_null_forgets_what_was_known(shop):
    shop.patch(CAR, {"model_year": 2019, "vin": SAMPLE_VIN}, If_Match='"v1"')
    car = shop.patch(CAR, {"model_year": None, "vin": None}, If_Match='"v2"').get_json()
    assert (car["model_year"], car["vin_known"]) == (None, False)


def test_a_vin_can_be_given_later_and_is_noted_when_odd(shop):
    car = shop.patch(CAR, {"vin": SAMPLE_VIN[:-1]}, If_Match='"v1"').get_json()
    assert car["vin_known"] is True
    assert [note["code"] for note in car["notes"]] == ["vin-length"]


def test_one_vin_for_another_is_in_the_history_without_either(shop):
    shop.patch(CAR, {"vin": SAMPLE_VIN}, If_Match='"v1"')
    shop.patch(CAR, {"vin": SAMPLE_VIN.replace("4", "5")}, If_Match='"v2"')
    row = shop.get("/v1/history?about=vehicles/car-a").get_json()["items"][0]
    assert (row["before"], row["after"]) == ({"vin": "known"}, {"vin": "known"})


def test_a_car_moves_to_another_platform_while_nothing_was_measured_on_it(shop):
    added(shop, "/v1/platforms", PLATFORM, slug="heron")
    assert shop.patch(CAR, {"platform": "heron"}, If_Match='"v1"').get_json()["platform"] == "heron"


def test_a_measured_car_stays_on_its_platform(measured):
    response = measured.patch(CAR, {"platform": "heron"}, If_Match='"v1"')
    assert response.status_code == 409
    assert "1 session" in response.get_json()["detail"]
    assert measured.get(CAR).get_json()["platform"] == "stoat"


def test_a_measured_car_can_be_changed_otherwise(measured):
    body = {"platform": "stoat", "odometer_km": 5}
    assert measured.patch(CAR, body, If_Match='"v1"').status_code == 200


def test_an_unknown_platform_is_422_naming_the_nearest(shop):
    response = shop.patch(CAR, {"platform": "stot"}, If_Match='"v1"')
    assert response.status_code == 422
    assert "stoat" in response.get_json()["errors"][0]["detail"]


def test_a_new_tag_one_letter_from_the_old_is_no_slip(shop):
    assert shop.patch(CAR, {"tag": "car-c"}, If_Match='"v1"').status_code == 200
    assert shop.get("/v1/vehicles/car-a").status_code == 404
    assert shop.get("/v1/vehicles/car-c").status_code == 200


def test_a_new_tag_one_letter_from_another_car_needs_a_confirmation(shop):
    added(shop, "/v1/vehicles", VEHICLE, tag="marten-a")
    refused = shop.patch(CAR, {"tag": "marten-b"}, If_Match='"v1"')
    assert refused.status_code == 422
    assert "marten-a" in refused.get_json()["errors"][0]["detail"]
    assert shop.patch(CAR, {"tag": "marten-b", "confirm": True}, If_Match='"v1"').status_code == 200


def test_a_new_tag_one_number_from_another_car_is_of_a_series_and_no_slip(shop):
    added(shop, "/v1/vehicles", VEHICLE, tag="marten-7")
    assert shop.patch(CAR, {"tag": "marten-8"}, If_Match='"v1"').status_code == 200


def test_a_renamed_car_leads_to_its_past(shop):
    shop.patch(CAR, {"tag": "new-name"}, If_Match='"v1"')
    (row,) = shop.get("/v1/history?about=vehicles/new-name").get_json()["items"]
    assert (row["action"], row["before"]) == ("renamed", {"about": "vehicles/car-a"})


def test_a_change_moves_the_versions_of_the_platforms_answers(shop, connection):
    connection.execute(
        "INSERT INTO evidence_version (platform_id, part_id, version) SELECT platform_id, 0, 7 FROM platform"
    )
    shop.patch(CAR, {"check_car": True}, If_Match='"v1"')
    assert connection.execute("SELECT version FROM evidence_version").fetchone() == (8,)


def test_an_unknown_car_is_404_naming_the_nearest(shop):
    response = shop.patch("/v1/vehicles/carr-a", {}, If_Match='"v1"')
    assert response.status_code == 404
    assert "car-a" in response.get_json()["detail"]
