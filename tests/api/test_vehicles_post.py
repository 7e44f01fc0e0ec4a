"""POST /v1/vehicles."""

import pytest

from service.app import create_app
from service.settings import Settings
from tests.api.bodies import PLATFORM, VEHICLE, added

SAMPLE_VIN = "1G4AH59H45G118341"
"""The sample of 49 CFR 565, table V (check digit 4): nobody's car of ours."""


def test_a_vehicle_is_answered_as_it_was_kept(shop):
    body = {
        "tag": "weekend-car",
        "platform": "stoat",
        "model_year": 2019,
        "odometer_km": 81250.5,
        "check_car": True,
    }
    response = added(shop, "/v1/vehicles", body)
    assert response.get_json() == {**body, "vin_known": False, "notes": []}
    assert response.headers["Location"] == "/v1/vehicles/weekend-car"
    assert response.headers["ETag"].startswith('"v1.')
    read = shop.get("/v1/vehicles/weekend-car").get_json()
    assert read == {**body, "vin_known": False}


def test_what_was_not_said_stays_unknown(shop):
    car = shop.get("/v1/vehicles/car-a").get_json()
    assert (car["model_year"], car["odometer_km"], car["check_car"]) == (None, None, False)


def test_an_unknown_platform_is_422_naming_the_nearest(shop):
    added(shop, "/v1/platforms", PLATFORM, slug="heron")
    response = shop.post("/v1/vehicles", {"tag": "second", "platform": "stout"})
    (error,) = response.get_json()["errors"]
    assert response.status_code == 422
    assert (error["pointer"], error["value"]) == ("/platform", "stout")
    assert "the nearest are stoat" in error["detail"]


def test_a_tag_that_is_taken_is_409(shop):
    response = shop.post("/v1/vehicles", VEHICLE)
    assert response.status_code == 409
    assert response.get_json()["errors"][0]["pointer"] == "/tag"


@pytest.mark.parametrize("slip", ["car-b", "car-aa", "ca-a", "car-", "vcar-a"])
def test_a_tag_one_letter_from_another_needs_a_confirmation(shop, slip):
    response = shop.post("/v1/vehicles", {**VEHICLE, "tag": slip})
    (error,) = response.get_json()["errors"]
    assert response.status_code == 422
    assert (error["pointer"], error["code"]) == ("/tag", "tag-one-letter-away")
    assert "car-a" in error["detail"]
    assert '"confirm": true' in error["detail"]
    assert shop.get(f"/v1/vehicles/{slip}").status_code == 404


def test_a_shop_that_numbers_its_cars_is_not_asked_about_the_next_number(shop):
    for tag in ("old-1", "old-2", "old-3", "old-10", "1-old"):
        added(shop, "/v1/vehicles", VEHICLE, tag=tag)
    assert shop.post("/v1/vehicles", {**VEHICLE, "tag": "olf-3"}).status_code == 422


def test_a_confirmed_tag_one_letter_from_another_is_taken(shop):
    added(shop, "/v1/vehicles", VEHICLE, tag="car-b", confirm=True)
    assert "confirm" not in shop.get("/v1/vehicles/car-b").get_json()


def test_every_fault_is_listed_at_once(shop):
    response = shop.post("/v1/vehicles", {"tag": "car-b", "platform": "stout"})
    assert [error["pointer"] for error in response.get_json()["errors"]] == ["/platform", "/tag"]


def test_a_vin_is_kept_only_as_a_keyed_hash(shop, connection):
    added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car", vin=SAMPLE_VIN)
    (kept,) = connection.execute("SELECT vin_hash FROM vehicle WHERE tag = 'weekend-car'").fetchone()
    assert len(kept) == 32
    rows = connection.execute("SELECT vehicle::text FROM vehicle").fetchall()
    rows += connection.execute("SELECT history::text FROM history").fetchall()
    assert not [row for row in rows if SAMPLE_VIN in row[0]]


def test_a_vin_is_never_answered(shop):
    answers = [
        shop.post("/v1/vehicles", {**VEHICLE, "tag": "weekend-car", "vin": SAMPLE_VIN}, Idempotency_Key="k"),
        shop.post("/v1/vehicles", {**VEHICLE, "tag": "weekend-car", "vin": SAMPLE_VIN}, Idempotency_Key="k"),
        shop.post("/v1/vehicles", {**VEHICLE, "tag": "same-number", "vin": SAMPLE_VIN}),
        shop.post("/v1/vehicles", {**VEHICLE, "tag": "too-long", "vin": SAMPLE_VIN * 3}),
        shop.post("/v1/vehicles", {**VEHICLE, "tag": "misnamed", "platform": "stout", "vin": SAMPLE_VIN}),
        shop.get("/v1/vehicles/weekend-car"),
        shop.get("/v1/vehicles"),
        shop.get("/v1/vehicles", Accept="text/csv"),
        shop.get("/v1/history"),
    ]
    assert [answer.status_code for answer in answers] == [201, 201, 409, 422, 422, 200, 200, 200, 200]
    assert not [answer.text for answer in answers if SAMPLE_VIN in answer.text]


def test_a_kept_answer_holds_no_unkeyed_hash_of_a_body_with_a_vin(app, shop, connection):
    added_with = {**VEHICLE, "tag": "weekend-car", "vin": SAMPLE_VIN}
    shop.post("/v1/vehicles", added_with, Idempotency_Key="k")
    first = connection.execute("SELECT request_hash FROM kept_answer").fetchone()
    app.extensions["bayledger"].vin_key = b"another key"
    assert shop.post("/v1/vehicles", added_with, Idempotency_Key="k").status_code == 422
    assert len(first[0]) == 32


def test_the_same_vin_on_another_tag_is_409_however_it_is_typed(shop):
    added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car", vin=SAMPLE_VIN)
    spaced = " 1g4ah59h4-5g118341 "
    response = shop.post("/v1/vehicles", {**VEHICLE, "tag": "same-number", "vin": spaced})
    assert response.status_code == 409
    assert response.get_json()["errors"][0]["pointer"] == "/vin"


def test_a_sound_vin_gets_no_note(shop):
    car = added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car", vin=SAMPLE_VIN).get_json()
    assert (car["vin_known"], car["notes"]) == (True, [])


@pytest.mark.parametrize(
    ("vin", "code"),
    [
        ("1G4AH59H45G11834", "vin-length"),
        ("1G4AH59H45G11834O", "vin-letters"),
        ("1G4AH59H55G118341", "vin-check-digit"),
    ],
)
def test_an_odd_vin_is_kept_with_a_note(shop, vin, code):
    car = added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car", vin=vin).get_json()
    assert car["vin_known"] is True
    assert code in [note["code"] for note in car["notes"]]
    assert {(note["level"], note["pointer"]) for note in car["notes"]} == {("note", "/vin")}


@pytest.mark.parametrize(
    ("field", "value"),
    [("model_year", 1800), ("model_year", 2019.5), ("model_year", "2019"), ("odometer_km", -1), ("check_car", "yes"),
     ("check_car", 1), ("vin", ""), ("vin", "a\x00b"), ("confirm", "true"), ("tag", "Car A"), ("tag", "-a"),
     ("tag", "a" * 65), ("tag", "a\n")],
)  # fmt: skip
def test_a_value_that_cannot_be_is_422_at_its_field(shop, field, value):
    response = shop.post("/v1/vehicles", {**VEHICLE, "tag": "second", field: value})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == f"/{field}"


def test_adding_a_car_is_written_into_the_history(shop):
    added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car", vin=SAMPLE_VIN)
    (row,) = shop.get("/v1/history?about=vehicles/weekend-car").get_json()["items"]
    assert (row["who"], row["action"], row["before"]) == ("admin", "added", None)
    assert row["after"] == {
        "tag": "weekend-car", "platform": "stoat", "model_year": None, "odometer_km": None, "check_car": False,
        "vin": "known",
    }  # fmt: skip


def test_the_key_of_the_hashes_is_made_once_and_never_empty(tmp_path):
    made = [
        create_app(Settings(database_url="", data_dir=tmp_path)).extensions["bayledger"].vin_key for _ in "ab"
    ]
    assert made[0] == made[1]
    assert len(made[0]) >= 32
