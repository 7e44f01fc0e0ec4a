"""`bayledger post`: what is sent, and what is made of the answer. The documents follow the contract's page."""

import hashlib
import io
import json
from types import SimpleNamespace

import pytest

from service.cli.post import gain_in_words
from service.schemas.session_documents import Figures

SESSION = {"units": "si", "vehicle": "stoat-014", "bay": "north", "setups": []}
KEPT = {
    "id": "5b0e", "vehicle": "stoat-014", "bay": "north", "units": "us", "standard": "sae-j1349",
    "setups": [{"n": 1, "summary": {"standard": "sae-j1349", "factor": 1.01, "best_of": None, "peak_torque": None, "peak_power": {"mean": 231.24, "best": 232.0, "spread": 0.9, "pulls": 3}}, "pulls": []}],
    "checks": [{"code": "wheel-slip", "level": "doubtful", "message": "torque falls off", "pointer": "/setups/0/pulls/1"}],
    "pairs": [{"part": "downpipe-200", "against": "without", "match": "same-session", "held": False,
               "differs": [{"what": "inlet", "before": 24.0, "after": 35.0, "window": 8.0}], "usable": True, "peak_power_percent": 5.31}],
}  # fmt: skip


@pytest.fixture
def session_file(tmp_path):
    file = tmp_path / "session.json"
    file.write_text(json.dumps(SESSION))
    return file


def test_the_file_goes_out_unchanged_under_a_key_made_from_its_content(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    for _ in range(2):
        assert run("post", session_file, "--url", pretend_ledger.url, "--token", "t").code == 0
    for method, path, headers, body in pretend_ledger.asked:
        assert (method, path) == ("POST", "/v1/sessions")
        assert body == session_file.read_bytes()
        assert headers["Idempotency-Key"] == hashlib.sha256(body).hexdigest()
        assert headers["Authorization"] == "Bearer t"
        assert headers["Content-Type"] == "application/json"
    assert len(pretend_ledger.asked) == 2


def test_what_was_kept_is_shown_with_its_units_checks_and_pairs(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    shown = run("post", session_file, "--url", pretend_ledger.url).out
    for word in (
        "stoat-014",
        "sae-j1349",
        "peak power",
        "231.2",
        "hp",
        "torque falls off",
        "/setups/0/pulls/1",
    ):
        assert word in shown
    assert "peak torque" not in shown, "it was not measured"
    assert "downpipe-200: +5.3 % peak power (same-session, not held: inlet 24.0 before, 35.0 after)" in shown


def test_a_pair_without_a_common_level_has_no_figure(run, session_file, pretend_ledger):
    pair = KEPT["pairs"][0] | {"peak_power_percent": None}
    pretend_ledger.status, pretend_ledger.document = 201, KEPT | {"pairs": [pair]}
    shown = run("post", session_file, "--url", pretend_ledger.url).out
    assert "downpipe-200: peak power cannot be compared (same-session" in shown


def test_the_figure_of_a_pair_is_read_under_the_name_the_service_gives_it():
    pair = SimpleNamespace(
        part="downpipe-200", against=None, match=0, held=True, usable=True, differs=[],
        without_session="a", without_n=1, with_session="a", with_n=2, again_session=None,
        with_level="sae-j1349", without_level="sae-j1349",
        with_power_kw=105.0, without_power_kw=100.0, again_power_kw=None,
    )  # fmt: skip
    assert gain_in_words(Figures("si", "sae-j1349").pair(pair)) == "+5.0 % peak power"


def test_a_replay_is_said_to_have_doubled_nothing(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
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


def test_json_prints_the_answer_as_it_came(run, session_file, pretend_ledger):
    pretend_ledger.status, pretend_ledger.document = 201, KEPT
    assert json.loads(run("post", session_file, "--json", "--url", pretend_ledger.url).out) == KEPT


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
