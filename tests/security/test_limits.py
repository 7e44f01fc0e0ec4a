"""How much one request may ask for: pages, levels, lists in an address, and time in the database."""

import time

import pytest

from service.schemas.queries import LARGEST_LIMIT
from tests.api.bodies import BAY

LISTS = (
    "/v1/platforms", "/v1/vehicles", "/v1/parts", "/v1/slots", "/v1/bays", "/v1/bays/north/events",
    "/v1/bays/north/corrections", "/v1/vehicles/car-a/modifications", "/v1/vehicles/car-a/states", "/v1/sessions",
    "/v1/history", "/v1/outliers", "/v1/evidence?platform=stoat&part=side-feed-plenum", "/v1/bays/north/days",
    "/v1/settings/units/history",
)  # fmt: skip
GAIN = "/v1/typical-gain?platform=stoat&part=side-feed-plenum"


def asked(shop, path: str, words: str):
    return shop.get(f"{path}{'&' if '?' in path else '?'}{words}")


@pytest.mark.parametrize("path", LISTS)
@pytest.mark.parametrize("limit", ["501", "1000000", "99999999999999999999", "-1", "0", "1e3", "NaN", "１"])
def test_no_page_is_longer_than_its_limit(shop, path, limit):
    answer = asked(shop, path, f"limit={limit}")
    if limit == "１":  # a digit all the same: one item
        assert answer.status_code in (200, 409, 422), answer.text
    else:
        assert answer.status_code == 422, answer.text
        assert "limit" in [fault["parameter"] for fault in answer.json["errors"]]
    assert LARGEST_LIMIT == 500


@pytest.mark.parametrize("path", LISTS)
@pytest.mark.parametrize(
    "after",
    ["'; DROP TABLE vehicle; --", "%27%20OR%201=1", "~", "9" * 40, "2026-03-18~-1", "_1", "%F0%9F%94%A7"],
)
def test_a_place_in_a_list_that_no_link_gave_is_refused_or_empty(shop, connection, path, after):
    assert asked(shop, path, f"after={after}").status_code in (200, 409, 422)
    assert connection.execute("SELECT count(*) FROM vehicle").fetchone()[0] >= 1


@pytest.mark.parametrize("level", ["1", "0", "-0.9", "1.5", "nan", "inf", "0.9999999999", "1e400", "0x1"])
def test_a_level_that_is_none_is_refused(shop, level):
    answer = asked(shop, GAIN, f"level={level}")
    assert answer.status_code == 422
    assert answer.json["errors"][0]["parameter"] == "level"


@pytest.mark.parametrize(
    ("path", "name"),
    [("/v1/build-estimate?platform=stoat", "parts"), ("/v1/platforms/stoat/part-choice", "fitted")],
)
def test_an_endless_list_in_an_address_is_refused(shop, path, name):
    many = ",".join(f"part-{n}" for n in range(700))
    answer = asked(shop, path, f"{name}={many}")
    assert answer.status_code == 422, answer.text[:300]


def test_an_address_with_thousands_of_parameters_is_refused_at_once(shop):
    begun = time.thread_time()
    answer = shop.get("/v1/parts?" + "&".join(f"p{n}=1" for n in range(2_000)))
    assert answer.status_code in (400, 413, 422)
    assert time.thread_time() - begun < 1.0


@pytest.mark.parametrize("q", ["%25" * 30, "_" * 100, "\\" * 50, "'" * 50, "(((((a*)*)*)*)*)" * 5, "x" * 101])
def test_no_search_breaks_nor_takes_long(shop, q):
    begun = time.thread_time()
    for path in ("/v1/parts", "/v1/vehicles", "/v1/platforms", "/v1/search"):
        assert shop.get(f"{path}?q={q}").status_code in (200, 422)
    assert time.thread_time() - begun < 1.0


def test_a_question_that_takes_the_database_too_long_is_ended_there_and_503(shop, connection, monkeypatch):
    connection.execute("SET LOCAL statement_timeout = '50ms'")
    with monkeypatch.context() as patched:
        patched.setattr(
            "service.store.slots.list_slots", lambda conn, **_: conn.execute("SELECT pg_sleep(60)")
        )
        connection.execute("SAVEPOINT before")
        answer = shop.get("/v1/slots")
        connection.execute("ROLLBACK TO SAVEPOINT before")
    assert (answer.status_code, answer.content_type) == (503, "application/problem+json")
    assert shop.get("/v1/slots").status_code == 200, "the next one is answered"


@pytest.mark.parametrize("field", ["name", "rollers", "site"])
def test_a_text_has_an_end(shop, field):
    answer = shop.post("/v1/bays", {**BAY, "slug": "long", field: "x" * 201})
    assert answer.status_code == 422
    assert "shorten it" in answer.json["errors"][0]["detail"]
    assert len(answer.data) < 1_000, "what was sent is not all sent back"
