"""GET /v1/parts and GET /v1/parts/{slug}."""

import pytest

from tests.api.bodies import PART, added


@pytest.fixture
def shelf(shop):
    added(
        shop,
        "/v1/parts",
        PART,
        slug="exhaust-kit",
        name="Auspuffanlage ab Kat",
        slots=["catalyst", "rear-exhaust"],
    )
    return shop


def slugs(response) -> list[str]:
    return [item["slug"] for item in response.get_json()["items"]]


def test_q_seeks_in_slug_and_name(shelf):
    assert slugs(shelf.get("/v1/parts?q=auspuff")) == ["exhaust-kit"]
    assert slugs(shelf.get("/v1/parts?q=feed")) == ["side-feed-plenum"]
    assert slugs(shelf.get("/v1/parts?q=_")) == []


@pytest.mark.parametrize("slot", ["catalyst", "rear-exhaust"])
def test_slot_finds_every_part_that_fills_it(shelf, slot):
    assert slugs(shelf.get(f"/v1/parts?slot={slot}")) == ["exhaust-kit"]


def test_an_unknown_slot_is_404_naming_the_nearest(shelf):
    response = shelf.get("/v1/parts?slot=catalist")
    assert response.status_code == 404
    assert "catalyst" in response.get_json()["detail"]


def test_an_unknown_part_is_404_naming_the_nearest(shelf):
    response = shelf.get("/v1/parts/side-fed-plenum")
    assert response.status_code == 404
    assert "side-feed-plenum" in response.get_json()["detail"]


def test_as_csv_a_part_is_a_row_and_its_slots_are_one_cell(shelf):
    response = shelf.get("/v1/parts", Accept="text/csv")
    assert response.content_type.startswith("text/csv")
    header, first, *_ = response.text.splitlines()
    assert header.startswith("slug,name,slots,variant_of,price")
    assert first.startswith("exhaust-kit,Auspuffanlage ab Kat,catalyst rear-exhaust,")


def test_a_name_that_a_spreadsheet_would_run_is_shown_as_text(shelf):
    added(shelf, "/v1/parts", PART, slug="a-trap", name="=1+1")
    assert "a-trap,'=1+1," in shelf.get("/v1/parts", Accept="text/csv").text
