"""How often a wrong token may be shown, and how often a bay may write."""

from contextlib import nullcontext
from dataclasses import replace

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.exceptions import TooManyRequests

from service.api.rates import MOST_FAILURES, MOST_WRITES, WINDOW_S, Rates, Sliding
from service.app import create_app
from service.bay import wire
from service.store import tokens
from tests.api.bodies import session
from tests.conftest import ROOT, SETTINGS, Client
from tests.tokens import end_token, new_token


class Clock:
    """A clock that is set."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock(app) -> Clock:
    """The clock by which the app under test counts."""
    set_by_hand = Clock()
    app.extensions["bayledger"].rates = Rates(set_by_hand)
    return set_by_hand


def from_address(client: Client, address: str, path: str = "/v1/parts"):
    return client.raw("GET", path, environ_base={"REMOTE_ADDR": address})


def spend_failures(app, address: str = "10.0.0.66") -> Client:
    """A client that has shown as many wrong tokens as one may."""
    guesser = Client(app.test_client(), "bay_a-guess")
    for _ in range(MOST_FAILURES):
        assert from_address(guesser, address).status_code == 401
    return guesser


@given(st.lists(st.floats(0.0, 20.0), max_size=60), st.integers(1, 5))
def test_no_stretch_of_the_window_ever_holds_more_marks_than_allowed(pauses, most):
    clock, given_at = Clock(), []
    window = Sliding(most, 30.0, clock)
    for pause in pauses:
        clock.now += pause
        if window.mark("key") == 0.0:
            given_at.append(clock.now)
    for at in given_at:
        assert sum(at <= one < at + 30.0 for one in given_at) <= most


def test_whoever_waits_as_long_as_told_gets_through():
    clock = Clock()
    window = Sliding(2, 60.0, clock)
    assert [window.mark("a"), window.mark("a")] == [0.0, 0.0]
    clock.now += 10.0
    wait = window.mark("a")
    assert wait == pytest.approx(50.0)
    assert window.mark("b") == 0.0, "another key has marks of its own"
    clock.now += wait
    assert window.mark("a") == 0.0


def test_too_many_wrong_tokens_from_one_address_are_429_with_the_time_to_wait(app, clock):
    guesser = spend_failures(app)
    refused = from_address(guesser, "10.0.0.66")
    assert refused.status_code == 429
    assert refused.headers["Retry-After"] == str(int(WINDOW_S))
    assert refused.content_type == "application/problem+json"
    assert "too many wrong tokens came from this address; send it again in 60 s" in refused.json["detail"]
    clock.now += WINDOW_S
    assert from_address(guesser, "10.0.0.66").status_code == 401


def test_a_guess_beyond_the_limit_does_not_reach_the_database(app, clock, monkeypatch):
    guesser = spend_failures(app)

    def asked(*_: object) -> None:
        raise AssertionError("the database was asked")

    monkeypatch.setattr(tokens, "find_caller", asked)
    assert from_address(guesser, "10.0.0.66").status_code == 429


def test_another_address_and_a_token_that_was_good_before_are_not_held_up(app, clock, connection, reader):
    assert from_address(reader, "10.0.0.66").status_code == 200
    spend_failures(app)
    assert from_address(reader, "10.0.0.66").status_code == 200, "behind one proxy all have one address"
    other = Client(app.test_client(), new_token(connection, scope="read"))
    assert from_address(other, "10.0.0.7").status_code == 200


def test_a_token_that_was_good_and_is_ended_counts_as_any_wrong_one(app, clock, connection, reader):
    assert from_address(reader, "10.0.0.66").status_code == 200
    spend_failures(app)
    for one in tokens.list_tokens(connection):
        end_token(connection, one.token_id)
    assert from_address(reader, "10.0.0.66").status_code == 401, "it is looked up, and known to be ended"
    assert from_address(reader, "10.0.0.66").status_code == 429


def test_a_request_without_a_token_is_no_failure(app, clock, nobody):
    for _ in range(MOST_FAILURES + 1):
        assert from_address(nobody, "10.0.0.66").status_code == 401


def spend_writes(app, connection) -> None:
    """The bay north has written as often as it may, but for once."""
    (token_id,) = [one.token_id for one in tokens.list_tokens(connection) if one.scope == "post"]
    for _ in range(MOST_WRITES - 1):
        app.extensions["bayledger"].rates.writes(token_id)


def test_a_bay_that_writes_without_end_is_told_to_wait_and_reads_on(app, connection, bay, clock):
    spend_writes(app, connection)
    assert bay.post("/v1/sessions", {}).status_code == 422, "a refused one counts too"
    refused = bay.post("/v1/sessions", {})
    assert refused.status_code == 429
    assert "wrote 1,200 times within a minute; send it again in 60 s" in refused.json["detail"]
    assert bay.get("/v1/parts").status_code == 200
    clock.now += WINDOW_S
    assert bay.post("/v1/sessions", session([])).status_code == 201


def test_a_change_is_a_write_as_a_post_is(app, connection, bay, clock):
    spend_writes(app, connection)
    assert [bay.patch("/v1/pulls/1", {}).status_code for _ in range(2)] == [422, 429]


def test_one_bay_at_its_limit_does_not_hold_up_another_nor_an_admin(app, clock, connection, shop, bay):
    spend_writes(app, connection)
    assert [bay.post("/v1/sessions", {}).status_code for _ in range(2)] == [422, 429]
    other = Client(app.test_client(), new_token(connection, scope="post", bay="north"))
    assert other.post("/v1/sessions", session([])).status_code == 201
    assert shop.post("/v1/sessions", {}).status_code == 422


def test_eight_bays_that_empty_a_queue_of_a_hundred_sessions_each_are_never_told_to_wait(clock):
    rates = Rates(clock)
    for _ in range(100):
        clock.now += 0.1  # ten sessions a second and bay: more than a machine of two cores takes
        for bay_token in range(8):
            rates.writes(bay_token)


def test_a_bays_program_takes_429_for_later_and_moves_no_session_aside():
    answer = httpx.Response(
        429,
        headers={"Retry-After": "17", "Content-Type": "application/problem+json"},
        json={"status": 429, "detail": "too often"},
        request=httpx.Request("POST", "https://ledger.invalid/v1/sessions"),
    )
    with pytest.raises(wire.NotNow) as told:
        wire.judged(answer, "some-session")
    assert (told.value.retry_after_s, told.value.blocks) == (17.0, True)


def test_what_is_remembered_of_addresses_has_an_end(monkeypatch):
    monkeypatch.setattr("service.api.rates.MOST_REMEMBERED", 100)
    window = Sliding(1, 60.0, Clock())
    for n in range(1000):
        window.mark(f"10.0.{n // 250}.{n % 250}")
    assert len(window._marks) == 100


def test_the_address_that_was_quiet_longest_is_forgotten_first(monkeypatch):
    """Not the newest: it would never be counted; nor one that goes on trying."""
    monkeypatch.setattr("service.api.rates.MOST_REMEMBERED", 3)
    window = Sliding(1, 60.0, Clock())
    for address in ("trying", "quiet", "later", "trying", "newest"):
        window.mark(address)
    held_up = {address: window.wait_s(address) > 0 for address in ("trying", "quiet", "later", "newest")}
    assert held_up == {"trying": True, "quiet": False, "later": True, "newest": True}


def test_so_many_good_tokens_are_remembered_and_no_more(clock, monkeypatch):
    monkeypatch.setattr("service.api.rates.MOST_REMEMBERED", 2)
    rates = Rates(clock)
    for _ in range(MOST_FAILURES):
        rates.was_wrong("10.0.0.66", "bay_a-guess")
    for token in ("first", "second", "third"):
        rates.was_good(token)
    for known in ("second", "third"):
        rates.may_try("10.0.0.66", known)
    with pytest.raises(TooManyRequests):
        rates.may_try("10.0.0.66", "first")


def test_a_minutes_wrong_tokens_are_as_many_as_is_said():
    """What is counted above is counted by the constants themselves; the documents say 60 in a minute, and 1,200 writes."""
    guide = " ".join((ROOT / "DEVELOPERS.md").read_text().split())
    assert f"{MOST_FAILURES} wrong ones a minute and address" in guide
    assert f"a bay's writes ({MOST_WRITES:,} a minute" in guide


def test_behind_a_proxy_each_client_is_counted_by_what_the_proxy_saw_of_it(server, connection):
    """The last address in X-Forwarded-For is the proxy's own word; what a client writes before it counts nothing."""
    app = create_app(replace(SETTINGS, behind_tls=True), connect=lambda: nullcontext(connection))
    guesser = Client(app.test_client(), "bay_a-guess")
    for n in range(MOST_FAILURES):
        told = f"10.9.{n}.1, 10.0.0.66"
        assert guesser.get("/v1/parts", X_Forwarded_For=told).status_code == 401
    assert guesser.get("/v1/parts", X_Forwarded_For="10.9.9.9, 10.0.0.66").status_code == 429
    assert guesser.get("/v1/parts", X_Forwarded_For="10.0.0.7").status_code == 401


def test_with_no_proxy_in_front_a_client_cannot_choose_its_address(app, clock):
    guesser = Client(app.test_client(), "bay_a-guess")
    for n in range(MOST_FAILURES):
        assert guesser.get("/v1/parts", X_Forwarded_For=f"10.9.{n}.1").status_code == 401
    assert guesser.get("/v1/parts", X_Forwarded_For="10.0.0.7").status_code == 429
