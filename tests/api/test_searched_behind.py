"""What takes long of a large history is worked out behind the answers, which say what they hold and what is to come."""

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import pytest
from flask import Flask

from service.answers import behind
from service.answers.behind import Behind
from service.answers.cautions import SEARCHING
from service.answers.model import Live, ModelState
from service.local import LocalServer
from service.store.db import Connection
from tests.api.conftest import database_of, prepared
from tests.api.odd_shop import CHECK, RICH, confirmed, mixed, odd_shop
from tests.conftest import Client, client_over
from tests.threads import all_at_once
from tests.tokens import admin_token

OUTLIERS, AGREEMENT = "/v1/outliers", "/v1/bay-agreement"
PATIENCE_S = 30.0
"""Far longer than searching this shop takes on a busy machine (our choice)."""


@pytest.fixture(scope="module")
def searched_url(built_app: Flask, server: LocalServer, stoats_url: str) -> str:
    """A database whose changes are committed: the shop with something wrong in it, the model fitted."""
    return prepared(built_app, server, "searched_behind", odd_shop)


@pytest.fixture
def client(server: LocalServer, searched_url: str) -> Iterator[Client]:
    """The admin's client over a process of its own."""
    owner_url = server.owner_url.replace("/bayledger?", f"/{database_of(searched_url)}?")
    with client_over(searched_url, admin_token(owner_url, "searcher")) as client:
        yield client


@pytest.fixture
def large(client: Client, monkeypatch: pytest.MonkeyPatch) -> Client:
    """The same, its history solved already and taken for a large one from then on."""
    assert client.get(OUTLIERS).json["search"] == "current"
    live_of(client)._states["sae-j1349"].solved._kept.clear()
    monkeypatch.setattr("service.answers.model.AT_ONCE", 0)
    return client


def live_of(client: Client) -> Live:
    live: Live = client.client.application.extensions["bayledger"].model
    return live


def until_current(client: Client, path: str) -> dict:
    """The answer, once it holds all that was posted."""
    until = time.monotonic() + PATIENCE_S
    while (answer := client.get(path).json)["search"] != "current":
        assert time.monotonic() < until, "never finished"
        time.sleep(0.02)
    return answer


def without_time(answer: dict) -> dict:
    return {name: value for name, value in answer.items() if name != "as_of"}


def test_a_small_history_is_searched_when_it_is_asked(client):
    answer = client.get(OUTLIERS).json
    assert (answer["search"], [one["vehicle"] for one in answer["items"]][:1]) == ("current", [RICH])


@pytest.mark.parametrize("path", [OUTLIERS, AGREEMENT])
def test_a_large_history_says_nothing_until_it_was_searched_and_then_what_a_small_one_would(
    large, path, monkeypatch
):
    first = large.get(path).json
    assert (first["search"], first["items"]) == ("none", [])
    assert SEARCHING in first["cautions"]
    assert first["said"] == SEARCHING
    searched = until_current(large, path)
    assert SEARCHING not in searched["cautions"]
    monkeypatch.setattr("service.answers.model.AT_ONCE", 1_000_000)
    assert without_time(large.get(f"{path}?").json) == without_time(searched)


def test_a_page_of_a_large_history_that_was_not_searched_leads_nowhere(large):
    response = large.get(f"{OUTLIERS}?limit=1", Accept="text/csv")
    assert (response.status_code, len(response.text.splitlines())) == (200, 1)
    assert "Link" not in response.headers


@pytest.mark.parametrize("path", [OUTLIERS, AGREEMENT])
def test_after_a_post_the_last_search_stands_until_the_next_is_finished_and_is_said_to(large, path):
    before = until_current(large, path)
    day = 23 if path == OUTLIERS else 24
    confirmed(large, mixed(0.93), vehicle=CHECK, day=day)
    etags, behind = set(), large.get(path)
    until = time.monotonic() + PATIENCE_S
    while (now := large.get(path)).json["search"] != "current":
        etags.add(now.headers["ETag"])
        assert now.json["items"] == before["items"]
        assert any("is not in it yet; ask again in a moment" in words for words in now.json["cautions"])
        assert time.monotonic() < until, "never finished"
        time.sleep(0.02)
    assert behind.json["search"] == "behind"
    assert before["as_of"] <= behind.json["as_of"] < now.json["as_of"]
    assert now.json["items"] != before["items"]
    assert now.headers["ETag"] not in etags


def test_another_measure_has_a_search_of_its_own(large):
    until_current(large, OUTLIERS)
    assert large.get(f"{OUTLIERS}?measure=peak_torque").json["search"] == "none"
    assert until_current(large, f"{OUTLIERS}?measure=peak_torque")["looked_at"].keys() == {"cars", "pulls"}


class Slow:
    """A recipe that ends when it is let, and counts how often it ran and how many ran at once."""

    def __init__(self) -> None:
        self.go, self.begun = threading.Semaphore(0), threading.Semaphore(0)
        self.of: list[str] = []
        self.at_once = self.most_at_once = 0

    def __call__(self, conn: Connection, state: ModelState) -> str:
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        self.of.append(state.version)
        self.begun.release()
        assert self.go.acquire(timeout=PATIENCE_S)
        self.at_once -= 1
        return f"of {state.version}"


@pytest.fixture
def state(client: Client) -> ModelState:
    client.get(OUTLIERS)
    return live_of(client)._states["sae-j1349"]


@pytest.fixture
def works(client: Client) -> Behind:
    return Behind(client.client.application.extensions["bayledger"].connect)


def given(works: Behind, state: ModelState, key: str, recipe: Callable) -> tuple[object, bool] | None:
    """What is answered, and whether it is said to be behind; the recipe gives it, no connection is needed."""
    found = works.newest(state, key, recipe)
    return None if found is None else (found.give(None), found.state.behind)


def when_given(works: Behind, state: ModelState, key: str, recipe: Callable, wanted: object) -> None:
    until = time.monotonic() + PATIENCE_S
    while given(works, state, key, recipe) != wanted:
        assert time.monotonic() < until, "never finished"
        time.sleep(0.01)


def until_at_rest(works: Behind) -> None:
    until = time.monotonic() + PATIENCE_S
    while works._at_work_on is not None:
        assert time.monotonic() < until, "never at rest"
        time.sleep(0.01)


def test_asked_by_many_at_once_it_runs_once(works, state):
    slow = Slow()
    all_at_once([partial(works.newest, state, "a", slow)] * 8)
    assert slow.begun.acquire(timeout=PATIENCE_S)
    assert given(works, state, "a", slow) is None
    slow.go.release()
    when_given(works, state, "a", slow, (f"of {state.version}", False))
    assert slow.of == [state.version]


def test_two_kinds_run_one_after_the_other(works, state):
    slow = Slow()
    for key in ("a", "b"):
        assert given(works, state, key, slow) is None
    slow.go.release(2)
    for key in ("a", "b"):
        when_given(works, state, key, slow, (f"of {state.version}", False))
    assert (len(slow.of), slow.most_at_once) == (2, 1)


def test_while_a_newer_one_runs_the_last_one_is_given(works, state):
    slow, newer = Slow(), replace(state, version="newer")
    slow.go.release()
    given(works, state, "a", slow)
    when_given(works, state, "a", slow, (f"of {state.version}", False))
    when_given(works, newer, "a", slow, (f"of {state.version}", True))
    slow.go.release()
    when_given(works, newer, "a", slow, ("of newer", False))


def test_after_it_worked_it_rests_for_as_long(works, state, monkeypatch):
    clock = [100.0]
    worked = iter((5.0, 12.0, 20.0, 21.0))
    monkeypatch.setattr(
        behind, "time", SimpleNamespace(monotonic=lambda: clock[0], thread_time=worked.__next__)
    )
    done = threading.Semaphore(0)

    def quick(conn: Connection, state: ModelState) -> str:
        done.release()
        return state.version

    newer = replace(state, version="newer")
    given(works, state, "a", quick)
    assert done.acquire(timeout=PATIENCE_S)
    until_at_rest(works)
    clock[0] = 106.9  # 7 s of work were done at 100
    assert given(works, newer, "a", quick) == (state.version, True)
    assert not done.acquire(timeout=0.2)
    clock[0] = 107.0
    assert given(works, newer, "a", quick) == (state.version, True)
    assert done.acquire(timeout=PATIENCE_S)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_what_fails_is_begun_again_when_it_is_next_asked(works, state):
    ran = []

    def failing(conn: Connection, state: ModelState) -> str:
        ran.append(state)
        raise ConnectionError("the database went away")

    until = time.monotonic() + PATIENCE_S
    while len(ran) < 2:
        assert given(works, state, "a", failing) is None
        assert time.monotonic() < until, "never begun again"
        time.sleep(0.01)
    until_at_rest(works)
    when_given(works, state, "a", lambda _, state: state.version, (state.version, False))


def test_only_so_many_are_kept_the_least_lately_asked_dropped_first(works, state, monkeypatch):
    monkeypatch.setattr(behind, "KEPT", 2)
    for key in ("a", "b"):
        when_given(works, state, key, lambda _, state: state.version, (state.version, False))
    given(works, state, "a", lambda _, state: state.version)
    when_given(works, state, "c", lambda _, state: state.version, (state.version, False))
    assert list(works._finished) == ["a", "c"]
    assert works._rests_until.keys() == {"a", "c"}


def test_what_is_kept_holds_the_system_alone(works, state):
    when_given(works, state, "a", lambda _, state: state.version, (state.version, False))
    held, _ = works._finished["a"]
    assert held.system is state.system
    assert (held.recipes, held.read, len(held.solved._kept)) == ({}, {}, 0)
