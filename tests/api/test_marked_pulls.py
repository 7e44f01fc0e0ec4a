"""Marks on single pulls and amendments of a session: what stands against another pull of the setup still stands."""

from tests.conftest import version_of
from tests.factories import WARM, pull, session, setup

WHY = {"reason": "keyed wrong"}


def test_a_confirmation_clears_one_pull_and_not_the_one_beside_it(stoats):
    hot = {**WARM, "coolant": 115.0}
    body = session(setup() | {"pulls": [pull(engine=hot), pull(engine=hot), pull()]})
    kept = stoats.post("/v1/sessions", body).json
    first, second, _ = kept["setups"][0]["pulls"]
    once = stoats.post(f"/v1/pulls/{first['id']}/confirm", {"reason": "gauge is wrong"}).json
    assert once["setups"][0]["doubts"] == ["engine-hot"]
    both = stoats.post(f"/v1/pulls/{second['id']}/confirm", {"reason": "gauge is wrong"}).json
    assert both["setups"][0]["doubts"] == []


def test_a_confirmation_leaves_a_note_standing(stoats):
    hot = pull(engine={**WARM, "coolant": 115.0})
    body = session(setup() | {"pulls": [hot, pull(), pull()]}, clock="2026-03-01T10:30:00+00:00")
    kept = stoats.post("/v1/sessions", body).json
    assert {one["code"]: one["level"] for one in kept["checks"]} == {
        "engine-hot": "doubtful",
        "clock-skew": "note",
    }
    pull_id = kept["setups"][0]["pulls"][0]["id"]
    checks = stoats.post(f"/v1/pulls/{pull_id}/confirm", {"reason": "gauge is wrong"}).json["checks"]
    assert {one["code"] for one in checks if one.get("cleared")} == {"engine-hot"}


def test_an_amended_gear_is_kept(stoats):
    kept = stoats.post("/v1/sessions", session(gear=4)).json
    path = f"/v1/sessions/{kept['id']}"
    changed = stoats.patch(path, {"gear": 3, **WHY}, If_Match=version_of(stoats.get(path)))
    assert (changed.status_code, changed.json["gear"], stoats.get(path).json["gear"]) == (200, 3, 3)


def test_a_pull_set_aside_takes_its_doubts_along(stoats):
    hot = pull(engine={**WARM, "coolant": 115.0})
    kept = stoats.post("/v1/sessions", session(setup() | {"pulls": [hot, pull(), pull()]})).json
    assert kept["setups"][0]["doubts"] == ["engine-hot"]
    pull_id, version = (
        kept["setups"][0]["pulls"][0]["id"],
        version_of(stoats.get(f"/v1/sessions/{kept['id']}")),
    )
    after = stoats.patch(f"/v1/pulls/{pull_id}", {"status": "settling", **WHY}, If_Match=version)
    assert (after.status_code, after.json["setups"][0]["doubts"]) == (200, [])


def test_a_pull_that_is_accepted_again_has_no_reason_for_not_counting(stoats):
    kept = stoats.post("/v1/sessions", session(setup())).json
    path, address = f"/v1/sessions/{kept['id']}", f"/v1/pulls/{kept['setups'][0]['pulls'][0]['id']}"
    for status, reason in (("rejected", "keyed wrong"), ("accepted", None)):
        version = version_of(stoats.get(path))
        after = stoats.patch(address, {"status": status, **WHY}, If_Match=version).json
        assert after["setups"][0]["pulls"][0]["reason"] == stoats.get(address).json["reason"] == reason
    (first, *_) = stoats.get(f"{path}/sheet").json["b"]["pulls"]["each"]
    assert (first["counts"], first["reason"]) == (True, None)


def test_what_a_pull_was_rejected_for_is_kept_while_it_counts_as_settling(stoats):
    kept = stoats.post("/v1/sessions", session(setup())).json
    path, pull_at = f"/v1/sessions/{kept['id']}", f"/v1/pulls/{kept['setups'][0]['pulls'][0]['id']}"
    for status, why in (("rejected", "wheel slip"), ("settling", "keyed wrong")):
        change = {"status": status, "reason": why}
        after = stoats.patch(pull_at, change, If_Match=version_of(stoats.get(path))).json
        first = after["setups"][0]["pulls"][0]
        assert (first["status"], first["reason"]) == (status, "wheel slip")
