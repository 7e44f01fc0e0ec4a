"""Who may do what: no token, a wrong one, one of another scope."""

from datetime import UTC, datetime, timedelta

import pytest

from service.store import tokens
from tests.api.bodies import COLLECTIONS, NEW
from tests.conftest import Client
from tests.tokens import end_token, new_token

MODIFICATIONS = "/v1/vehicles/car-a/modifications"
READABLE = (
    *COLLECTIONS,
    "/v1/platforms/stoat",
    "/v1/vehicles/car-a",
    "/v1/parts/side-feed-plenum",
    "/v1/bays/north",
    "/v1/settings",
    "/v1/settings/units/history",
)


def client(app, token: str | None) -> Client:
    return Client(app.test_client(), token)


@pytest.mark.parametrize("path", [*READABLE, "/v1/history"])
def test_reading_without_a_token_is_401_with_a_challenge(nobody, path):
    response = nobody.get(path)
    assert response.status_code == 401
    assert response.headers["WWW-Authenticate"] == 'Bearer realm="bayledger"'
    assert response.content_type == "application/problem+json"


@pytest.mark.parametrize("path", COLLECTIONS)
def test_posting_without_a_token_is_401_even_with_a_broken_body(nobody, path):
    response = nobody.raw("POST", path, data="{", content_type="application/json")
    assert response.status_code == 401


def test_an_unknown_token_is_401_and_named_invalid(app):
    response = client(app, "bay_nobody-made-this").get("/v1/parts")
    assert response.status_code == 401
    assert 'error="invalid_token"' in response.headers["WWW-Authenticate"]


def test_a_revoked_token_is_401(app, connection):
    token = new_token(connection, scope="read")
    assert client(app, token).get("/v1/parts").status_code == 200
    end_token(connection, tokens.list_tokens(connection)[0].token_id)
    assert client(app, token).get("/v1/parts").status_code == 401


def test_an_expired_token_is_401(app, connection):
    past = datetime.now(UTC) - timedelta(seconds=1)
    token = new_token(connection, scope="admin", expires_at=past)
    assert client(app, token).get("/v1/parts").status_code == 401


def test_another_kind_of_authorization_is_401_and_told_the_form(app):
    response = app.test_client().get("/v1/parts", headers={"Authorization": "Basic YTpi"})
    assert response.status_code == 401
    assert "Bearer <token>" in response.get_json()["detail"]


A_BAYS = ("/v1/vehicles",)
"""What a bay may add of what the shop knows: a customer's car that was never here."""


@pytest.mark.parametrize(("path", "body"), NEW.items())
def test_the_counter_may_not_add_anything(shop, reader, path, body):
    response = reader.post(path, body)
    assert response.status_code == 403
    assert f"scope {'post' if path in A_BAYS else 'admin'}" in response.get_json()["detail"]


@pytest.mark.parametrize(("path", "body"), [one for one in NEW.items() if one[0] not in A_BAYS])
def test_a_bay_may_add_nothing_but_a_car(bay, path, body):
    assert bay.post(path, body).status_code == 403


def test_a_bay_adds_a_car_that_was_never_here_and_may_not_change_it(bay):
    body = {"tag": "new-customer", "platform": "stoat", "model_year": 2021, "odometer_km": 41_200.0}
    made = bay.post("/v1/vehicles", body)
    assert made.status_code == 201
    assert {name: made.get_json()[name] for name in body} == body
    change = bay.patch("/v1/vehicles/new-customer", {"model_year": 2022}, If_Match=made.headers["ETag"])
    assert change.status_code == 403
    assert bay.get("/v1/vehicles/new-customer").get_json()["model_year"] == 2021


def test_a_bay_makes_no_check_car(bay):
    body = {"tag": "new-customer", "platform": "stoat", "check_car": True}
    refused = bay.post("/v1/vehicles", body)
    assert refused.status_code == 403
    assert "check_car needs scope admin" in refused.get_json()["detail"]
    assert bay.get("/v1/vehicles/new-customer").status_code == 404


@pytest.mark.parametrize("path", READABLE)
def test_the_counter_may_read_what_the_shop_knows(shop, reader, path):
    assert reader.get(path).status_code == 200


@pytest.mark.parametrize("path", [path for path in READABLE if path != MODIFICATIONS])
def test_a_bay_may_read_what_a_post_can_name(bay, path):
    assert bay.get(path).status_code == 200


@pytest.mark.parametrize("path", ["/v1/history", MODIFICATIONS])
def test_a_bay_may_not_read_who_changed_what_nor_what_customers_paid(bay, path):
    assert bay.get(path).status_code == 403


@pytest.mark.parametrize(
    "path",
    [
        "/v1/platforms/stoat",
        "/v1/vehicles/car-a",
        "/v1/parts/side-feed-plenum",
        "/v1/bays/north",
        "/v1/settings",
    ],
)
def test_the_counter_may_not_change_anything(shop, reader, path):
    assert reader.patch(path, {}, If_Match='"v1"').status_code == 403


def test_with_open_reading_nobody_needs_a_token_to_read_but_does_to_write(shop, nobody):
    etag = shop.get("/v1/settings").headers["ETag"]
    assert shop.patch("/v1/settings", {"open_reading": True}, If_Match=etag).status_code == 200
    assert nobody.get("/v1/parts").status_code == 200
    assert nobody.post("/v1/parts", NEW["/v1/parts"]).status_code == 401
