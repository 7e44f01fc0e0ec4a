"""A small HTTP server that answers each post as a test says, for answers a real ledger seldom gives."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

PROBLEM = "application/problem+json"


@dataclass
class Answer:
    """A status, a document (or text), headers."""

    status: int = 201
    document: Any = None
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def raw(self) -> bytes:
        text = self.document if isinstance(self.document, str) else json.dumps(self.document)
        return text.encode()


@dataclass
class Answering:
    """Where it listens, and what it was sent."""

    url: str
    posts: list[dict[str, Any]]
    headers: list[dict[str, str]]


def kept(session: dict[str, Any]) -> Answer:
    """As a ledger answers that keeps a session."""
    return Answer(201, {"id": session["id"], "vehicle": session["vehicle"], "checks": []})


def problem(status: int, detail: str, errors: list[dict[str, Any]] | None = None, **headers: str) -> Answer:
    """As a ledger answers that does not."""
    document = {"title": "a problem", "status": status, "detail": detail} | (
        {"errors": errors} if errors else {}
    )
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return Answer(status, document, {"Content-Type": PROBLEM, **named})


@contextmanager
def answering(
    answer: Callable[[dict[str, Any]], Answer],
    ask: Callable[[str], Answer] = lambda _: Answer(200, {"status": "ready"}),
) -> Iterator[Answering]:
    """A server that answers every post by a function of its document, and every question by one of its path."""
    seen = Answering("", [], [])

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            session = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            seen.posts.append(session)
            seen.headers.append(dict(self.headers))
            self.reply(answer(session))

        def do_GET(self) -> None:
            self.reply(ask(self.path))

        def reply(self, said: Answer) -> None:
            self.send_response(said.status)
            for name, value in said.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(said.raw)))
            self.end_headers()
            self.wfile.write(said.raw)

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        seen.url = f"http://127.0.0.1:{server.server_port}"
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        yield seen
        server.shutdown()
