"""GET, POST and PATCH /v1/vehicles/{tag}/modifications."""

import pytest

from tests.api.bodies import MODIFICATION, PART, VEHICLE, added
from tests.conftest import version_of

PATH = "/v1/vehicles/car-a/modifications"
WHOLE = {
    "part": "side-feed-plenum",
    "fitted_on": "2026-03-18",
    "removed_on": "2026-06-01",
    "price_paid": 480.0,
    "currency": "GBP",
    "labour_hours": 2.5,
    "notes": "with new gaskets",
}


def test_a_modification_is_answered_as_it_was_kept(shop):
    response = added(shop, PATH, WHOLE)
    made = response.get_json()
    assert made == {**WHOLE, "id": made["id"], "vehicle": "car-a", "checks": []}
    assert response.headers["Location"] == f"{PATH}/{made['id']}"
    assert shop.get(f"{PATH}/{made['id']}").get_json() == made


def test_an_unknown_part_is_422_naming_the_nearest(shop):
    response = shop.post(PATH, {**MODIFICATION, "part": "side-fed-plenum"})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "/part"
    assert "side-feed-plenum" in response.get_json()["errors"][0]["detail"]


def test_an_unknown_car_is_404_naming_the_nearest(shop):
    for response in (shop.post("/v1/vehicles/carr-a/modifications", MODIFICATION),
                     shop.get("/v1/vehicles/carr-a/modifications")):  # fmt: skip
        assert response.status_code == 404
        assert "car-a" in response.get_json()["detail"]


def test_removed_before_it_was_fitted_is_422(shop):
    response = shop.post(PATH, {**MODIFICATION, "removed_on": "2026-03-17"})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "/removed_on"


@pytest.mark.parametrize(
    ("field", "value"),
    [("fitted_on", "18.03.2026"), ("fitted_on", 7), ("fitted_on", "2026-03-18T10:00:00Z"), ("price_paid", -1),
     ("labour_hours", "two"), ("currency", "£"), ("notes", "a\x00"), ("id", 7), ("vehicle", "car-a")],
)  # fmt: skip
def test_a_value_that_cannot_be_is_422_at_its_field(shop, field, value):
    response = shop.post(PATH, {**MODIFICATION, field: value})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == f"/{field}"


@pytest.fixture
def two_plenums(shop):
    """One plenum from March to June on the car, and another part for the same slot on the shelf."""
    added(shop, PATH, WHOLE)
    added(shop, "/v1/parts", PART, slug="re-machined", name="The same, re-machined")
    return shop


@pytest.mark.parametrize(
    ("fitted", "removed", "overlaps"),
    [("2026-05-31", None, True), ("2026-06-01", None, False), ("2026-01-01", "2026-03-18", False),
     ("2026-01-01", "2026-03-19", True), ("2026-01-01", None, True)],
)  # fmt: skip
def test_two_parts_in_one_slot_at_one_time_are_kept_with_a_note(two_plenums, fitted, removed, overlaps):
    made = added(
        two_plenums, PATH, {"part": "re-machined", "fitted_on": fitted, "removed_on": removed}
    ).get_json()
    assert [check["code"] for check in made["checks"]] == ["slot-taken-twice"] * overlaps
    assert two_plenums.get(f"{PATH}/{made['id']}").get_json() == made


def test_the_note_names_the_other_part_its_slot_and_its_days(two_plenums):
    made = added(two_plenums, PATH, {"part": "re-machined", "fitted_on": "2026-04-01"}).get_json()
    (check,) = made["checks"]
    assert check["level"] == "note"
    for word in ("side-feed-plenum", "intake-manifold", "2026-03-18", "2026-06-01"):
        assert word in check["message"]


def test_parts_in_other_slots_or_on_other_cars_get_no_note(two_plenums):
    added(two_plenums, "/v1/parts", PART, slug="silencer", slots=["rear-exhaust"])
    added(two_plenums, "/v1/vehicles", VEHICLE, tag="weekend-car")
    other = added(two_plenums, PATH, {"part": "silencer", "fitted_on": "2026-04-01"})
    elsewhere = added(two_plenums, "/v1/vehicles/weekend-car/modifications", MODIFICATION)
    assert other.get_json()["checks"] == elsewhere.get_json()["checks"] == []


def test_a_change_needs_the_newest_version_and_is_in_the_history(shop):
    address = added(shop, PATH, MODIFICATION).headers["Location"]
    assert shop.patch(address, {"removed_on": "2026-09-09"}).status_code == 428
    assert shop.patch(address, {"removed_on": "2026-09-09"}, If_Match='"v4"').status_code == 412
    response = shop.patch(address, {"removed_on": "2026-09-09"}, If_Match='"v1"')
    assert (response.status_code, version_of(response)) == (200, '"v2"')
    about = address.removeprefix("/v1/")
    changed, new = shop.get(f"/v1/history?about={about}").get_json()["items"]
    assert (changed["before"], changed["after"]) == ({"removed_on": None}, {"removed_on": "2026-09-09"})
    assert (new["action"], new["after"]["part"]) == ("added", "side-feed-plenum")


def test_the_history_of_a_car_holds_its_modifications(shop):
    added(shop, PATH, MODIFICATION)
    abouts = [row["about"] for row in shop.get("/v1/history?about=vehicles/car-a").get_json()["items"]]
    assert abouts[0].startswith("vehicles/car-a/modifications/")
    assert abouts[1] == "vehicles/car-a"


def test_another_cars_modification_is_404_here(shop):
    number = added(shop, PATH, MODIFICATION).get_json()["id"]
    added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car")
    assert shop.get(f"/v1/vehicles/weekend-car/modifications/{number}").status_code == 404
    assert shop.get(f"{PATH}/{2**70}").status_code == 404


def test_a_place_in_the_list_that_cannot_be_is_422(shop):
    for after in ("x", "2026-13-01_1", "2026-01-01", "2026-01-01_x", f"2026-01-01_{2**70}"):
        assert shop.get(f"{PATH}?after={after}").status_code == 422, after
