"""POST /v1/parts."""

import pytest

from tests.api.bodies import PART, added

WHOLE = {
    "slug": "plenum-kit",
    "name": "Side-feed plenum, re-machined",
    "slots": ["throttle-body", "intake-manifold"],
    "variant_of": "side-feed-plenum",
    "price": 480.5,
    "currency": "GBP",
    "price_date": "2026-03-01",
    "labour_hours": 2.5,
    "fitting_notes": "New gaskets; torque in two steps.",
    "approval": {"document": "type approval 12", "place": "everywhere", "note": "with the original air box"},
}


def test_a_part_is_answered_as_it_was_kept(shop):
    response = added(shop, "/v1/parts", WHOLE)
    assert response.get_json() == WHOLE
    assert response.headers["Location"] == "/v1/parts/plenum-kit"
    assert shop.get("/v1/parts/plenum-kit").get_json() == WHOLE


def test_what_was_not_said_stays_unknown(shop):
    part = shop.get("/v1/parts/side-feed-plenum").get_json()
    unknown = {name: value for name, value in part.items() if name not in PART}
    assert set(unknown.values()) == {None}


def test_names_in_other_languages_come_back_as_they_went_in(shop):
    for slug, name in {
        "ja": "吸気マニホールド",
        "ar": "مشعب السحب",
        "de": "Ölkühler ½″",
        "emoji": "🏁 e\u0301",
    }.items():
        added(shop, "/v1/parts", PART, slug=slug, name=name)
        assert shop.get(f"/v1/parts/{slug}").get_json()["name"] == name


def test_slots_are_kept_once_each_in_the_order_of_the_list(shop):
    part = added(
        shop, "/v1/parts", PART, slug="kit", slots=["rear-exhaust", "catalyst", "rear-exhaust"]
    ).get_json()
    assert part["slots"] == ["catalyst", "rear-exhaust"]


def test_every_unknown_slot_is_422_naming_the_nearest(shop):
    response = shop.post("/v1/parts", {**PART, "slug": "kit", "slots": ["catalist", "catalyst", "gearbocks"]})
    first, second = response.get_json()["errors"]
    assert response.status_code == 422
    assert (first["pointer"], first["value"]) == ("/slots/0", "catalist")
    assert "the nearest are catalyst" in first["detail"]
    assert second["pointer"] == "/slots/2"
    assert "gearbox" in second["detail"]
    assert shop.get("/v1/parts/kit").status_code == 404


def test_a_part_without_any_slot_is_422(shop):
    response = shop.post("/v1/parts", {**PART, "slug": "kit", "slots": []})
    assert response.status_code == 422
    assert "/v1/slots" in response.get_json()["errors"][0]["detail"]


def test_a_variant_of_an_unknown_part_is_422_naming_the_nearest(shop):
    response = shop.post("/v1/parts", {**PART, "slug": "kit", "variant_of": "side-fed-plenum"})
    assert response.status_code == 422
    assert "side-feed-plenum" in response.get_json()["errors"][0]["detail"]


def test_a_slug_that_is_taken_is_409(shop):
    response = shop.post("/v1/parts", PART)
    assert response.status_code == 409
    assert response.get_json()["errors"][0]["pointer"] == "/slug"


def test_a_price_needs_its_currency(shop):
    response = shop.post("/v1/parts", {**PART, "slug": "kit", "price": 10})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "/currency"
    assert shop.get("/v1/parts/kit").status_code == 404


@pytest.mark.parametrize(
    ("field", "value", "pointer"),
    [("price", -1, "/price"), ("price", "10", "/price"), ("currency", "gbp", "/currency"),
     ("currency", "GBPX", "/currency"), ("price_date", "2026-02-30", "/price_date"), ("price_date", 20260301, "/price_date"),
     ("labour_hours", -0.5, "/labour_hours"), ("approval", {"number": "12"}, "/approval/number"),
     ("approval", "yes", "/approval"), ("approval", {"place": 7}, "/approval/place"), ("slots", "catalyst", "/slots"),
     ("slots", ["Catalyst"], "/slots/0"), ("slots", [7], "/slots/0")],
)  # fmt: skip
def test_a_value_that_cannot_be_is_422_at_its_field(shop, field, value, pointer):
    response = shop.post("/v1/parts", {**PART, "slug": "kit", "currency": "GBP", field: value})
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == pointer
