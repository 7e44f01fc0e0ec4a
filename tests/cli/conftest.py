"""The command as a person meets it: arguments in, exit code and two streams out."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx
import pytest

from service.cli import main
from service.local import start_server
from tests.local.conftest import folder, template, used_folder  # noqa: F401

REPOSITORY = Path(__file__).resolve().parents[2]
START_PATIENCE_S = 60


@dataclass(frozen=True)
class Ran:
    """What a run of the command left behind."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture(autouse=True)
def no_settings_from_outside(monkeypatch) -> None:
    for name in [name for name in os.environ if name.startswith("BAYLEDGER_")]:
        monkeypatch.delenv(name)


@pytest.fixture
def run(capsys, tmp_path, monkeypatch) -> Run:
    """Run the command in this process, in an empty working folder."""
    monkeypatch.chdir(tmp_path)

    def run_it(*arguments: object) -> Ran:
        capsys.readouterr()
        code = main([str(one) for one in arguments])
        said = capsys.readouterr()
        return Ran(code, said.out, said.err)

    return run_it


@pytest.fixture
def ledger(used_folder) -> Iterator[Path]:  # noqa: F811
    """A data folder whose server is up, so that each command adopts it."""
    with start_server(used_folder):
        yield used_folder


@pytest.fixture(scope="session")
def migrated_template(template, tmp_path_factory) -> Path:  # noqa: F811
    """A data folder with the schema in it."""
    made = tmp_path_factory.mktemp("migrated") / "data"
    shutil.copytree(template, made)
    assert main(["migrate", "--quiet", "--data-dir", str(made)]) == 0
    return made


@pytest.fixture
def migrated_folder(folder, migrated_template) -> Path:  # noqa: F811
    shutil.copytree(migrated_template, folder)
    return folder


@dataclass
class Serving:
    """A serving process and its address."""

    process: subprocess.Popen[str]
    folder: Path
    said: str = ""

    @property
    def url(self) -> str:
        return json.loads((self.folder / "serve.json").read_text())["url"]

    def stop(self, how: int = signal.SIGTERM) -> int:
        """Signal the process and wait; what it said is kept."""
        self.process.send_signal(how)
        self.said, _ = self.process.communicate(timeout=60)
        return self.process.returncode


@contextmanager
def serving(folder: Path, *arguments: str, command: str = "serve") -> Iterator[Serving]:  # noqa: F811
    """Serve a data folder on a free port, in a process and a process group of its own."""
    process = subprocess.Popen(
        [sys.executable, "-m", "service", command, "--data-dir", str(folder), "--port", "0", *arguments],
        cwd=REPOSITORY,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        wait_for_note(process, folder)
        yield Serving(process, folder)
    finally:
        if process.poll() is None:
            process.terminate()
        process.communicate(timeout=60)


def wait_for_note(process: subprocess.Popen[str], folder: Path) -> None:  # noqa: F811
    deadline = time.monotonic() + START_PATIENCE_S
    while not _note_is_of(process.pid, folder):
        assert process.poll() is None, process.stdout.read()
        assert time.monotonic() < deadline, "not ready in time"
        time.sleep(0.02)


def _note_is_of(pid: int, folder: Path) -> bool:  # noqa: F811
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
