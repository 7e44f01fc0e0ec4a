"""The command as a person meets it: arguments in, exit code and two streams out."""

from __future__ import annotations

import itertools
import json
import logging
import os
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from multiprocessing.process import BaseProcess
from pathlib import Path

import httpx
import pytest

from service.cli import main
from service.local import start_server
from tests.cli.keeping import dump, kept, measured, nobodys, shelf  # noqa: F401
from tests.conftest import copy_of, hurried
from tests.local.conftest import folder, postmaster_of, used_folder  # noqa: F401
from tests.processes import at_once, run_command

REPOSITORY = Path(__file__).resolve().parents[2]
START_PATIENCE_S = 60
NUMBERS = itertools.count()


@dataclass(frozen=True)
class Ran:
    """What a run of the command left behind."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


def self_signed(place: Path) -> tuple[Path, list[str]]:
    """A certificate for 127.0.0.1, and the words that have it served."""
    cert, key = place / "cert.pem", place / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert],
        check=True, capture_output=True,
    )  # fmt: skip
    return cert, ["--tls-cert", str(cert), "--tls-key", str(key)]


@pytest.fixture(autouse=True)
def no_settings_from_outside(monkeypatch) -> None:
    for name in [name for name in os.environ if name.startswith("BAYLEDGER_")]:
        monkeypatch.delenv(name)


@pytest.fixture
def own_logging(monkeypatch) -> None:
    """Where a command sends what is logged, and how much of it, is forgotten after the test."""
    root, ours = logging.getLogger(), logging.getLogger("bayledger")
    monkeypatch.setattr(root, "handlers", root.handlers[:])
    monkeypatch.setattr(root, "level", root.level)
    monkeypatch.setattr(ours, "level", ours.level)


@pytest.fixture
def run(capsys, tmp_path, monkeypatch, own_logging) -> Run:
    """Run the command in this process, in an empty working folder."""
    monkeypatch.chdir(tmp_path)

    def run_it(*arguments: object) -> Ran:
        capsys.readouterr()
        code = main([str(one) for one in arguments])
        said = capsys.readouterr()
        return Ran(code, said.out, said.err)

    return run_it


@pytest.fixture
def unmigrated_ledger(used_folder) -> Iterator[Path]:  # noqa: F811
    """A data folder without a schema whose server is up, so that each command adopts it."""
    with start_server(hurried(used_folder)):
        yield used_folder


@pytest.fixture
def ledger(migrated_folder) -> Iterator[Path]:
    """A data folder whose server is up, so that each command adopts it."""
    with start_server(migrated_folder):
        yield migrated_folder


@contextmanager
def lasting_folder(template: Path) -> Iterator[Path]:
    """A copy of a data folder for a whole file; its server must have ended with the tests."""
    with tempfile.TemporaryDirectory(prefix="bl-") as outer:
        yield hurried(copy_of(template, Path(outer) / "data"))
        assert postmaster_of(Path(outer) / "data") is None


@pytest.fixture
def migrated_folder(folder, migrated_template) -> Path:  # noqa: F811
    return hurried(copy_of(migrated_template, folder))


@dataclass
class Serving:
    """A serving process and its address."""

    process: BaseProcess
    folder: Path
    log: Path

    @property
    def url(self) -> str:
        return json.loads((self.folder / "serve.json").read_text())["url"]

    @property
    def pid(self) -> int:
        return self.process.pid

    @property
    def said(self) -> str:
        """All that it has said up to now."""
        return self.log.read_text()

    def send(self, how: int) -> None:
        os.kill(self.pid, how)

    def is_over(self) -> bool:
        return not self.process.is_alive()

    def ended(self) -> int:
        """Wait for its end; answers its exit code."""
        self.process.join(timeout=60)
        assert self.process.exitcode is not None, "it does not end"
        return self.process.exitcode

    def stop(self, how: int = signal.SIGTERM) -> int:
        """Signal the process and wait."""
        self.send(how)
        return self.ended()


@contextmanager
def serving(folder: Path, *arguments: str, command: str = "serve") -> Iterator[Serving]:  # noqa: F811
    """Serve a data folder on a free port, in a process and a session of its own."""
    words = [command, "--data-dir", str(folder), "--port", "0", *arguments]
    log = folder.parent / f"said-{next(NUMBERS)}.log"
    process = at_once().Process(target=run_command, args=(words, log, dict(os.environ)))
    process.start()
    server = Serving(process, folder, log)
    try:
        wait_for_note(server)
        yield server
    finally:
        if not server.is_over():
            server.stop()


def wait_for_note(server: Serving) -> None:
    deadline = time.monotonic() + START_PATIENCE_S
    while not note_is_of(server.pid, server.folder):
        assert not server.is_over(), server.said
        assert time.monotonic() < deadline, "not ready in time"
        time.sleep(0.02)


def note_is_of(pid: int, folder: Path) -> bool:  # noqa: F811
    try:
        return json.loads((folder / "serve.json").read_text())["pid"] == pid
    except FileNotFoundError:
        return False


def is_up(url: str) -> bool:
    try:
        return httpx.get(f"{url}/v1/openapi.json", timeout=10).status_code == 200
    except httpx.TransportError:
        return False


@dataclass
class PretendLedger:
    """Answers every request with one prepared document, and remembers what it was asked."""

    status: int = 200
    document: object = None
    headers: dict[str, str] = field(default_factory=dict)
    asked: list[tuple[str, str, dict[str, str], bytes]] = field(default_factory=list)
    url: str = ""


@pytest.fixture
def pretend_ledger() -> Iterator[PretendLedger]:
    """For the words a command makes of an answer, and for answers a real ledger seldom gives."""
    pretend = PretendLedger()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            pretend.asked.append((self.command, self.path, dict(self.headers), body))
            text = pretend.document if isinstance(pretend.document, str) else json.dumps(pretend.document)
            self.send_response(pretend.status)
            for name, value in pretend.headers.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(text.encode())

        do_POST = do_GET  # noqa: N815

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        pretend.url = f"http://127.0.0.1:{server.server_port}"
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        yield pretend
        server.shutdown()
