"""How the shop is posted, against a stand-in that keeps what the contract says a ledger keeps."""

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from seed import __main__ as command
from seed import post
from seed.post import PostRefusedError, load

URL = "http://127.0.0.1:1"
NOW = datetime(2026, 11, 1, tzinfo=UTC)
SLOTS = [
    "air-filter", "intake-pipe", "air-meter-housing", "throttle-body", "intake-manifold", "cylinder-head",
    "camshafts", "pistons", "exhaust-manifold", "turbocharger", "boost-control", "charge-cooler",
    "charge-pipes", "down-pipe", "catalyst", "rear-exhaust", "ignition", "injectors", "fuel-pump", "fuel",
    "water-injection", "nitrous", "calibration", "clutch", "gearbox", "final-drive", "driveshafts",
    "wheels-tyres", "ancillaries", "lubricants", "service-event",
]  # fmt: skip

Json = dict[str, Any]
Fault = Callable[[httpx.Request], httpx.Response | None]


class StandIn:
    """Answers as the contract says and keeps every post in order of arrival."""

    def __init__(self, fault: Fault = lambda _request: None) -> None:
        self.posts: list[tuple[str, Json]] = []
        self.changes: list[httpx.Request] = []
        self.answers: dict[str, tuple[bytes, httpx.Response]] = {}
        self.marks: dict[str, str] = {}
        self.marked: list[str] = []
        self.requests = 0
        self.fault = fault
        self._lock = threading.Lock()

    def __call__(self, request: httpx.Request) -> httpx.Response:
        with self._lock:
            self.requests += 1
            return self.fault(request) or self.answer(request)

    def answer(self, request: httpx.Request) -> httpx.Response:
        if request.method == "GET" and request.url.path.startswith("/v1/sessions/"):
            return httpx.Response(200, json=self.session(request.url.path.removeprefix("/v1/sessions/")))
        if request.method == "GET":
            items = [{"slug": slot} for slot in SLOTS] if request.url.path == "/v1/slots" else []
            return httpx.Response(200, headers={"ETag": '"7"'}, json={"items": items})
        if request.method == "PATCH":
            self.changes.append(request)
            return httpx.Response(200, json={})
        if request.url.path.endswith(("/strike", "/confirm")):
            return self.mark(request.url.path, json.loads(request.content)["reason"])
        key = request.headers["Idempotency-Key"]
        if key in self.answers:
            content, kept = self.answers[key]
            assert content == request.content, "the same key with another body"
            return httpx.Response(
                kept.status_code, headers={"Idempotency-Replayed": "true"}, content=kept.content
            )
        body = json.loads(request.content)
        self.posts.append((request.url.path, body))
        checks = [{"code": "pulls-disagree"}] if body.get("sequence") == 1 else []
        kept = httpx.Response(201, json={"id": body.get("id"), "checks": checks, "pairs": [{}]})
        self.answers[key] = (request.content, kept)
        return kept

    def session(self, id: str) -> Json:
        body = next(body for body in self.posted("/v1/sessions") if body["id"] == id)
        setups = [
            {"pulls": [{"id": i, "status": pull["status"]} for i, pull in enumerate(setup["pulls"])]}
            for setup in body["setups"]
        ]
        return {"id": id, "struck": self.marks.get(f"/v1/sessions/{id}/strike"), "setups": setups}

    def mark(self, path: str, reason: str) -> httpx.Response:
        """A strike is taken however often it comes; a second confirmation finds nothing to confirm."""
        self.marked.append(path)
        known = path in self.marks
        self.marks[path] = reason
        return httpx.Response(409 if known and path.endswith("/confirm") else 200, json={})

    def posted(self, path: str) -> list[Json]:
        return [body for posted, body in self.posts if posted == path]


def fill(ledger: StandIn, url: str = URL, now: datetime = NOW, cars: int = 24, **more: Any) -> post.Summary:
    transport = httpx.MockTransport(ledger)
    return load(url, "secret", cars=cars, seed=5, progress=False, now=now, transport=transport, **more)


@dataclass(frozen=True)
class Filled:
    """A stand-in filled once, for tests that only look."""

    ledger: StandIn
    summary: post.Summary
    truth: Path


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Filled:
    ledger, truth = StandIn(), tmp_path_factory.mktemp("filled") / "data" / "demo-truth.json"
    return Filled(ledger, fill(ledger, truth=truth), truth)


def test_everything_is_posted_before_it_is_named(filled: Filled) -> None:
    ledger, known = filled.ledger, set(SLOTS)
    for path, body in ledger.posts:
        named = [
            body.get("platform"),
            body.get("vehicle"),
            body.get("bay"),
            body.get("variant_of"),
            body.get("part"),
        ]
        named += [part for setup in body.get("setups", ()) for part in setup["parts"]]
        named += body.get("slots", [])
        assert {name for name in named if name} <= known, path
        known.add(body.get("slug") or body.get("tag") or "")


def test_the_summary_counts_what_the_ledger_kept(filled: Filled) -> None:
    ledger, summary = filled.ledger, filled.summary
    sessions = ledger.posted("/v1/sessions")
    assert summary.sessions == len(sessions) == summary.pairs > 24
    assert summary.setups == sum(len(body["setups"]) for body in sessions)
    assert summary.pulls == sum(len(setup["pulls"]) for body in sessions for setup in body["setups"])
    assert summary.vehicles == len(ledger.posted("/v1/vehicles"))
    assert summary.checks == {"pulls-disagree": 4}


def test_each_bay_posts_in_its_own_order(filled: Filled) -> None:
    for bay in ("north", "south", "loaded", "hub"):
        sessions = [body for body in filled.ledger.posted("/v1/sessions") if body["bay"] == bay]
        assert [body["sequence"] for body in sessions] == sorted(body["sequence"] for body in sessions)
        assert [body["started_at"] for body in sessions] == sorted(body["started_at"] for body in sessions)


def test_posting_the_same_shop_again_adds_nothing() -> None:
    ledger = StandIn()
    first = fill(ledger)
    kept = len(ledger.posts)
    again = fill(ledger)
    assert len(ledger.posts) == kept
    assert again.replayed == again.sessions == first.sessions


def test_one_session_is_struck_once_and_one_doubted_pull_confirmed_however_often_it_is_filled() -> None:
    ledger = StandIn()
    fill(ledger, cars=60)
    fill(ledger, cars=60)
    assert sum(path.endswith("/strike") for path in ledger.marked) == 1
    assert {path for path in ledger.marked if path.endswith("/confirm")} <= set(ledger.marks)
    assert sum(path.endswith("/confirm") for path in ledger.marked) == 2  # the second was answered 409
    assert all(len(reason.split()) > 5 for reason in ledger.marks.values())


def test_a_broken_line_is_tried_again_with_the_same_key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(post, "FIRST_WAIT_S", 0.0)
    broken = set()

    def breaks_once(request: httpx.Request) -> httpx.Response | None:
        key = request.headers.get("Idempotency-Key")
        if key and key not in broken:
            broken.add(key)
            raise httpx.ReadError("cut")
        return None

    ledger = StandIn(breaks_once)
    summary = fill(ledger)
    assert summary.sessions == len(ledger.posted("/v1/sessions"))
    assert len({body["id"] for body in ledger.posted("/v1/sessions")}) == summary.sessions


def test_a_post_still_being_worked_on_after_a_broken_line_is_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(post, "FIRST_WAIT_S", 0.0)
    turns: dict[str, int] = {}

    def slow(request: httpx.Request) -> httpx.Response | None:
        key = request.headers.get("Idempotency-Key", "")
        turns[key] = turns.get(key, 0) + 1
        if key and turns[key] == 1:
            raise httpx.ReadTimeout("slow")
        return httpx.Response(409, json={"status": 409}) if key and turns[key] == 2 else None

    ledger = StandIn(slow)
    assert fill(ledger).sessions == len(ledger.posted("/v1/sessions"))


def test_a_line_that_stays_broken_is_given_up_after_a_few_attempts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(post, "FIRST_WAIT_S", 0.0)

    def dead(_request: httpx.Request) -> httpx.Response:
        raise httpx.ConnectError("nobody there")

    ledger = StandIn(dead)
    with pytest.raises(httpx.ConnectError):
        fill(ledger)
    assert ledger.requests == post.ATTEMPTS


def test_a_refusal_stops_all_bays_and_shows_the_servers_document() -> None:
    problem = {
        "type": "about:blank",
        "title": "refused",
        "status": 422,
        "errors": [{"pointer": "/bay", "detail": "no"}],
    }

    def refuses_hub(request: httpx.Request) -> httpx.Response | None:
        if request.url.path == "/v1/sessions" and json.loads(request.content)["bay"] == "hub":
            return httpx.Response(422, json=problem)
        return None

    ledger = StandIn(refuses_hub)
    with pytest.raises(PostRefusedError, match="/v1/sessions answered 422") as refused:
        fill(ledger)
    assert json.loads(refused.value.document) == problem


def test_a_conflict_at_the_first_attempt_is_not_hidden() -> None:
    ledger = StandIn(lambda request: httpx.Response(409, json={}) if request.url.path == "/v1/bays" else None)
    with pytest.raises(PostRefusedError, match="409"):
        fill(ledger)


@pytest.mark.parametrize(
    ("url", "open_reading"), [(URL, True), ("http://[::1]:8321", True), ("https://192.0.2.7", False)]
)
def test_reading_is_opened_on_loopback_only(url: str, open_reading: bool) -> None:
    ledger = StandIn()
    fill(ledger, url=url, cars=6)
    (change,) = ledger.changes
    assert change.headers["If-Match"] == '"7"'
    assert json.loads(change.content) == {
        "currency": "GBP",
        "labour_rate": 72.0,
        "open_reading": open_reading,
    }


def test_the_session_of_a_dead_clock_is_held_back(filled: Filled) -> None:
    assert filled.summary.held_back == 1
    assert all(body["started_at"] < NOW.isoformat() for body in filled.ledger.posted("/v1/sessions"))


def test_on_an_earlier_day_only_the_past_is_posted() -> None:
    ledger = StandIn()
    summary = fill(ledger, now=datetime(2023, 1, 1, tzinfo=UTC))
    assert 0 < summary.sessions < summary.sessions + summary.held_back
    assert max(body["started_at"] for body in ledger.posted("/v1/sessions")) < "2023"


def test_a_ledger_with_other_slots_is_refused_in_words() -> None:
    none = httpx.Response(200, json={"items": []})
    ledger = StandIn(lambda request: none if request.url.path == "/v1/slots" else None)
    with pytest.raises(LookupError, match="no slots air-filter"):
        fill(ledger)


def test_each_bay_may_post_with_its_own_token() -> None:
    seen = set()

    def look(request: httpx.Request) -> None:
        if request.url.path == "/v1/sessions":
            seen.add((json.loads(request.content)["bay"], request.headers["Authorization"]))

    fill(StandIn(look), bay_tokens={"hub": "hubs-own"})
    assert seen == {(bay, "Bearer secret") for bay in ("north", "south", "loaded")} | {
        ("hub", "Bearer hubs-own")
    }


def test_the_truth_is_written_beside_the_data(filled: Filled) -> None:
    truth = json.loads(filled.truth.read_text(encoding="utf-8"))
    assert truth["seed"] == 5
    assert set(truth["cars"]) == {body["tag"] for body in filled.ledger.posted("/v1/vehicles")}


def test_no_number_is_posted_that_json_cannot_hold() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        post.Door(httpx.Client(base_url=URL)).post("/v1/sessions", {"torque": float("nan")})


def test_the_command_answers_one_where_nobody_listens(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(post, "FIRST_WAIT_S", 0.0)
    assert command.main(["--url", URL, "--token", "secret", "--cars", "6", "--quiet"]) == 1
    assert "could not fill the shop" in capsys.readouterr().err


def test_the_command_refuses_wrong_use_with_two() -> None:
    with pytest.raises(SystemExit) as left:
        command.main(["--url", URL, "--token", "secret", "--cars", "2"])
    assert left.value.code == 2
