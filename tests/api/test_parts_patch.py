"""PATCH /v1/parts/{slug}."""

import pytest

from tests.api.bodies import PART, added, session

PLENUM = "/v1/parts/side-feed-plenum"


def versions(connection) -> list[tuple[int, int]]:
    return connection.execute("SELECT part_id = 0, version FROM evidence_version ORDER BY 1").fetchall()


def test_a_change_answers_the_new_version_and_leaves_the_rest(shop):
    response = shop.patch(PLENUM, {"price": 12.34, "currency": "EUR"}, If_Match='"v1"')
    assert response.headers["ETag"].startswith('"v2.')
    assert response.get_json()["price"] == 12.34
    assert response.get_json()["slots"] == PART["slots"]


def test_a_change_needs_the_newest_version(shop):
    assert shop.patch(PLENUM, {"price": None}).status_code == 428
    assert shop.patch(PLENUM, {"name": "x"}, If_Match='"v9"').status_code == 412
    assert shop.get(PLENUM).get_json()["name"] == PART["name"]


def test_slots_are_replaced_whole(shop):
    part = shop.patch(PLENUM, {"slots": ["throttle-body"]}, If_Match='"v1"').get_json()
    assert part["slots"] == ["throttle-body"]
    assert shop.get(PLENUM).get_json()["slots"] == ["throttle-body"]


def test_an_unknown_slot_is_422_and_the_old_ones_stay(shop):
    response = shop.patch(PLENUM, {"slots": ["throttle-boddy"]}, If_Match='"v1"')
    assert response.status_code == 422
    assert "throttle-body" in response.get_json()["errors"][0]["detail"]
    assert shop.get(PLENUM).get_json()["slots"] == PART["slots"]


def test_a_part_is_no_variant_of_itself(shop):
    response = shop.patch(PLENUM, {"variant_of": "side-feed-plenum"}, If_Match='"v1"')
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "/variant_of"


def test_a_part_is_no_variant_of_its_variant(shop):
    added(shop, "/v1/parts", PART, slug="re-machined", variant_of="side-feed-plenum")
    response = shop.patch(PLENUM, {"variant_of": "re-machined"}, If_Match='"v1"')
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["code"] == "variant-of-its-variant"


def test_a_change_is_in_the_history_from_what_to_what(shop):
    shop.patch(PLENUM, {"slots": ["throttle-body"], "price": 9.5, "currency": "EUR"}, If_Match='"v1"')
    row = shop.get("/v1/history?about=parts/side-feed-plenum").get_json()["items"][0]
    assert row["action"] == "changed"
    assert row["before"] == {"slots": ["intake-manifold"], "price": None, "currency": None}
    assert row["after"] == {"slots": ["throttle-body"], "price": 9.5, "currency": "EUR"}


def test_a_change_moves_the_versions_of_this_parts_answers_and_no_others(shop, connection):
    connection.execute(
        """
        INSERT INTO evidence_version (platform_id, part_id, version)
        SELECT platform_id, part, 7 FROM platform CROSS JOIN (SELECT part_id FROM part UNION SELECT 0) AS one (part)
        """
    )
    shop.patch(PLENUM, {"price": 1, "currency": "EUR"}, If_Match='"v1"')
    assert versions(connection) == [(False, 8), (True, 7)]
    shop.patch(PLENUM, {"price": 1}, If_Match='"v2"')
    assert versions(connection) == [(False, 8), (True, 7)]


def test_a_renamed_part_is_found_under_its_new_name(shop):
    shop.patch(PLENUM, {"slug": "plenum"}, If_Match='"v1"')
    assert shop.get(PLENUM).status_code == 404
    assert shop.get("/v1/parts/plenum").get_json()["slots"] == PART["slots"]


def test_a_slug_that_is_taken_is_409_and_nothing_is_changed(shop):
    added(shop, "/v1/parts", PART, slug="air-box")
    response = shop.patch(PLENUM, {"slug": "air-box", "name": "x"}, If_Match='"v1"')
    assert response.status_code == 409
    assert shop.get(PLENUM).get_json()["name"] == PART["name"]


@pytest.fixture
def measured(shop):
    """One car measured stock, with the plenum, and with a throttle body in its place, in one session."""
    added(shop, "/v1/parts", PART, slug="big-throttle", slots=["throttle-body"])
    added(shop, "/v1/sessions", session([], ["side-feed-plenum"], ["big-throttle"]))
    return shop


def pairs(connection) -> set[tuple[str, str | None]]:
    """(part, against) of every pair kept; None is without any part."""
    return set(
        connection.execute(
            """
            SELECT part.slug::text, against.slug::text
            FROM   pair JOIN part USING (part_id) LEFT JOIN part AS against ON against.part_id = pair.against_id
            """
        ).fetchall()
    )


def test_new_slots_make_the_pairs_of_every_measured_car_anew(measured, connection):
    alone = {("side-feed-plenum", None), ("big-throttle", None)}
    swapped = {("side-feed-plenum", "big-throttle"), ("big-throttle", "side-feed-plenum")}
    assert (
        pairs(connection) == alone
    )  # they share no slot: two parts changed at once say nothing about either
    body = {"slots": ["throttle-body", "intake-manifold"]}
    assert measured.patch(PLENUM, body, If_Match='"v1"').status_code == 200
    assert pairs(connection) == alone | swapped
    measured.patch(PLENUM, {"slots": ["intake-manifold"]}, If_Match='"v2"')
    assert pairs(connection) == alone


def test_a_change_of_the_name_alone_leaves_the_pairs_as_they_are(measured, connection):
    before = connection.execute("SELECT ctid::text FROM pair ORDER BY 1").fetchall()
    measured.patch(PLENUM, {"name": "Plenum"}, If_Match='"v1"')
    assert connection.execute("SELECT ctid::text FROM pair ORDER BY 1").fetchall() == before
