"""How what is logged is written, and that a serving ledger writes all of it so."""

import json
import logging
import os
import signal
import sys
import time

import httpx
import pytest

from service.cli.logs import JsonLines, TextLines, printable, set_up
from service.settings import Settings, SettingsError
from tests.cli.conftest import Serving, serving
from tests.cli.test_serve import workers_of
from tests.local.conftest import wait_until


def record(message: str, *args: object, **told: object) -> logging.LogRecord:
    """Something said."""
    made = logging.LogRecord("bayledger", logging.WARNING, __file__, 1, message, args, None)
    made.created, made.told = 1_700_000_000.25, told
    return made


def failed(message: str) -> logging.LogRecord:
    """A fault, with its traceback."""
    made = record("it broke")
    try:
        raise ValueError(message)
    except ValueError:
        made.exc_info = sys.exc_info()
    return made


def test_json_is_one_object_a_line():
    line = JsonLines().format(record("lost %s", "it\nall", status=500, bay=None))
    assert "\n" not in line
    # 1,700,000,000 s after 1970 by `date -u -d @1700000000`
    assert json.loads(line) == {
        "time": "2023-11-14T22:13:20.250+00:00", "level": "warning", "logger": "bayledger", "message": "lost it\nall",
        "status": 500,
    }  # fmt: skip


def test_json_keeps_a_traceback_in_its_line():
    line = JsonLines().format(failed("two\nlines"))
    assert "\n" not in line
    assert json.loads(line)["fault"].endswith("ValueError: two\nlines")


def test_text_says_time_level_words_and_the_rest():
    line = TextLines().format(record("lost %s", "it", status=500, caller="a\nb"))
    assert line == "2023-11-14T22:13:20.250+00:00 WARNING lost it status=500 caller=a\\nb"


def test_text_sets_a_traceback_in():
    first, *rest = TextLines().format(failed("two\n2026 INFO lines")).splitlines()
    assert first.endswith("WARNING it broke")
    assert all(line.startswith("    ") for line in rest)
    assert rest[-1] == "    2026 INFO lines"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain é°", "plain é°"),
        ("a\r\nb", "a\\r\\nb"),
        ("\x1b[31m", "\\x1b[31m"),
        ("\u2028\u202e", "\\u2028\\u202e"),
    ],
)
def test_what_cannot_be_printed_is_written_out(text, shown):
    assert printable(text) == shown


@pytest.mark.parametrize(
    ("form", "at_terminal", "kind"),
    [("", True, TextLines), ("", False, JsonLines), ("json", True, JsonLines), ("text", False, TextLines)],
)
def test_a_terminal_is_written_text_and_else_json_unless_told(
    form, at_terminal, kind, monkeypatch, own_logging
):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: at_terminal)
    set_up("info", form)
    assert isinstance(logging.getLogger().handlers[0].formatter, kind)


def test_another_form_is_refused():
    with pytest.raises(SettingsError, match="BAYLEDGER_LOG_FORMAT must be json or text, not 'xml'"):
        Settings.from_environment({"BAYLEDGER_LOG_FORMAT": "xml"})


def logged(server: Serving) -> list[dict]:
    """What a serving ledger has logged; all but its address must be JSON."""
    return [json.loads(line) for line in server.said.splitlines() if not line.startswith("Bayledger serves ")]


def test_a_serving_ledger_logs_its_answers_and_what_its_server_says_as_json(migrated_folder):
    with serving(migrated_folder) as server:
        asked = httpx.get(f"{server.url}/v1/parts", headers={"X-Request-Id": "asked-1"})
        assert (asked.status_code, asked.headers["X-Request-Id"]) == (401, "asked-1")
        (worker,) = workers_of(server.pid)
        os.kill(worker, signal.SIGKILL)
        wait_until(lambda: any(line["logger"] == "gunicorn.error" for line in logged(server)), 30)
    access = [line for line in logged(server) if line["logger"] == "bayledger.access"]
    assert [(line["request_id"], line["status"]) for line in access] == [("asked-1", 401)]


def test_it_logs_text_where_told(migrated_folder):
    with serving(migrated_folder, "--log-format", "text") as server:
        httpx.get(f"{server.url}/v1/parts", headers={"X-Request-Id": "asked-1"})
        wait_until(lambda: "asked-1" in server.said, 30)
    (line,) = [line for line in server.said.splitlines() if "asked-1" in line]
    assert (
        " INFO GET /v1/parts 401 request_id=asked-1 method=GET route=/v1/parts status=401 duration_ms="
        in line
    )


def test_it_says_less_where_told(migrated_folder):
    with serving(migrated_folder, "--log-level", "warning") as server:
        assert httpx.get(f"{server.url}/v1/parts").status_code == 401
        time.sleep(0.2)
    assert logged(server) == []
