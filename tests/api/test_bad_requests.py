"""What every list that can be posted to does with bad input: 4xx, a pointer, the way out, and nothing kept."""

import pytest
from flask import Flask

from service.store.db import Connection
from tests.api.bodies import COLLECTIONS, NEW

TABLES = ("platform", "vehicle", "part", "part_slot", "slot", "bay", "bay_event", "modification", "history")
WRONG = (None, True, 7, -1e300, "", "\x00", "x" * 20_000, [], [1], [["a"]], {}, {"a": 1})

everywhere = pytest.mark.parametrize("path", NEW)


def counts(connection: Connection) -> dict[str, int]:
    """Rows per table."""
    return {table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in TABLES}


@everywhere
def test_the_body_that_the_tests_below_spoil_is_taken(shop, path):
    assert shop.post(path, NEW[path]).status_code == 201


@everywhere
def test_an_unknown_field_is_422_and_named(shop, connection, path):
    before = counts(connection)
    response = shop.post(path, {**NEW[path], "colour": "red"})
    assert response.status_code == 422
    assert response.get_json()["errors"] == [
        {
            "pointer": "/colour",
            "value": "red",
            "detail": "no such field here; see /v1/docs for the ones there are",
        }
    ]
    assert counts(connection) == before


@everywhere
def test_missing_fields_are_422_all_at_once(shop, path):
    response = shop.post(path, {})
    required = {f"/{name}" for name in NEW[path]}
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers <= required
    assert pointers


@everywhere
def test_a_body_that_is_no_object_is_422(shop, path):
    for body in ("[]", '"x"', "7", "null"):
        response = shop.raw("POST", path, data=body, content_type="application/json")
        assert response.status_code == 422, (body, response.text)
        assert "object" in response.get_json()["errors"][0]["detail"]


@everywhere
@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: repr(wrong)[:12])
def test_a_wrong_type_anywhere_is_refused_by_name_or_taken_and_never_breaks(shop, connection, path, wrong):
    for field in NEW[path]:
        before = counts(connection)
        response = shop.post(path, {**NEW[path], field: wrong})
        assert response.status_code == 422, (field, wrong, response.text)
        assert response.get_json()["errors"][0]["pointer"].startswith(f"/{field}")
        assert counts(connection) == before


@everywhere
def test_broken_json_is_400(shop, path):
    response = shop.raw("POST", path, data='{"slug": ', content_type="application/json")
    assert response.status_code == 400
    assert "not JSON" in response.get_json()["detail"]


@everywhere
@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_what_is_no_finite_number_is_refused(shop, path, word):
    field = next(iter(NEW[path]))
    response = shop.raw("POST", path, data=f'{{"{field}": {word}}}', content_type="application/json")
    assert response.status_code in (400, 422)
    assert response.content_type == "application/problem+json"


@everywhere
def test_an_empty_body_is_400(shop, path):
    assert shop.raw("POST", path, data="", content_type="application/json").status_code == 400


@everywhere
def test_another_content_type_is_415_and_told_which(shop, path):
    response = shop.raw("POST", path, data="slug=a", content_type="application/x-www-form-urlencoded")
    assert response.status_code == 415
    assert "send application/json" in response.get_json()["detail"]


@everywhere
def test_an_unknown_query_parameter_is_422_and_named(shop, path):
    response = shop.get(f"{path}?colour=red")
    assert response.status_code == 422
    error = response.get_json()["errors"][0]
    assert (error["parameter"], error["value"]) == ("colour", "red")


@everywhere
@pytest.mark.parametrize("query", ["limit=0", "limit=501", "limit=ten", "limit=1.5", "after=%00"])
def test_a_page_that_cannot_be_is_422(shop, path, query):
    assert shop.get(f"{path}?{query}").status_code == 422


@everywhere
def test_a_method_that_is_not_there_is_405_and_told_which_are(shop, path):
    response = shop.raw("DELETE", path)
    assert response.status_code == 405
    assert "POST" in response.headers["Allow"]


@everywhere
def test_an_answer_in_another_form_than_json_or_csv_is_406(shop, path):
    assert shop.get(path, Accept="image/png").status_code == 406


def test_an_address_of_the_api_that_is_not_there_is_404_for_every_verb(shop):
    for verb in ("GET", "POST", "PATCH", "DELETE"):
        response = shop.raw(verb, "/v1/nothing-here")
        assert response.status_code == 404, verb
        assert response.content_type == "application/problem+json"


@pytest.mark.parametrize(
    "path", [path for path in COLLECTIONS if path.count("/") == 2 and path != "/v1/slots"]
)
def test_a_null_byte_in_an_address_is_404(shop, path):
    assert shop.get(f"{path}/a%00b").status_code == 404


def test_a_body_beyond_the_limit_is_413_and_told_the_limit(app, shop, monkeypatch):
    monkeypatch.setitem(app.config, "MAX_CONTENT_LENGTH", 1000)
    response = shop.post("/v1/parts", {**NEW["/v1/parts"], "fitting_notes": "x" * 2000})
    assert response.status_code == 413
    assert "1,000 bytes" in response.get_json()["detail"]


def test_a_fault_of_ours_shows_no_traceback_and_stands_in_the_log(app: Flask, admin, caplog, monkeypatch):
    def break_it(*_: object, **__: object) -> None:
        raise RuntimeError("inner workings")

    monkeypatch.setattr("service.store.slots.list_slots", break_it)
    response = admin.get("/v1/slots")
    assert response.status_code == 500
    assert "inner workings" not in response.text
    assert response.get_json()["instance"] in caplog.text


def test_every_list_that_can_be_posted_to_is_tried_here(app):
    lists = {rule.rule for rule in app.url_map.iter_rules() if "POST" in rule.methods}
    # What was measured, asking for a refit, and what mends have tests of their own.
    elsewhere = {rule for rule in lists if rule.startswith(("/v1/sessions", "/v1/pulls", "/v1/model"))}
    elsewhere |= {rule for rule in lists if rule.endswith(("/merge", "/unmerge", "/erase", "/undo"))}
    assert len(lists - elsewhere) == len(COLLECTIONS)


@pytest.mark.parametrize(
    ("path", "name", "words"),
    [
        ("/v1/bays", "kind", "one of roller-inertia, roller-loaded, hub"),
        ("/v1/platforms", "aspiration", "one of natural, turbo, supercharged"),
        ("/v1/platforms", "ignition", "one of spark, compression"),
        ("/v1/parts", "slots", "name the slots it fills, /v1/slots lists them"),
    ],
)
def test_the_words_that_may_stand_in_a_field_are_named_where_it_is_missing(shop, path, name, words):
    body = {key: value for key, value in NEW[path].items() if key != name}
    (fault,) = shop.post(path, body).get_json()["errors"]
    assert fault["pointer"] == f"/{name}"
    assert fault["detail"].startswith(f"missing: this field is required; {words}")
