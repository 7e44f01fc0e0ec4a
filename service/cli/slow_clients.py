"""Clients that send or read slowly, or not at all, must not keep the others waiting.

Gunicorn gives a connection a thread from its first byte to its last. So there are many more threads than requests worked
on at once: the few places to work are taken only between the last byte of the head and the finished answer, and left while
a body is waited for; whoever is waited for too long is hung up on. Behind a proxy that takes requests in whole none of this
comes up.
"""

from __future__ import annotations

import math
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain, islice
from typing import Any, Final
from uuid import uuid4

from gunicorn.util import write_nonblock
from gunicorn.workers.gthread import TConn, ThreadWorker

from service.cli.unreadable import NO_TLS, OURS, answer_of, told_of

HEAD_S: Final = 20.0
"""For a request's first line and headers, the TLS handshake included (our choice)."""
BODY_S: Final = 60.0
"""For a whole body, as long as a bay's own program waits (our choice); the largest then comes at 140 kB/s."""
ANSWER_S: Final = 120.0
"""For an answer to be taken (our choice)."""
WAITED_FOR: Final = 64
"""Connections that may be waited for at once besides the requests worked on (our choice)."""
CONNECTIONS: Final = 400
"""Connections held open by one process, most of them idle; well below the 1,024 files that many systems allow (our choice)."""
CROWDED: Final = 300
"""From here on idle connections are closed, the longest idle first (our choice)."""

Wsgi = Callable[[dict[str, Any], Any], Iterable[bytes]]


@dataclass(eq=False)
class Waiting:
    """A connection that is to be handled: since when, and until when it is waited for (None: it is not, its request is
    being worked on, or it was hung up on)."""

    connection: TConn
    since: float = field(default_factory=time.monotonic)
    until: float | None = math.inf


class Waits:
    """Whom one process waits for: connections with something to say, from the moment they are noticed."""

    def __init__(self) -> None:
        self._of: dict[TConn, Waiting] = {}
        self._own = threading.local()

    def notice(self, connection: TConn) -> None:
        """A connection is to be handled as soon as a thread is free."""
        self._of[connection] = Waiting(connection)

    def begin(self, connection: TConn) -> None:
        """This thread handles a connection, and waits for its request."""
        self._own.waiting = self._of[connection]
        if self._own.waiting.until is not None:
            self.for_the_client(HEAD_S)

    def for_the_client(self, seconds: float) -> None:
        """This thread waits for its client again."""
        self._own.waiting.until = time.monotonic() + seconds

    def no_more(self) -> None:
        """This thread works."""
        self._own.waiting.until = None

    def end(self, connection: TConn) -> None:
        """A connection is done with for now."""
        self._of.pop(connection, None)

    def hang_up_on_the_slow(self) -> None:
        """End every wait that has lasted too long."""
        now = time.monotonic()
        for one in self._waiting():
            if one.until is not None and one.until <= now:
                hang_up(one)

    def make_room(self) -> None:
        """Where as many are waited for as may be, end the longest wait of the address that has most of them."""
        waiting = self._waiting()
        if len(waiting) >= WAITED_FOR:
            held = Counter(address_of(one.connection) for one in waiting)
            hang_up(min(waiting, key=lambda one: (-held[address_of(one.connection)], one.since)))

    def _waiting(self) -> list[Waiting]:
        return [one for one in list(self._of.values()) if one.until is not None]


def address_of(connection: TConn) -> str:
    """Where a connection comes from."""
    return str(connection.client[0]) if connection.client else ""


def hang_up(waiting: Waiting) -> None:
    """End a connection under the thread that waits on it, which then finds it at its end."""
    waiting.until = None
    with suppress(OSError):
        # Not the method of a TLS connection: another thread may be inside it.
        socket.socket.shutdown(waiting.connection.sock, socket.SHUT_RDWR)


class PatientWorker(ThreadWorker):
    """Gunicorn's worker with threads, its patience limited, and what it says by itself in our words."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._waits: Waits = self.app.waits

    def handle(self, conn: TConn) -> Any:
        """One request; runs in a thread."""
        self._waits.begin(conn)
        try:
            return super().handle(conn)
        finally:
            self._waits.end(conn)

    def enqueue_req(self, conn: TConn) -> None:
        """A connection has something to say."""
        self._waits.make_room()
        self._waits.notice(conn)
        super().enqueue_req(conn)

    def handle_error(self, req: Any, client: Any, addr: Any, exc: BaseException) -> None:
        """Where no request could be read, or the app gave no answer. The log is told what was wrong, not what was sent."""
        told, id = told_of(exc), uuid4().hex
        about = {"request_id": id, "status": told.status, "address": addr[0] if addr else None}
        log = self.log.exception if told is OURS else self.log.warning
        log("not answered by the app: %s", type(exc).__name__, extra={"told": about})
        if req is not None and told is not OURS:
            return  # it was answered, and then a body that nobody read could not be put away
        self.app.count(told.status, readable=req is not None)
        # What a TLS connection has not agreed upon goes out in the clear, as what came did.
        send = socket.socket.send if told is NO_TLS else write_nonblock
        with suppress(OSError):
            send(client, answer_of(told, id))

    def murder_pending(self) -> None:
        """Once a second at least: end what has waited for too long."""
        self._waits.hang_up_on_the_slow()
        crowd = max(0, self.nr_conns - CROWDED)
        for conn in islice(chain(self.pending_conns, self.keepalived_conns), crowd):
            conn.timeout = 0.0
        super().murder_pending()
        super().murder_keepalived()


class Body:
    """A request's body: while it is read, its client is waited for, and its place to work is another's."""

    def __init__(self, body: Any, waits: Waits, places: threading.Semaphore) -> None:
        self._body, self._waits, self._places = body, waits, places
        self._until: float | None = None

    def read(self, size: int | None = None) -> bytes:
        """The next bytes; all of them together in the time that a body may take."""
        now = time.monotonic()
        self._until = self._until or now + BODY_S
        self._waits.for_the_client(self._until - now)
        self._places.release()
        try:
            read: bytes = self._body.read(size)
        finally:
            self._waits.no_more()
            self._places.acquire()
        return read

    def __getattr__(self, name: str) -> Any:
        return getattr(self._body, name)


class Places:
    """The app behind a number of places to work: a request takes one once its head is there, and leaves it with its
    answer made; while it reads its body it has none."""

    def __init__(self, app: Wsgi, places: int, waits: Waits) -> None:
        self._app, self._waits = app, waits
        self._places = threading.BoundedSemaphore(places)

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        environ["wsgi.input"] = Body(environ["wsgi.input"], self._waits, self._places)
        self._waits.no_more()
        with self._places:
            answer = self._app(environ, start_response)
        self._waits.for_the_client(ANSWER_S)
        return answer
