"""A real TCP proxy between a bay and the ledger that does to requests what a workshop's network does.

It forwards bytes between sockets and knows just so much of HTTP/1.1 (where a head ends, how long a body is) that it can
choose the moment: before the request, amid it, after it, amid the answer.
"""

import contextlib
import random
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from urllib.parse import urlsplit

FAULTS = (
    "refuse",
    "cut-in-request",
    "cut-after-request",
    "cut-in-answer",
    "swallow",
    "half-open",
    "delay",
    "duplicate",
)
"""refuse: reset at once; cut-in-request: reset with half of the body sent on; cut-after-request: the ledger has it all,
its answer is lost and the line reset; cut-in-answer: reset in the middle of the answer; swallow: the request is taken and
sent nowhere, the line stays open; half-open: the same with the request sent on; delay: everything comes late;
duplicate: the request reaches the ledger twice at once."""
OPEN_S = 30.0
"""How long a half-open line is kept: longer than any bay of a test waits."""
PIECE = 65_536


class Cut(Exception):
    """One of the two sides is gone."""


def reset(line: socket.socket) -> None:
    """Close a line with RST, as a plug that is pulled looks to the other side."""
    with contextlib.suppress(OSError):
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        line.close()


@dataclass
class Message:
    """A request or an answer: its bytes, of which the first `head` are the head."""

    raw: bytes
    head: int


def read_message(line: socket.socket) -> Message:
    """One whole message. Raises Cut at the end of the line."""
    raw = b""
    while b"\r\n\r\n" not in raw:
        raw += piece_of(line)
    head = raw.index(b"\r\n\r\n") + 4
    while len(raw) < head + length_in(raw[:head]):
        raw += piece_of(line)
    return Message(raw, head)


def piece_of(line: socket.socket) -> bytes:
    """The next bytes."""
    try:
        piece = line.recv(PIECE)
    except OSError:
        raise Cut from None
    if not piece:
        raise Cut
    return piece


def length_in(head: bytes) -> int:
    """What Content-Length says."""
    for one in head.lower().split(b"\r\n"):
        if one.startswith(b"content-length:"):
            return int(one.partition(b":")[2])
    return 0


class Proxy:
    """Listens on a port of its own; `upstream()` says where the ledger is at the moment, None while it is down.

    `choose(rng)` names the fault of each request, or None. `done` counts the faults that were carried out.
    """

    def __init__(
        self, upstream: Callable[[], str | None], choose: Callable[[random.Random], str | None], seed: int
    ) -> None:
        self.upstream, self.choose, self.rng = upstream, choose, random.Random(seed)
        self.done: Counter[str] = Counter()
        self.requests = 0
        self._lock = threading.Lock()
        self._door = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.url = f"http://127.0.0.1:{self._door.getsockname()[1]}"
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        """Listen no more."""
        self._door.close()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._door.accept()
            except OSError:
                return
            threading.Thread(target=self._line, args=(line,), daemon=True).start()

    def _line(self, bay: socket.socket) -> None:
        """All requests of one line from a bay."""
        bay.settimeout(OPEN_S)
        ledger: socket.socket | None = None
        try:
            while True:
                request = read_message(bay)
                fault = self._next_fault()
                ledger = self._pass_on(bay, ledger, request, fault)
        except (Cut, OSError):
            reset(bay)
        finally:
            if ledger is not None:
                ledger.close()

    def _next_fault(self) -> str | None:
        with self._lock:
            self.requests += 1
            fault = self.choose(self.rng)
            if fault is not None:
                self.done[fault] += 1
            return fault

    def _open(self) -> socket.socket:
        """A line to the ledger. Raises OSError while it is down."""
        url = self.upstream()
        if url is None:
            raise Cut
        where = urlsplit(url)
        return socket.create_connection((where.hostname or "", where.port or 80), timeout=OPEN_S)

    def _pass_on(
        self, bay: socket.socket, ledger: socket.socket | None, request: Message, fault: str | None
    ) -> socket.socket:
        """One request and its answer; answers the line to the ledger. Raises Cut where the fault ends the line."""
        if fault == "refuse":
            raise Cut
        if fault == "swallow":
            self._stay_open(bay)
        if fault == "delay":
            time.sleep(self.rng.uniform(0.05, 0.4))
        ledger = ledger or self._open()
        if fault == "cut-in-request":
            ledger.sendall(request.raw[: (request.head + len(request.raw)) // 2])
            reset(ledger)
            raise Cut
        twin = self._twin(request) if fault == "duplicate" else None
        ledger.sendall(request.raw)
        answer = read_message(ledger)
        if twin is not None:
            twin.join()
        if fault == "cut-after-request":
            raise Cut
        if fault == "half-open":
            self._stay_open(bay)
        if fault == "cut-in-answer":
            bay.sendall(answer.raw[: (answer.head + len(answer.raw)) // 2])
            raise Cut
        bay.sendall(answer.raw)
        return ledger

    def _stay_open(self, bay: socket.socket) -> None:
        """Say nothing until the bay gives up."""
        with contextlib.suppress(OSError):
            while bay.recv(PIECE):
                pass
        raise Cut

    def _twin(self, request: Message) -> threading.Thread:
        """The same request at the same time, its answer thrown away."""

        def send() -> None:
            with contextlib.suppress(Cut, OSError), self._open() as line:
                line.sendall(request.raw)
                read_message(line)

        thread = threading.Thread(target=send)
        thread.start()
        return thread


def always(fault: str | None) -> Callable[[random.Random], str | None]:
    """The same fault at every request."""
    return lambda _: fault


def first_only(fault: str) -> Callable[[random.Random], str | None]:
    """The first request meets this fault, the others none."""
    left = iter((fault,))
    return lambda _: next(left, None)


def at_random(weights: dict[str, float]) -> Callable[[random.Random], str | None]:
    """Each fault in so many requests of a hundred."""

    def choose(rng: random.Random) -> str | None:
        at = rng.uniform(0.0, 100.0)
        for fault, weight in weights.items():
            at -= weight
            if at < 0.0:
                return fault
        return None

    return choose


@contextlib.contextmanager
def proxy_to(
    url: str | Callable[[], str | None], choose: Callable[[random.Random], str | None], seed: int = 1
) -> Iterator[Proxy]:
    """A proxy in front of an address."""
    proxy = Proxy(url if callable(url) else lambda: url, choose, seed)
    try:
        yield proxy
    finally:
        proxy.close()
