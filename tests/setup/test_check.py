"""`check`: a step that cannot be done is said and named, and fails nothing; `audit` against a weakness database of ours."""

import json
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from tests.setup import audit, check

WEAK = {
    "vulns": [
        {
            "id": "TEST-2026-1",
            "schema_version": "1.6.0",
            "summary": "an invented weakness",
            "affected": [
                {
                    "package": {"name": "frail", "ecosystem": "PyPI"},
                    "ranges": [{"type": "ECOSYSTEM", "events": [{"introduced": "0"}, {"fixed": "1.2.4"}]}],
                }
            ],
        }
    ]
}
"""An answer as the database gives it (OSV schema 1.6)."""


@pytest.fixture
def lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A lock file of two packages."""
    path = tmp_path / "two.lock"
    path.write_text("".join(f"{name}==1.2.3 --hash=sha256:{'0' * 64}\n" for name in ("frail", "sound")))
    monkeypatch.setattr(audit, "LOCK", str(path))
    return path


@pytest.fixture
def database(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """The weakness database, on this machine; what it was asked about."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            name = json.loads(self.rfile.read(int(self.headers["Content-Length"])))["package"]["name"]
            asked.append(name)
            body = json.dumps(WEAK if name == "frail" else {}).encode()
            self.send_response(200)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    monkeypatch.setenv("PIP_AUDIT_OSV_URL", f"http://127.0.0.1:{server.server_port}/v1/query")
    yield asked
    server.shutdown()
    server.server_close()


def test_a_known_weakness_fails_and_is_named_with_the_way_out(lock, database, capsys):
    assert audit.main() == 1
    assert capsys.readouterr().out == "frail 1.2.3: TEST-2026-1, mended in 1.2.4\n"
    assert sorted(database) == ["frail", "sound"]


def test_where_nothing_is_known_it_says_of_how_many(lock, database, capsys):
    lock.write_text(lock.read_text().replace("frail", "firm"))
    assert audit.main() == 0
    assert capsys.readouterr().out == "nothing known against 2 packages\n"


def test_where_the_database_cannot_be_asked_it_says_so_and_is_not_done(lock, monkeypatch, capsys):
    monkeypatch.setenv("PIP_AUDIT_OSV_URL", "http://127.0.0.1:9/v1/query")  # the discard port: nobody listens
    assert audit.main() == check.NOT_DONE
    assert capsys.readouterr().out.startswith("not asked whether the packages of ")


@pytest.mark.parametrize(
    ("steps", "code", "closing"),
    [
        ({"one": 0, "two": 0}, 0, "check: all passed"),
        ({"one": 0, "two": 75}, 0, "check: all passed; not done: two"),
        ({"one": 1, "two": 75}, 1, "check: 1 failed: one; not done: two"),
        ({"one": 2, "two": 1}, 1, "check: 2 failed: one, two"),
    ],
)
def test_a_step_not_done_is_named_at_the_end_and_fails_nothing(monkeypatch, capsys, steps, code, closing):
    def command(name: str, ends: int) -> list[str]:
        return [sys.executable, "-c", f"print('words of {name}'); raise SystemExit({ends})"]

    monkeypatch.setattr(check, "steps", lambda: {name: command(name, ends) for name, ends in steps.items()})
    assert check.main([]) == code
    said = capsys.readouterr().out
    assert said.splitlines()[-1] == closing
    for name, ends in steps.items():
        assert (f"words of {name}" in said) == (ends != 0), "what a step said is shown where it did not pass"
