"""Idempotency-Key: a repeat gets the first answer, another body under the same key is refused."""

import psycopg
import pytest

from service.app import create_app
from service.settings import Settings
from tests.api.bodies import NEW
from tests.conftest import Client
from tests.threads import all_at_once
from tests.tokens import admin_token, new_token

everywhere = pytest.mark.parametrize(("path", "body"), NEW.items())


@everywhere
def test_the_same_key_and_body_get_the_first_answer_again(shop, path, body):
    first = shop.post(path, body, Idempotency_Key="one")
    again = shop.post(path, body, Idempotency_Key="one")
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.data == first.data
    assert again.headers["Location"] == first.headers["Location"]
    assert again.headers["Idempotency-Replayed"] == "true"
    assert "Idempotency-Replayed" not in first.headers


@everywhere
def test_the_same_key_with_another_body_is_422(shop, path, body):
    shop.post(path, body, Idempotency_Key="one")
    response = shop.post(path, {**body, "name": "another"}, Idempotency_Key="one")
    assert response.status_code == 422


def test_the_same_key_at_another_address_is_422(shop):
    assert shop.post("/v1/bays", NEW["/v1/bays"]).status_code == 201
    first, other = (f"/v1/bays/{bay}/events" for bay in ("north", "south"))
    assert shop.post(first, NEW[first], Idempotency_Key="one").status_code == 201
    assert shop.post(other, NEW[first], Idempotency_Key="one").status_code == 422
    assert shop.get(other).json["items"] == []


def test_a_key_belongs_to_its_caller(app, connection, shop):
    other = Client(app.test_client(), new_token(connection, scope="admin", name="other"))
    shop.post("/v1/parts", NEW["/v1/parts"], Idempotency_Key="one")
    response = other.post("/v1/bays", NEW["/v1/bays"], Idempotency_Key="one")
    assert response.status_code == 201


def test_a_refused_post_keeps_no_answer_so_it_can_be_mended_under_its_key(shop):
    spoiled = {**NEW["/v1/vehicles"], "platform": "nowhere"}
    assert shop.post("/v1/vehicles", spoiled, Idempotency_Key="one").status_code == 422
    assert shop.post("/v1/vehicles", NEW["/v1/vehicles"], Idempotency_Key="one").status_code == 201


def test_a_repeat_writes_no_second_line_of_history(shop):
    for _ in range(2):
        shop.post("/v1/parts", NEW["/v1/parts"], Idempotency_Key="one")
    assert len(shop.get("/v1/history?about=parts/air-box").get_json()["items"]) == 1


def test_an_empty_or_endless_key_is_422(shop):
    for key in ("", "k" * 256):
        assert shop.post("/v1/parts", NEW["/v1/parts"], Idempotency_Key=key).status_code == 422


def test_two_posts_with_one_key_at_the_same_instant_add_one_record(server):
    app = create_app(Settings(database_url=server.service_url, secret="test"))
    token = admin_token(server.owner_url, "at once")

    def post():
        body = {"slug": "at-once", "name": "At once", "kind": "hub"}
        return Client(app.test_client(), token).post("/v1/bays", body, Idempotency_Key="at-once")

    answers = all_at_once([post] * 4)
    assert {answer.status_code for answer in answers} <= {201, 409}
    fresh = [a for a in answers if a.status_code == 201 and "Idempotency-Replayed" not in a.headers]
    assert len(fresh) == 1
    with psycopg.connect(server.owner_url, autocommit=True) as owner:
        assert owner.execute("SELECT count(*) FROM bay WHERE slug = 'at-once'").fetchone() == (1,)
        owner.execute("DELETE FROM bay WHERE slug = 'at-once'")
        owner.execute("DELETE FROM kept_answer WHERE key = 'at-once'")
        owner.execute("DELETE FROM token WHERE name = 'at once'")
