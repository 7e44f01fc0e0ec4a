"""One bay's token and what another bay posted: not there for it, but for a car's newest session, which it may read."""

import re

import pytest

from tests.api.bodies import BAY, added, session
from tests.conftest import Client
from tests.tokens import new_token

REASON = {"reason": "not mine"}


@pytest.fixture
def others(shop, app, connection) -> dict[str, str]:
    """Two sessions of one car, posted by the bay south with its own token: the addresses of the older one's things."""
    added(shop, "/v1/bays", BAY, slug="south", name="South bay")
    south = Client(app.test_client(), new_token(connection, scope="post", bay="south", name="south"))
    older = south.post("/v1/sessions", session([], bay="south")).json
    newest = south.post("/v1/sessions", session([], bay="south", started_at="2026-03-19T16:20:00+00:00")).json
    sheet = south.get(f"/v1/sessions/{older['id']}/sheet").json
    return {
        "id": older["id"],
        "newest": newest["id"],
        "pull": str(older["setups"][0]["pulls"][0]["id"]),
        "newest pull": str(newest["setups"][0]["pulls"][0]["id"]),
        "sheet": sheet["number"],
    }


READ = (
    "/v1/sessions/{id}",
    "/v1/sessions/{id}/setups/1",
    "/v1/sessions/{id}/setups/1/curve",
    "/v1/sessions/{id}/review",
    "/v1/sessions/{id}/sheet",
    "/v1/sheets/{sheet}",
    "/v1/pulls/{pull}",
    "/v1/history?about=sessions/{id}",
)


@pytest.mark.parametrize("path", READ)
def test_what_another_bay_posted_is_not_there_for_reading(bay, shop, others, path):
    assert shop.get(path.format(**others)).status_code == 200, "it is there for the shop"
    answer = bay.get(path.format(**others))
    assert answer.status_code == 404
    assert "car-a" not in answer.text


def test_nor_in_any_list_of_sessions(bay, others):
    mine = bay.post("/v1/sessions", session([], started_at="2026-03-17T16:20:00+00:00")).json["id"]
    assert [one["id"] for one in bay.get("/v1/sessions").json["items"]] == [mine]
    assert bay.get("/v1/sessions?bay=south").status_code == 403
    assert [one["id"] for one in bay.get("/v1/sessions?vehicle=car-a").json["items"]] == [others["newest"]]


CHANGES = (
    ("PATCH", "/v1/sessions/{id}", {"operator": "me", **REASON}),
    ("PATCH", "/v1/sessions/{id}/setups/1", {"label": "mine", **REASON}),
    ("PATCH", "/v1/sessions/{id}/setups", {"setups": [1, 2], **REASON}),
    ("PATCH", "/v1/pulls/{pull}", {"status": "rejected", **REASON}),
    ("POST", "/v1/sessions/{id}/strike", REASON),
    ("POST", "/v1/sessions/{id}/unstrike", REASON),
    ("POST", "/v1/sessions/{id}/setups/1/strike", REASON),
    ("POST", "/v1/sessions/{id}/setups/1/unstrike", REASON),
    ("POST", "/v1/pulls/{pull}/strike", REASON),
    ("POST", "/v1/pulls/{pull}/unstrike", REASON),
    ("POST", "/v1/pulls/{pull}/confirm", REASON),
    ("POST", "/v1/pulls/{pull}/unconfirm", REASON),
)


@pytest.mark.parametrize("which", ["older", "newest"])
@pytest.mark.parametrize(("method", "path", "body"), CHANGES)
def test_what_another_bay_posted_can_be_changed_by_none(bay, others, connection, method, path, body, which):
    named = others if which == "older" else {"id": others["newest"], "pull": others["newest pull"]}
    count = "SELECT count(*), max(history_id) FROM history"
    before = connection.execute(count).fetchone()
    answer = bay.raw(method, path.format(**named), json=body, headers={"If-Match": "*"})
    assert answer.status_code == 404
    assert connection.execute(count).fetchone() == before


def test_those_are_all_the_changes_that_a_bays_token_reaches(app):
    """By what each view demands, not by this file's memory."""
    reached = {
        (
            method,
            re.sub(r"<uuid:id>", "{id}", re.sub(r"<int:pull_id>", "{pull}", rule.rule)).replace(
                "<int:n>", "1"
            ),
        )
        for rule in app.url_map.iter_rules()
        for method in rule.methods & {"POST", "PATCH", "PUT", "DELETE"}
        if "post" in getattr(app.view_functions[rule.endpoint], "_scopes", ())
    }
    own = {("POST", "/v1/sessions"), ("POST", "/v1/vehicles")}
    assert reached - own == {(method, path) for method, path, _ in CHANGES}


def test_every_address_but_the_open_ones_demands_a_scope(app):
    open_to_all = {
        "/v1/health",
        "/v1/ready",
        "/v1/openapi.json",
        "/v1/docs",
        "/",
        "/<site_file:name>",
        "/metrics",
    }
    unguarded = {
        rule.rule
        for rule in app.url_map.iter_rules()
        if not getattr(app.view_functions[rule.endpoint], "_scopes", ())
    }
    assert unguarded == open_to_all


def test_a_bay_posts_for_itself_only(bay, others, connection):
    answer = bay.post("/v1/sessions", session([], bay="south", started_at="2026-03-20T10:00:00+00:00"))
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "/bay")


def test_an_answer_kept_for_a_repeated_post_is_not_given_to_another_token(bay, others, app, connection):
    key = {"Idempotency-Key": "the same key"}
    body = session([], started_at="2026-03-21T10:00:00+00:00")
    mine = bay.raw("POST", "/v1/sessions", json=body, headers=key)
    assert mine.status_code == 201
    token = new_token(connection, scope="post", bay="south", name="south again")
    other = Client(app.test_client(), token).raw("POST", "/v1/sessions", json=body, headers=key)
    assert other.status_code == 422
    assert "Idempotency-Replayed" not in other.headers


def test_no_number_can_be_guessed_into_another_cars_records(shop, others):
    """Numbers below an address count only there."""
    added(shop, "/v1/vehicles", {"tag": "car-b", "platform": "stoat", "confirm": True})
    made = added(
        shop, "/v1/vehicles/car-a/modifications", {"part": "side-feed-plenum", "fitted_on": "2026-03-18"}
    )
    event = added(shop, "/v1/bays/north/events", {"at": "2026-03-18T16:20:00+00:00", "kind": "repaired"})
    assert shop.get(f"/v1/vehicles/car-a/modifications/{made.json['id']}").status_code == 200
    assert shop.get(f"/v1/vehicles/car-b/modifications/{made.json['id']}").status_code == 404
    assert shop.get(f"/v1/bays/south/events/{event.json['id']}").status_code == 404
