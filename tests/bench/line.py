"""One keep-alive connection with as little of its own as possible.

Whatever the client costs is added to both sides of a ratio and pulls it towards one, so requests are prepared bytes
and an answer is read to its Content-Length. It costs a small part of what a full client library does.
"""

import json
import socket
import time
from types import TracebackType
from typing import Any
from urllib.parse import urlsplit

END_OF_HEAD = b"\r\n\r\n"
LENGTH = b"content-length:"
LONGEST_REST_S = 10.0
"""A third of how long the service keeps a line that nothing comes on (our choice)."""


class Line:
    """A connection to the server at `url`; `token` goes out with every request prepared."""

    def __init__(self, url: str, token: str) -> None:
        self._where = urlsplit(url)
        self._token = token
        self._socket = self._connected()

    def _connected(self) -> socket.socket:
        self._used = time.monotonic()
        made = socket.create_connection((self._where.hostname or "127.0.0.1", self._where.port or 80))
        made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return made

    def refresh(self) -> None:
        """Connect anew after so long a rest that the server may be hanging up; to be done where no time is taken."""
        if time.monotonic() - self._used > LONGEST_REST_S:
            self._socket.close()
            self._socket = self._connected()

    def __enter__(self) -> "Line":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._socket.close()

    def prepare(self, method: str, path: str, body: bytes = b"", **headers: str) -> bytes:
        """A request as it goes over the wire; keyword names become headers (If_None_Match=...)."""
        head = {
            "Host": self._where.netloc,
            "Authorization": f"Bearer {self._token}",
            "Accept": "application/json",
            **{name.replace("_", "-"): value for name, value in headers.items()},
        }
        if body:
            head |= {"Content-Type": "application/json", "Content-Length": str(len(body))}
        lines = [f"{method} {path} HTTP/1.1", *(f"{name}: {value}" for name, value in head.items()), "", ""]
        return "\r\n".join(lines).encode() + body

    def send(self, request: bytes) -> tuple[int, bytes, bytes]:
        """(status, head, body) of the answer."""
        self.refresh()
        self._socket.sendall(request)
        got = self._receive(b"")
        while (end := got.find(END_OF_HEAD)) < 0:
            got = self._receive(got)
        head, body = got[:end], got[end + len(END_OF_HEAD) :]
        status = int(head[9:12])
        missing = (0 if status == 304 else length_of(head)) - len(body)
        while missing > 0:
            more = self._socket.recv(65536)
            if not more:
                raise ConnectionError("the server hung up in the middle of an answer")
            body, missing = body + more, missing - len(more)
        self._used = time.monotonic()
        return status, head, body

    def _receive(self, got: bytes) -> bytes:
        more = self._socket.recv(65536)
        if not more:
            raise ConnectionError("the server hung up")
        return got + more

    def json(self, method: str, path: str, document: Any = None, **headers: str) -> Any:
        """Send a document, answer the document that comes back; anything but 2xx is an error."""
        body = b"" if document is None else json.dumps(document).encode()
        status, _, answer = self.send(self.prepare(method, path, body, **headers))
        if not 200 <= status < 300:
            raise RuntimeError(f"{method} {path} answered {status}: {answer.decode()[:500]}")
        return json.loads(answer)


def length_of(head: bytes) -> int:
    """Content-Length of an answer [bytes]."""
    lower = head.lower()
    at = lower.index(LENGTH) + len(LENGTH)
    return int(lower[at:].split(b"\r\n", 1)[0])


def header_of(head: bytes, name: str) -> str:
    """One header's value, or nothing."""
    for line in head.decode("latin-1").split("\r\n")[1:]:
        key, _, value = line.partition(":")
        if key.lower() == name.lower():
            return value.strip()
    return ""
