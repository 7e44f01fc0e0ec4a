"""One line in the log for each answer: enough to find what happened, nothing of what was sent."""

import json
import logging
import re

import pytest

from service.api import health, request_log
from service.cli.logs import JsonLines, TextLines
from tests.api.bodies import session

MADE = re.compile(r"[0-9a-f]{32}")


@pytest.fixture
def lines(caplog):
    """The log's lines since, as JSON."""
    caplog.set_level(logging.DEBUG, logger="bayledger")
    caplog.handler.setFormatter(JsonLines())
    return lambda: [json.loads(line) for line in caplog.text.splitlines()]


def test_an_answer_is_told_with_route_status_time_caller_and_bay(bay, lines):
    assert bay.post("/v1/sessions", session([])).status_code == 201
    (line,) = lines()
    assert line["message"] == "POST /v1/sessions 201"
    assert (line["method"], line["route"], line["status"]) == ("POST", "/v1/sessions", 201)
    assert (line["caller"], line["bay"], line["level"]) == ("north", "north", "info")
    assert line["token"] > 0
    assert 0 < line["duration_ms"] < 60_000
    assert line["time"].endswith("+00:00")


def test_how_long_it_took_is_said_in_milliseconds(nobody, lines, monkeypatch):
    monkeypatch.setattr(request_log, "perf_counter", iter([10.0, 10.25]).__next__)
    nobody.get("/v1/parts")
    assert [line["duration_ms"] for line in lines()] == [250.0]


def test_what_is_not_known_is_left_out(nobody, lines):
    nobody.get("/v1/parts")
    (line,) = lines()
    assert line["status"] == 401
    assert not line.keys() & {"caller", "token", "bay", "fault"}


def test_a_session_posted_by_an_admin_names_its_bay(shop, lines):
    shop.post("/v1/sessions", session([]))
    shop.post("/v1/sessions", session([], bay="no-such-bay"))
    assert [line.get("bay") for line in lines()] == ["north", None]


def test_who_may_not_do_it_is_named(reader, lines):
    assert reader.post("/v1/sessions", session([])).status_code == 403
    (line,) = lines()
    assert (line["caller"], line["status"]) == ("counter", 403)


def test_an_id_is_made_and_answered(nobody, lines):
    made = nobody.get("/v1/parts").headers["X-Request-Id"]
    assert MADE.fullmatch(made)
    assert lines()[0]["request_id"] == made
    assert nobody.get("/v1/parts").headers["X-Request-Id"] != made


@pytest.mark.parametrize("sent", ["7", "a-b_c.D", "x" * 64])
def test_a_clean_id_is_taken(nobody, lines, sent):
    assert nobody.get("/v1/parts", X_Request_Id=sent).headers["X-Request-Id"] == sent
    assert lines()[0]["request_id"] == sent


@pytest.mark.parametrize("sent", ["", "x" * 65, "a b", 'a"b', "a;b", "<b>", "%0a", "\u00e9"])
def test_an_id_that_is_not_clean_is_not_taken(nobody, sent):
    assert MADE.fullmatch(nobody.get("/v1/parts", X_Request_Id=sent).headers["X-Request-Id"])


def test_nothing_that_was_sent_is_in_the_log(shop, lines, caplog):
    odd = "wanted-7x"
    shop.get(f"/v1/vehicles/{odd}")
    shop.get(f"/v1/search?q={odd}")
    shop.get(f"/{odd}")
    shop.raw(odd.upper(), "/v1/parts")
    shop.post("/v1/sessions", session([], vehicle=odd))
    shop.post("/v1/sessions", session([]), Idempotency_Key=odd)
    shop.raw(
        "GET", "/v1/parts", headers={"Authorization": f"Bearer {odd}", "User-Agent": odd, "Referer": odd}
    )
    assert len(lines()) == 7
    assert odd not in caplog.text.lower()
    assert shop.token not in caplog.text


def test_what_is_asked_every_few_seconds_is_said_at_debug_unless_it_fails(nobody, lines):
    for path in ("/v1/health", "/v1/ready", "/metrics"):
        assert nobody.get(path).status_code == 200
    nobody.raw("GET", "/metrics", headers={"Via": "a proxy"})
    assert [(line["route"], line["level"]) for line in lines()] == [
        ("/v1/health", "debug"),
        ("/v1/ready", "debug"),
        ("/metrics", "debug"),
        ("/metrics", "info"),
    ]


@pytest.fixture
def broken(monkeypatch):
    """/v1/health fails, with words that pretend to be a line of the log."""

    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("divided\n2026-01-01 INFO all is well\x1b[2J")

    monkeypatch.setattr(health, "json_response", fail)


def test_a_fault_of_ours_is_told_with_its_traceback_under_the_request_s_id(nobody, lines, broken):
    answer = nobody.get("/v1/health")
    assert answer.status_code == 500
    fault, access = lines()
    assert fault["instance"] == answer.json["instance"]
    assert fault["request_id"] == access["request_id"] == answer.headers["X-Request-Id"]
    assert "ZeroDivisionError: divided" in fault["fault"]
    assert (fault["level"], access["level"], access["status"]) == ("error", "error", 500)


def test_a_fault_is_said_at_every_level(nobody, lines, broken, caplog):
    caplog.set_level(logging.ERROR, logger="bayledger")
    nobody.get("/v1/health")
    nobody.get("/v1/parts")
    assert [line.get("status") for line in lines()] == [None, 500]


def test_no_text_makes_a_line_of_its_own(nobody, broken, caplog):
    caplog.set_level(logging.INFO, logger="bayledger")
    caplog.handler.setFormatter(TextLines())
    nobody.get("/v1/health%0a2026-01-01 INFO all is well")
    nobody.get("/v1/health")
    first, *rest = caplog.text.splitlines()
    assert " INFO GET none 404" in first or " INFO none none 404" in first
    begins = [line for line in rest if not line.startswith("    ")]
    assert [line.split()[1] for line in begins] == ["ERROR", "ERROR"]
    assert "\x1b" not in caplog.text
