"""Four bays post and mend the sessions of the same few cars at once."""

import random
from typing import Any

import pytest

from tests.faults.conftest import CARS, amend, send
from tests.faults.rebuild import damage, expected_pairs, kept_pairs
from tests.faults.sessions import SLOTS, random_parts, random_sessions, tag_of

pytestmark = pytest.mark.machine

SEED = 20260318
POSTS = 84
REPEATED_EVERY = 7


def posts_with_repeats(rng: random.Random, documents: list[dict[str, Any]]) -> list[Any]:
    """Every post once and every seventh twice, in random order; half of them carry a key."""
    requests = []
    for number, document in enumerate(documents):
        headers = {"Idempotency-Key": f"key-{number}"} if number % 2 else {}
        times = 2 if number % REPEATED_EVERY == 0 else 1
        requests += [("POST", "/v1/sessions", document, headers)] * times
    rng.shuffle(requests)
    return requests


def until_answered(bays, requests):
    """Send all at once; what met its own twin still at work (409) is sent again, as a bay would."""
    sent = bays.map(send, requests, chunksize=1)
    waiting = [i for i, one in enumerate(sent) if one.status == 409]
    for i in waiting:
        sent[i] = bays.apply(send, (requests[i],))
    return sent


def test_posts_in_random_order_from_four_processes_keep_every_session_once_and_every_pair(
    bays, sight, admin_here
):
    rng = random.Random(SEED)
    documents = random_sessions(SEED, POSTS, CARS, with_id=0.5)
    requests = posts_with_repeats(rng, documents)
    sent = until_answered(bays, requests)
    assert {one.status for one in sent} == {201}

    first_answers: dict[int, str] = {}
    replays = 0
    for (_, _, document, _), one in zip(requests, sent, strict=True):
        id = first_answers.setdefault(document["sequence"], one.body["id"])
        assert one.body["id"] == id
        assert document.get("id", id) == id
        replays += one.replayed
    assert replays == len(requests) - POSTS == POSTS // REPEATED_EVERY

    whole = [{**document, "id": first_answers[document["sequence"]]} for document in documents]
    assert len(kept_pairs(sight)) > 300, "too few pairs to prove anything"
    assert {pair.match for pair in kept_pairs(sight)} >= {
        "same-session-aba", "same-session", "same-day", "other-day", "other-bay"
    }  # fmt: skip
    assert damage(sight, whole, SLOTS) == []
    assert sight.execute("SELECT count(*) FROM session").fetchone() == (POSTS,)


def every_session(client) -> list[dict[str, Any]]:
    """All sessions as they read now."""
    page = client.get("/v1/sessions?limit=500").json["items"]
    return [client.get(f"/v1/sessions/{item['id']}").json for item in page]


def a_move(rng: random.Random, session: dict[str, Any]) -> tuple[str, str, str, Any]:
    """The session moved to another car, often of another platform."""
    about = f"/v1/sessions/{session['id']}"
    return about, "PATCH", about, {"reason": "the wrong car", "vehicle": tag_of(rng.randrange(CARS))}


def random_change(rng: random.Random, session: dict[str, Any]) -> tuple[str, str, str, Any]:
    """A strike, its end or an amendment of something in a session: (about, method, path, body)."""
    about = f"/v1/sessions/{session['id']}"
    setup = rng.choice(session["setups"])
    n, pull = setup["n"], rng.choice(setup["pulls"])["id"]
    why = {"reason": "a test of marks"}
    changes = [
        ("POST", f"{about}/strike", why),
        ("POST", f"{about}/unstrike", {}),
        ("POST", f"{about}/setups/{n}/strike", why),
        ("POST", f"{about}/setups/{n}/unstrike", {}),
        ("POST", f"/v1/pulls/{pull}/strike", why),
        ("POST", f"/v1/pulls/{pull}/unstrike", {}),
        ("PATCH", f"/v1/pulls/{pull}", {**why, "status": rng.choice(("accepted", "rejected"))}),
        ("PATCH", about, {**why, "vehicle": tag_of(rng.randrange(CARS))}),
        ("PATCH", about, {**why, "started_at": f"2026-02-{1 + rng.randrange(5):02d}T12:00:00+00:00"}),
        ("PATCH", f"{about}/setups/{n}", {**why, "parts_known": rng.choice(("complete", "partial"))}),
    ]
    if (
        len(session["setups"]) < 4
    ):  # A-B-A-B has more than one reading on either side: not the rebuild's business
        changes.append(("PATCH", f"{about}/setups/{n}", {**why, "parts": random_parts(rng)}))
    return (about, *rng.choice(changes))


def test_strikes_and_amendments_from_four_processes_leave_the_pairs_a_rebuild_makes(bays, sight, admin_here):
    rng = random.Random(SEED + 1)
    sessions = every_session(admin_here)
    assert len(sessions) == POSTS
    before = kept_pairs(sight)
    changes = [random_change(rng, rng.choice(sessions)) for _ in range(120)]
    sent = bays.map(amend, changes, chunksize=1)
    assert {one.status for one in sent} == {200}, [one.body for one in sent if one.status != 200][:3]

    now = kept_pairs(sight)
    assert len(now ^ before) > 50, "too little changed to prove anything"
    assert now == expected_pairs(every_session(admin_here), SLOTS)


def test_sessions_moved_between_cars_from_four_processes_never_wait_for_each_other(bays, sight, admin_here):
    rng = random.Random(SEED + 2)
    sessions = every_session(admin_here)
    moves = [a_move(rng, rng.choice(sessions)) for _ in range(120)]
    sent = bays.map(amend, moves, chunksize=1)
    assert {one.status for one in sent} == {200}, [one.body for one in sent if one.status != 200][:3]
    assert kept_pairs(sight) == expected_pairs(every_session(admin_here), SLOTS)
