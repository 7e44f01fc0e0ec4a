"""GET and POST /v1/slots."""

from tests.api.bodies import PART, SLOT, added


def test_the_slots_are_listed_in_the_order_of_the_car(admin):
    items = admin.get("/v1/slots").get_json()["items"]
    assert len(items) == 31
    assert [item["ordinal"] for item in items] == list(range(1, 32))
    assert items[0] == {"slug": "air-filter", "name": "Air filter", "ordinal": 1}


def test_a_new_slot_goes_to_the_end_and_takes_parts(admin):
    slot = added(admin, "/v1/slots", SLOT).get_json()
    assert slot == {**SLOT, "ordinal": 32}
    part = added(admin, "/v1/parts", PART, slots=["brake-ducts"]).get_json()
    assert part["slots"] == ["brake-ducts"]


def test_a_slug_that_is_taken_is_409(admin):
    response = admin.post("/v1/slots", {"slug": "catalyst", "name": "Catalyst"})
    assert response.status_code == 409
    assert response.get_json()["errors"][0]["pointer"] == "/slug"


def test_adding_a_slot_is_written_into_the_history(admin):
    added(admin, "/v1/slots", SLOT)
    (row,) = admin.get("/v1/history?about=slots/brake-ducts").get_json()["items"]
    assert row["after"] == {**SLOT, "ordinal": 32}
