"""`bayledger post`: what is sent, and what is made of the answer. The documents follow the contract's page."""

import hashlib
import io
import json
import re

import httpx
import pytest

from tests.setup.check import ROOT

SESSION = {"units": "si", "vehicle": "stoat-014", "bay": "north", "setups": []}
KEPT = {
    "id": "5b0e", "vehicle": "stoat-014", "bay": "north", "units": "us", "standard": "sae-j1349",
    "setups": [{"n": 1, "summary": {"standard": "sae-j1349", "factor": 1.01, "best_of": None, "peak_torque": None, "peak_power": {"mean": 231.24, "best": 232.0, "spread": 0.9, "spread_percent": 0.389, "pulls": 3}}, "pulls": []}],
    "checks": [{"code": "wheel-slip", "level": "doubtful", "message": "torque falls off", "pointer": "/setups/0/pulls/1"}],
    "pairs": [],
}  # fmt: skip
REVIEW = {"sentences": ["Repeat pull 2: torque falls off.", "231 hp, three pulls within 0.9 %."]}
BOTH = KEPT | REVIEW
"""The pretended ledger answers everything alike: this is read as the session kept, then as its review."""


@pytest.fixture
def session_file(tmp_path):
    file = tmp_path / "session.json"
    file.write_text(json.dumps(SESSION))
    return file


def test_the_file_goes_out_unchanged_under_a_key_made_from_its_content(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, BOTH
    for _ in range(2):
        assert run("post", session_file, "--url", pretend_ledger.url, "--token", "t").code == 0
    posts = [one for one in pretend_ledger.asked if one[0] == "POST"]
    for _, path, headers, body in posts:
        assert path == "/v1/sessions"
        assert body == session_file.read_bytes()
        assert headers["Idempotency-Key"] == hashlib.sha256(body).hexdigest()
        assert headers["Authorization"] == "Bearer t"
        assert headers["Content-Type"] == "application/json"
    assert len(posts) == 2


def test_the_review_is_asked_for_in_the_units_of_the_post_and_said_before_the_figures(
    run, session_file, pretend_ledger
):
    pretend_ledger.status, pretend_ledger.document = 201, BOTH
    shown = run("post", session_file, "--url", pretend_ledger.url).out
    assert pretend_ledger.asked[1][:2] == ("GET", "/v1/sessions/5b0e/review?units=us")
    assert [line.rstrip() for line in shown.splitlines()] == [
        "Session 5b0e of stoat-014 in north: kept.",
        "  Repeat pull 2: torque falls off.",
        "  231 hp, three pulls within 0.9 %.",
        "Corrected to sae-j1349:",
        "setup  measure     mean   best   unit  spread  pulls",
        "1      peak power  231.2  232.0  hp    0.39 %  3",
    ]


def test_figures_that_do_not_stand_in_the_ledgers_standard_say_what_they_are(
    run, session_file, pretend_ledger
):
    (one,) = KEPT["setups"]
    words = "as measured, not corrected: humidity was not recorded"
    measured = {**one, "summary": {**one["summary"], "standard": None, "standing": words}}
    pretend_ledger.status, pretend_ledger.document = 201, BOTH | {"setups": [measured]}
    shown = run("post", session_file, "--url", pretend_ledger.url).out
    assert "Setup 1 as measured, not corrected: humidity was not recorded:" in shown


def test_a_spread_that_one_pull_does_not_have_is_not_nought(run, session_file, pretend_ledger):
    (one,) = KEPT["setups"]
    alone = {**one["summary"]["peak_power"], "spread": None, "spread_percent": None, "pulls": 1}
    of_one = {**one, "summary": {**one["summary"], "peak_power": alone}}
    pretend_ledger.status, pretend_ledger.document = 201, BOTH | {"setups": [of_one]}
    shown = run("post", session_file, "--url", pretend_ledger.url).out
    assert shown.splitlines()[-1].split() == ["1", "peak", "power", "231.2", "232.0", "hp", "–", "1"]


def test_what_was_kept_is_said_though_no_review_comes(run, session_file, pretend_ledger, monkeypatch):
    def posted_only(client, path, **_):
        return httpx.Response(404, json={"detail": "no such path"}, request=httpx.Request("GET", path))

    monkeypatch.setattr(httpx.Client, "get", posted_only)
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    ran = run("post", session_file, "--url", pretend_ledger.url)
    assert ran.code == 0
    assert "in north: kept." in ran.out
    assert "There is no review of it: no such path (404)." in ran.out


def test_a_line_that_breaks_after_the_post_is_no_failure_of_the_post(
    run, session_file, pretend_ledger, monkeypatch
):
    def broken(client, path, **_):
        raise httpx.ReadError("gone")

    monkeypatch.setattr(httpx.Client, "get", broken)
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    ran = run("post", session_file, "--url", pretend_ledger.url)
    assert ran.code == 0
    assert "There is no review of it: the line broke (ReadError)." in ran.out


def test_a_replay_is_said_to_have_doubled_nothing(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, BOTH
    pretend_ledger.headers = {"Idempotency-Replayed": "true"}
    assert "nothing was doubled" in run("post", session_file, "--url", pretend_ledger.url).out


def test_a_refusal_lists_every_pointer_and_nothing_on_standard_output(run, session_file, pretend_ledger):
    pretend_ledger.status = 422
    pretend_ledger.document = {
        "title": "Unprocessable Content", "status": 422, "detail": "2 faults; nothing was kept",
        "errors": [{"pointer": "/setups/0/parts/0", "detail": "no part 'x'; nearest: 'y'"},
                   {"pointer": "/bay", "detail": "no bay 'n'; nearest: 'north'"}],
    }  # fmt: skip
    ran = run("post", session_file, "--url", pretend_ledger.url)
    assert ran.code == 1
    assert ran.out == ""
    assert ran.err.splitlines() == [
        "bayledger: 2 faults; nothing was kept (422).",
        "  /setups/0/parts/0: no part 'x'; nearest: 'y'",
        "  /bay: no bay 'n'; nearest: 'north'",
    ]


def test_a_missing_token_says_how_to_make_one(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 401, {"detail": "a token is needed"}
    ran = run("post", session_file, "--url", pretend_ledger.url)
    assert ran.code == 1
    assert "bayledger token create" in ran.err


def test_an_address_without_tls_is_told_to_be_one_and_no_token_is_blamed(run, session_file, pretend_ledger):
    (said,) = re.findall(r"return 403 '(.+)';", (ROOT / "service/proxy/tls_only.conf").read_text())
    pretend_ledger.status, pretend_ledger.document = 403, json.loads(said)
    assert run("post", session_file, "--url", pretend_ledger.url).err.splitlines() == [
        f"bayledger: {json.loads(said)['detail']} (403). Give --url, or BAYLEDGER_URL, with https://.",
        "  asked over http://",
    ]
    pretend_ledger.status, pretend_ledger.document = 301, ""
    pretend_ledger.headers = {"Location": "https://ledger.shop/v1/sessions"}
    assert run("post", session_file, "--url", pretend_ledger.url).err == (
        "bayledger: Moved Permanently (301). Give --url, or BAYLEDGER_URL, with https://.\n"
    )


def test_json_prints_the_answer_as_it_came_and_asks_for_no_review(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    assert json.loads(run("post", session_file, "--json", "--url", pretend_ledger.url).out) == KEPT
    assert len(pretend_ledger.asked) == 1


def test_a_dash_reads_standard_input(run, pretend_ledger, monkeypatch):
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(json.dumps(SESSION).encode())))
    assert run("post", "-", "--url", pretend_ledger.url).code == 0
    assert json.loads(pretend_ledger.asked[0][3]) == SESSION


@pytest.mark.parametrize(
    ("text", "words"), [("{", "is not JSON"), ("[]", "holds no session"), ("", "is not JSON")]
)
def test_a_file_that_is_no_session_is_not_sent(run, tmp_path, pretend_ledger, text, words):
    (tmp_path / "bad.json").write_text(text)
    ran = run("post", tmp_path / "bad.json", "--url", pretend_ledger.url)
    assert ran.code == 1
    assert words in ran.err
    assert pretend_ledger.asked == []


def test_a_file_that_is_not_there_is_wrong_use(run, tmp_path):
    ran = run("post", tmp_path / "none.json")
    assert ran.code == 2
    assert "none.json" in ran.err


def test_an_address_that_is_no_ledger_is_told_apart(run, session_file, pretend_ledger):
    pretend_ledger.document = "<html>hello</html>"
    ran = run("post", session_file, "--url", pretend_ledger.url)
    assert ran.code == 1
    assert "does not answer like a ledger" in ran.err
