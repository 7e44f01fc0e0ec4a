"""/v1/bays and /v1/bays/{slug}/events."""

import pytest

from tests.api.bodies import BAY, EVENT, added
from tests.conftest import version_of

EVENTS = "/v1/bays/north/events"


def test_a_bay_is_answered_as_it_was_kept(shop):
    body = {
        "slug": "hub-bay", "name": "Hub bay", "kind": "hub", "rollers": None, "site": "Vale yard", "altitude_m": 212.5,
    }  # fmt: skip
    response = added(shop, "/v1/bays", body)
    assert response.get_json() == body
    assert shop.get("/v1/bays/hub-bay").get_json() == body


@pytest.mark.parametrize(
    ("field", "value"),
    [("kind", "roller"), ("altitude_m", 9000), ("altitude_m", "200"), ("name", ""), ("slug", "North")],
)
def test_a_value_that_cannot_be_is_422_at_its_field(shop, field, value):
    response = shop.post("/v1/bays", {**BAY, "slug": "south", field: value})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == f"/{field}"


def test_a_wrong_kind_is_told_the_kinds_there_are(shop):
    response = shop.post("/v1/bays", {**BAY, "slug": "south", "kind": "roller"})
    assert "roller-inertia, roller-loaded, hub" in response.get_json()["errors"][0]["detail"]


def test_a_slug_that_is_taken_is_409(shop):
    assert shop.post("/v1/bays", BAY).status_code == 409


def test_a_bay_is_changed_under_its_newest_version(shop):
    assert shop.patch("/v1/bays/north", {"site": "Vale"}).status_code == 428
    assert shop.patch("/v1/bays/north", {"site": "Vale"}, If_Match='"v2"').status_code == 412
    response = shop.patch("/v1/bays/north", {"site": "Vale"}, If_Match='"v1"')
    assert (response.get_json()["site"], version_of(response)) == ("Vale", '"v2"')
    row = shop.get("/v1/history?about=bays/north").get_json()["items"][0]
    assert (row["before"], row["after"]) == ({"site": None}, {"site": "Vale"})


def test_an_unknown_bay_is_404_naming_the_nearest(shop):
    for path in ("/v1/bays/norht", "/v1/bays/norht/events"):
        response = shop.get(path)
        assert response.status_code == 404
        assert "north" in response.get_json()["detail"]


def test_an_event_is_answered_in_utc_whatever_its_offset(shop):
    response = added(
        shop, EVENTS, {"at": "2026-03-18T18:20:00+02:00", "kind": "repaired", "note": "new belt"}
    )
    made = response.get_json()
    assert made == {
        "id": made["id"], "bay": "north", "at": "2026-03-18T16:20:00+00:00", "kind": "repaired", "note": "new belt",
    }  # fmt: skip
    assert shop.get(response.headers["Location"]).get_json() == made


@pytest.mark.parametrize(
    ("field", "value"),
    [("at", "2026-03-18T16:20:00"), ("at", "yesterday"), ("at", 7), ("at", "0001-01-01T00:00:00+14:00"),
     ("kind", "moved"), ("note", 7), ("bay", "south")],
)  # fmt: skip
def test_an_event_that_cannot_be_is_422_at_its_field(shop, field, value):
    response = shop.post(EVENTS, {**EVENT, field: value})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == f"/{field}"


def test_an_event_is_changed_under_its_newest_version(shop):
    address = added(shop, EVENTS, EVENT).headers["Location"]
    assert shop.patch(address, {"note": "x"}).status_code == 428
    response = shop.patch(address, {"note": "cell was loose", "kind": "repaired"}, If_Match='"v1"')
    assert (response.get_json()["kind"], version_of(response)) == ("repaired", '"v2"')
    assert shop.patch(address, {"note": "x"}, If_Match='"v1"').status_code == 412


def test_the_history_of_a_bay_holds_its_events(shop):
    address = added(shop, EVENTS, EVENT).headers["Location"]
    shop.patch(address, {"note": "cell was loose"}, If_Match='"v1"')
    rows = shop.get("/v1/history?about=bays/north").get_json()["items"]
    about = address.removeprefix("/v1/")
    assert [(row["about"], row["action"]) for row in rows] == [
        (about, "changed"), (about, "added"), ("bays/north", "added"),
    ]  # fmt: skip
    assert rows[1]["after"]["at"] == EVENT["at"]


def test_another_bays_event_is_404_here(shop):
    number = added(shop, EVENTS, EVENT).get_json()["id"]
    added(shop, "/v1/bays", BAY, slug="south")
    assert shop.get(f"/v1/bays/south/events/{number}").status_code == 404


def test_a_place_in_the_list_that_cannot_be_is_422(shop):
    for after in ("x", "2026-01-01T00:00:00_x", "_1", "0001-01-01T00:00:00%2B14:00_1"):
        assert shop.get(f"{EVENTS}?after={after}").status_code == 422, after
