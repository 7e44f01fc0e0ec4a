"""The model keeps up with what is posted, from several threads at once, and behind the answers where it is large."""

import time
from collections.abc import Iterator

import pytest
from flask import Flask

from service.answers.cautions import NO_MODEL
from service.local import LocalServer
from tests.api.builds import built
from tests.api.conftest import database_of, prepared
from tests.api.gains import GAIN, post
from tests.conftest import Client, client_over
from tests.factories import setup
from tests.threads import meanwhile
from tests.tokens import admin_token

PATIENCE_S = 30.0
"""Far longer than taking in one car takes on a busy machine (our choice)."""


@pytest.fixture(scope="module")
def followed_url(built_app: Flask, server: LocalServer, stoats_url: str) -> str:
    """A database whose changes are committed: nine cars measured with parts, the model fitted."""
    return prepared(built_app, server, "followed", built)


@pytest.fixture
def client(server: LocalServer, followed_url: str) -> Iterator[Client]:
    """The admin's client over a process of its own."""
    owner_url = server.owner_url.replace("/bayledger?", f"/{database_of(followed_url)}?")
    with client_over(followed_url, admin_token(owner_url, "follower")) as client:
        yield client


def other_thread(client: Client) -> Client:
    """A client of the same process for another thread."""
    return Client(client.client.application.test_client(), client.token)


def test_answers_asked_while_cars_are_posted_end_at_what_building_anew_gives(client):
    def ask() -> None:
        mine = other_thread(client)
        for _ in range(12):
            assert mine.get(f"{GAIN}&curve=false").status_code == 200

    with meanwhile(*[ask] * 3):
        for n, gain in ((10, 1.06), (11, 1.04), (12, 1.07)):
            post(client, setup(), setup(["wide-pipe"], gain), vehicle=f"stoat-{n}", day=n)
    followed = client.get(GAIN).json
    model = client.client.application.extensions["bayledger"].model
    assert len(model._states["sae-j1349"].system) == 30 + 3 * 2
    model._states.clear()  # as another process would begin: from the kept fit
    whole = client.get(f"{GAIN}&level=0.9").json
    for name in ("typical_percent", "typical_interval_percent", "next_car_interval_percent"):
        assert whole[name] == pytest.approx(followed[name], rel=1e-6), name


def test_a_large_history_is_followed_behind_the_answers_which_say_so(client, monkeypatch):
    assert client.get(GAIN).status_code == 200
    monkeypatch.setattr("service.answers.model.AT_ONCE", 0)
    before = client.get(GAIN).json
    post(client, setup(), setup(["wide-pipe"], 1.2), vehicle="stoat-1", day=25)
    behind = client.get(GAIN).json
    assert behind["typical_percent"] == before["typical_percent"]
    assert any("is not in it yet; ask again in a moment" in caution for caution in behind["cautions"])
    until = time.monotonic() + PATIENCE_S
    while (now := client.get(GAIN).json)["typical_percent"] == before["typical_percent"]:
        assert time.monotonic() < until, "never followed"
        time.sleep(0.05)
    assert now["as_of"] > behind["as_of"]
    assert not any("is not in it yet" in caution for caution in now["cautions"])


def read_in(client: Client) -> dict:
    """The answer, once it is the model's."""
    until = time.monotonic() + PATIENCE_S
    while (now := client.get(GAIN).json)["method"] != "history-model":
        assert NO_MODEL in now["cautions"]
        assert time.monotonic() < until, "never read in"
        time.sleep(0.05)
    return now


def test_a_large_history_is_read_in_behind_the_answers_which_rest_on_the_pairs_until_then(
    client, monkeypatch
):
    modelled = client.get(GAIN).json
    client.client.application.extensions["bayledger"].model._states.clear()
    monkeypatch.setattr("service.answers.model.AT_ONCE", 0)
    assert client.get(GAIN).json["method"] == "pairs-only"
    now = read_in(client)
    assert {name: now[name] for name in now if name != "as_of"} == {
        name: modelled[name] for name in modelled if name != "as_of"
    }


def test_a_process_begins_to_read_a_large_history_before_anybody_asks_its_curves_too(client, monkeypatch):
    ledger = client.client.application.extensions["bayledger"]
    ledger.model._states.clear()
    monkeypatch.setattr("service.answers.model.AT_ONCE", 0)
    ledger.warm()
    until = time.monotonic() + PATIENCE_S
    while not ledger.model._states:
        assert time.monotonic() < until, "never read in"
        time.sleep(0.05)
    assert ("knots", "sae-j1349") in ledger.model._states["sae-j1349"].solved


def test_a_small_history_is_left_until_somebody_asks(client):
    ledger = client.client.application.extensions["bayledger"]
    ledger.model._states.clear()
    ledger.warm()
    assert not ledger.model._behind


def test_a_process_started_later_names_the_same_state_alike(client):
    etag = client.get(GAIN).headers["ETag"]
    client.client.application.extensions["bayledger"].model._states.clear()
    assert client.get(GAIN, If_None_Match=etag).status_code == 304
