"""Lists page by page: the walk along `next` equals the whole, as JSON and as CSV."""

import csv
import io
import re

import pytest
from flask import Flask

from service.local import LocalServer
from tests.api.bodies import BAY, EVENT, MODIFICATION, PART, PLATFORM, SLOT, VEHICLE, added, fill
from tests.api.conftest import filled
from tests.conftest import Client

EVENTS, MODIFICATIONS = "/v1/bays/north/events", "/v1/vehicles/car-a/modifications"
LISTS = (
    "/v1/platforms", "/v1/vehicles", "/v1/parts", "/v1/slots", "/v1/bays", EVENTS, MODIFICATIONS, "/v1/history?about=vehicles/car-a",
    "/v1/settings/labour_rate/history", "/v1/stock-evidence",
)  # fmt: skip


def seven_more(shop: Client) -> None:
    """Of everything, not added in the order of the lists; several at one time."""
    fill(shop)
    for i in (5, 2, 7, 1, 6, 3, 4):
        added(shop, "/v1/platforms", PLATFORM, slug=f"kind-{i}")
        added(shop, "/v1/vehicles", VEHICLE, tag=f"car-{i}", confirm=True)
        added(shop, "/v1/parts", PART, slug=f"part-{i}")
        added(shop, "/v1/slots", SLOT, slug=f"slot-{i}")
        added(shop, "/v1/bays", BAY, slug=f"bay-{i}")
        added(shop, EVENTS, EVENT, at=f"2026-03-1{i // 3}T10:00:00.123456+00:00", note=str(i))
        added(shop, MODIFICATIONS, MODIFICATION, fitted_on=f"2026-03-1{i // 3}", notes=str(i))
        shop.patch("/v1/settings", {"labour_rate": i}, If_Match=shop.get("/v1/settings").headers["ETag"])


@pytest.fixture(scope="module")
def shop_url(built_app: Flask, server: LocalServer) -> str:
    """A database with seven more of everything, for the tests of this file."""
    return filled(built_app, server, "pages", "empty", seven_more)


@pytest.fixture
def full(shop: Client) -> Client:
    """The admin's client over it."""
    return shop


def at(path: str, query: str) -> str:
    """An address with one more parameter."""
    return f"{path}{'&' if '?' in path else '?'}{query}"


def next_page(response) -> str | None:
    link = re.fullmatch(r'<(.+)>; rel="next"', response.headers.get("Link", ""))
    return link[1] if link else None


def walk(client: Client, path: str, limit: int) -> list[dict]:
    items, address = [], at(path, f"limit={limit}")
    while address is not None:
        response = client.get(address)
        assert response.status_code == 200, response.text
        page = response.get_json()["items"]
        assert len(page) <= limit
        items += page
        address = next_page(response)
    return items


@pytest.mark.parametrize("path", LISTS)
def test_the_walk_along_next_is_the_whole_list(full, path):
    whole = full.get(at(path, "limit=500")).get_json()["items"]
    assert len(whole) >= 7
    for limit in (1, 3):
        assert walk(full, path, limit) == whole


@pytest.mark.parametrize("path", LISTS)
def test_a_page_that_holds_everything_has_no_next(full, path):
    assert next_page(full.get(at(path, "limit=500"))) is None


@pytest.mark.parametrize("path", LISTS)
def test_as_csv_a_list_has_the_same_rows_and_the_same_next(full, path):
    as_json, as_csv = full.get(at(path, "limit=3")), full.get(at(path, "limit=3"), Accept="text/csv")
    header, *rows = csv.reader(io.StringIO(as_csv.text))
    items = as_json.get_json()["items"]
    assert len(rows) == len(items) == 3
    assert [name for name in header if name != "units"] == [name for name in items[0] if name != "units"]
    key = header[0]
    assert [row[0] for row in rows] == [str(item[key] or "") for item in items]
    assert as_csv.headers["Link"] == as_json.headers["Link"]
    assert "Accept" in as_csv.headers["Vary"]


@pytest.mark.parametrize("path", LISTS)
def test_a_list_that_is_known_already_is_304(full, path):
    etag = full.get(path).headers["ETag"]
    assert full.get(path, If_None_Match=etag).status_code == 304


def test_a_list_that_changed_is_answered_again(full):
    etag = full.get("/v1/parts").headers["ETag"]
    added(full, "/v1/parts", PART, slug="one-more")
    assert full.get("/v1/parts", If_None_Match=etag).status_code == 200


def test_next_keeps_what_was_asked_for(full):
    response = full.get("/v1/parts?q=part&limit=3&slot=intake-manifold")
    second = full.get(next_page(response)).get_json()["items"]
    assert [item["slug"] for item in second] == ["part-4", "part-5", "part-6"]


def test_without_a_limit_a_page_has_fifty(admin):
    for i in range(25):
        added(admin, "/v1/slots", SLOT, slug=f"slot-{i}")
    assert len(admin.get("/v1/slots").get_json()["items"]) == 50
