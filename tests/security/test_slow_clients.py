"""A real server, and clients that send slowly, or nothing, or never read: the others are served all the same.

Slow clients are told by counting answers that come, not by the clock of a busy machine; PATIENCE_S is only where a test
gives up.
"""

import json
import logging
import math
import re
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from email.utils import parsedate_to_datetime
from http.client import HTTPResponse
from types import SimpleNamespace
from unittest.mock import Mock

import httpx
import psycopg
import pytest
from gunicorn.workers.gthread import DEFAULT_WORKER_DATA_TIMEOUT
from prometheus_client.parser import text_string_to_metric_families

from service.app import SECURITY_HEADERS
from service.cli import slow_clients
from service.cli.slow_clients import CONNECTIONS, CROWDED, WAITED_FOR, Body, PatientWorker, Places, Waits
from service.local import start_server
from service.settings import DEFAULT_THREADS
from service.store import tokens
from tests.cli.conftest import Serving, lasting_folder, self_signed, serving
from tests.local.conftest import wait_until
from tests.setup.check import ROOT
from tests.threads import all_at_once

PATIENCE_S = 60.0
PROBLEM = "application/problem+json"
HEAD = b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n"


@pytest.fixture(scope="module")
def standing(migrated_template) -> Iterator[Serving]:
    """A service for this file."""
    with lasting_folder(migrated_template) as folder, serving(folder) as server:
        yield server


def line_to(server: Serving) -> socket.socket:
    url = httpx.URL(server.url)
    return socket.create_connection((url.host, url.port), timeout=PATIENCE_S)


@contextmanager
def slow_ones(server: Serving, many: int, said: bytes) -> Iterator[list[socket.socket]]:
    """So many connections that say a few bytes and then nothing."""
    with ExitStack() as open_ones:
        lines = [open_ones.enter_context(line_to(server)) for _ in range(many)]
        for line in lines:
            line.sendall(said)
        time.sleep(0.5)
        yield lines


def counted(server: Serving, ours: ssl.SSLContext | bool = True) -> dict[str, float]:
    """How many heads it counts that could not be read, by status, as the reference parser (prometheus-client) reads it."""
    text = httpx.get(f"{server.url}/metrics", verify=ours, timeout=PATIENCE_S).text
    return {
        one.labels["status"]: one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
        if one.name == "bayledger_requests_total" and one.labels["route"] == "unreadable"
    }


def is_served(server: Serving, times: int = 5) -> bool:
    for _ in range(times):
        if httpx.get(f"{server.url}/v1/health", timeout=PATIENCE_S).status_code != 200:
            return False
    return True


@pytest.mark.parametrize(
    "said", [b"", b"G", HEAD, HEAD + b"X-Slow: "], ids=["nothing", "a letter", "a head", "half a line"]
)
def test_more_slow_ones_than_there_are_places_hold_nobody_up(standing, said):
    with slow_ones(standing, 3 * DEFAULT_THREADS, said):
        assert is_served(standing)


def test_far_more_slow_ones_than_are_waited_for_hold_nobody_up(standing):
    """All from one address; of those the longest waited for go first."""
    with slow_ones(standing, 3 * WAITED_FOR, HEAD) as lines:
        assert is_served(standing)
        lines[0].settimeout(PATIENCE_S)
        assert lines[0].recv(100) == b"", "it was hung up on"


def test_idle_ones_are_closed_before_no_more_is_taken_in_and_that_before_a_process_has_no_more_files():
    """Many systems allow a process 1,024 open files (getrlimit(2), RLIMIT_NOFILE, its soft limit); a connection is one."""
    assert WAITED_FOR < CROWDED < CONNECTIONS < 1024 / 2


def test_hundreds_of_idle_ones_hold_nobody_up(standing):
    with slow_ones(standing, CROWDED + 60, b""):
        assert is_served(standing)


@pytest.mark.machine
def test_where_too_many_idle_ones_are_held_open_the_longest_idle_are_closed(standing):
    """Few enough at once that none is hung up on as they come."""
    with ExitStack() as open_ones:
        lines = []
        while len(lines) <= CROWDED:
            lines += open_ones.enter_context(slow_ones(standing, WAITED_FOR - 4, b""))
            time.sleep(DEFAULT_WORKER_DATA_TIMEOUT + 0.5)
        assert is_served(standing)
        lines[0].settimeout(PATIENCE_S)
        assert lines[0].recv(1) == b""
        lines[-1].settimeout(0.5)
        with pytest.raises(TimeoutError):
            lines[-1].recv(1)


def test_an_answer_that_nobody_takes_keeps_no_place(standing):
    ask = b"GET /v1/openapi.json HTTP/1.1\r\nHost: localhost\r\n\r\n" * 20
    with ExitStack() as open_ones:
        for _ in range(2 * DEFAULT_THREADS):
            line = open_ones.enter_context(socket.socket())
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            url = httpx.URL(standing.url)
            line.connect((url.host, url.port))
            line.sendall(ask)
        time.sleep(0.5)
        assert is_served(standing)


def test_a_body_that_never_comes_keeps_a_place_from_nobody_without_a_token(standing):
    """It is refused by its head."""
    said = b"POST /v1/sessions HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 8000000\r\n\r\n{"
    with slow_ones(standing, 2 * DEFAULT_THREADS, said) as lines:
        assert is_served(standing)
        assert lines[0].recv(20).startswith(b"HTTP/1.1 401")


def test_bodies_that_a_good_token_begins_and_never_sends_hold_nobody_up(standing):
    """Neither a place nor a connection to the database is held for them."""
    with start_server(standing.folder) as database, psycopg.connect(database.owner_url) as owner:
        token = tokens.create_token(owner, scope="admin", name="slow")
    said = HEAD.replace(b"GET /v1/health", b"POST /v1/sessions") + b"Authorization: Bearer " + token.encode()
    said += b"\r\nContent-Type: application/json\r\nContent-Length: 8000000\r\n\r\n{"
    with slow_ones(standing, 3 * DEFAULT_THREADS, said) as lines:
        for _ in range(5):
            asked = httpx.get(
                f"{standing.url}/v1/parts",
                headers={"Authorization": f"Bearer {token}"},
                timeout=slow_clients.BODY_S / 2,
            )
            assert asked.status_code == 200
        lines[0].settimeout(0.5)
        with pytest.raises(TimeoutError):
            lines[0].recv(1)


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (b"GET /" + b"a" * 9_000 + b" HTTP/1.1\r\n\r\n", 414),
        (b"GET / HTTP/1.1\r\nHost: a\r\n" + b"X-Long: " + b"a" * 9_000 + b"\r\n\r\n", 431),
        (b"GET / HTTP/1.1\r\nHost: a\r\n" + b"X: y\r\n" * 200 + b"\r\n", 431),
        (b"GET /\x00 HTTP/1.1\r\nHost: a\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nHost: a\r\nX-A: b\rX-C: d\r\n\r\n", 400),
        (
            b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
            400,
        ),
        (b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: -5\r\n\r\n", 400),
        (b"<script>alert(1)</script> / HTTP/1.1\r\nHost: a\r\n\r\n", 400),
        (b"POST / HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: zip\r\n\r\n", 501),
        (b"GET / HTTP/1.1\r\nHost: a\r\nExpect: 200-ok\r\n\r\n", 417),
    ],
    ids=[
        "address",
        "header",
        "headers",
        "null",
        "line end",
        "two lengths",
        "length",
        "verb",
        "coding",
        "expect",
    ],
)
def test_a_head_that_is_none_is_refused_as_all_else_is_and_nothing_of_it_is_repeated(standing, sent, told):
    """RFC 9110 15.5.1, 15.5.15, 15.5.18 and 15.6.2, RFC 6585 5; a problem document by RFC 9457."""
    token, before = b"Authorization: Bearer bay_hush\r\n", counted(standing)
    with line_to(standing) as line:
        line.sendall(sent.replace(b"Host: a\r\n", b"Host: a\r\n" + token))
        answer = HTTPResponse(line)
        answer.begin()
        body = answer.read()
        assert line.recv(1) == b"", "the line is closed"
    assert (answer.status, answer.getheader("Content-Type")) == (told, PROBLEM), body
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers.get_all(name) == [value], name
    problem = json.loads(body)
    assert (problem["status"], problem["title"]) == (told, answer.reason)
    assert problem["detail"]
    assert b"<script>" not in body
    assert parsedate_to_datetime(answer.getheader("Date"))
    (line_of_log,) = [one for one in standing.said.splitlines() if answer.getheader("X-Request-Id") in one]
    assert json.loads(line_of_log)["status"] == told
    assert "bay_hush" not in standing.said
    assert "<script>" not in standing.said
    assert counted(standing) == {**before, str(told): before.get(str(told), 0) + 1}


def test_a_body_that_breaks_after_the_answer_is_not_answered_again(standing):
    """What came a second time on the line would be taken for the answer to the next request. It is counted once."""
    before = counted(standing)
    with line_to(standing) as line:
        line.sendall(HEAD.replace(b"GET", b"POST") + b"Transfer-Encoding: chunked\r\n\r\nno length\r\n")
        said = b"".join(iter(lambda: line.recv(65536), b""))
    assert said.count(b"HTTP/1.1 ") == 1, said
    assert said.startswith(b"HTTP/1.1 405 ")
    assert counted(standing) == before


def test_a_fault_of_ours_that_the_app_does_not_see_is_a_500_of_the_same_form_and_counted(caplog):
    worker, ours, count = PatientWorker.__new__(PatientWorker), socket.socketpair(), Mock()
    worker.app = SimpleNamespace(count=count)
    worker.log = logging.getLogger("gunicorn.error")
    worker.handle_error(object(), ours[0], ("10.0.0.7", 5000), ZeroDivisionError())
    answer = HTTPResponse(ours[1])
    answer.begin()
    assert (answer.status, answer.getheader("Content-Type")) == (500, PROBLEM)
    assert json.loads(answer.read())["status"] == 500
    assert [one.told["request_id"] for one in caplog.records] == [answer.getheader("X-Request-Id")]
    count.assert_called_once_with(500, readable=True)


@pytest.mark.parametrize(
    "path",
    [
        b"/../../../../etc/passwd", b"/..%2f..%2f..%2fetc/passwd", b"/%2e%2e/%2e%2e/etc/passwd", b"//etc/passwd",
        b"/vendor/../../../pyproject.toml", b"/vendor/..%5c..%5cpyproject.toml", b"/./././../app.py",
        b"/..%c0%af..%c0%afetc/passwd", b"/index.html%00.png", b"/.git/config", b"/%2e%2e%2fbuild.py",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_dashboards_files(standing, path):
    """Sent as it stands: a client's library would tidy it first."""
    with line_to(standing) as line:
        line.sendall(b"GET " + path + b" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        answer = b"".join(iter(lambda: line.recv(65536), b""))
    assert answer.split(b" ", 2)[1] in (b"400", b"404"), answer[:200]
    assert b"root:" not in answer
    assert b"[project]" not in answer


@pytest.mark.machine
def test_a_head_that_does_not_come_is_waited_for_no_longer_than_said(standing):
    with slow_ones(standing, 3, HEAD) as lines:
        begun = time.monotonic()
        for line in lines:
            line.settimeout(slow_clients.HEAD_S + PATIENCE_S)
            assert line.recv(100) == b""
        assert time.monotonic() - begun > slow_clients.HEAD_S / 2


class Connection:
    """One end of a pair of sockets, as the worker has them."""

    def __init__(self, sock: socket.socket, address: str = "10.0.0.1") -> None:
        self.sock, self.client = sock, (address, 5000)


def waits_in_thread(
    waits: Waits, connection: Connection, got: list[bytes], seconds: float
) -> threading.Thread:
    """A thread that waits on a connection, as the worker's do."""

    def wait() -> None:
        waits.begin(connection)
        waits.for_the_client(seconds)
        got.append(connection.sock.recv(10))
        waits.end(connection)

    waits.notice(connection)
    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    while waits._of[connection].until == math.inf:
        time.sleep(0.001)
    return thread


def test_who_is_waited_for_too_long_is_hung_up_on_and_nobody_else():
    waits, got = Waits(), []
    pairs = [socket.socketpair() for _ in range(2)]
    slow = waits_in_thread(waits, Connection(pairs[0][0]), got, 0.0)
    patient = waits_in_thread(waits, Connection(pairs[1][0]), got, 60.0)
    waits.hang_up_on_the_slow()
    slow.join(PATIENCE_S)
    assert got == [b""]
    pairs[1][1].sendall(b"here")
    patient.join(PATIENCE_S)
    assert got == [b"", b"here"]
    assert waits._of == {}


def test_who_is_worked_for_is_not_waited_for_however_long_it_takes():
    waits, here = Waits(), socket.socketpair()
    connection = Connection(here[0])
    waits.notice(connection)
    waits.begin(connection)
    waits.no_more()
    waits.hang_up_on_the_slow()
    here[1].sendall(b"x")
    assert here[0].recv(1) == b"x"


def test_where_it_is_crowded_the_address_with_most_gives_way_its_oldest_first(monkeypatch):
    monkeypatch.setattr(slow_clients, "WAITED_FOR", 3)
    waits, got = Waits(), []
    pairs = [socket.socketpair() for _ in range(3)]
    addresses = ("10.0.0.7", "10.0.0.66", "10.0.0.66")
    threads = [
        waits_in_thread(waits, Connection(pair[0], address), got, 60.0)
        for pair, address in zip(pairs, addresses, strict=True)
    ]
    waits.make_room()
    threads[1].join(PATIENCE_S)
    assert [thread.is_alive() for thread in threads] == [True, False, True]
    for pair in (pairs[0], pairs[2]):
        pair[1].sendall(b"x")


def asked_at_once(places: Places, waits: Waits, many: int, body: object) -> None:
    """So many requests with a body, each in a thread of its own, as the worker has them."""

    def ask() -> None:
        connection = Connection(socket.socket())
        waits.notice(connection)
        waits.begin(connection)
        assert places({"wsgi.input": body}, None) == [b"body"]
        waits.end(connection)

    all_at_once([ask] * many)


def test_no_more_requests_are_worked_on_than_there_are_places():
    """Each waits until as many are at work as may be."""
    waits, at_work, most, full = Waits(), [], [], threading.Barrier(3, timeout=PATIENCE_S)

    class There:
        def read(self, _: object = None) -> bytes:
            return b"body"

    def app(environ: dict[str, object], _: object) -> list[bytes]:
        read = environ["wsgi.input"].read(4)
        at_work.append(1)
        most.append(len(at_work))
        full.wait()
        at_work.pop()
        return [read]

    asked_at_once(Places(app, 3, waits), waits, 12, There())
    assert (len(most), max(most)) == (12, 3)


def test_a_service_works_on_as_many_requests_at_once_as_is_set(migrated_template):
    """The third waits for a place, not in the database, whose connections are more."""
    waits = "SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND usename = 'bayledger_service'"
    with (
        lasting_folder(migrated_template) as folder,
        serving(folder, "--threads", "2") as server,
        start_server(folder) as database,
        psycopg.connect(database.owner_url) as owner,
        psycopg.connect(database.superuser_url, autocommit=True) as above,
    ):
        token = tokens.create_token(owner, scope="read", name="counter")
        owner.commit()
        owner.execute("LOCK TABLE part IN ACCESS EXCLUSIVE MODE")
        ask = (
            b"GET /v1/parts HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer "
            + token.encode()
            + b"\r\n\r\n"
        )
        with slow_ones(server, 3, ask) as lines:
            wait_until(lambda: above.execute(waits).fetchone()[0] >= 2)
            time.sleep(0.5)
            assert above.execute(waits).fetchone() == (2,)
            owner.rollback()
            assert all(line.recv(12) == b"HTTP/1.1 200" for line in lines)


def test_while_a_body_is_waited_for_its_place_is_anothers():
    """One place; each of two bodies comes only once the other one is waited for too."""
    waits, answered, both = Waits(), [], threading.Barrier(2, timeout=PATIENCE_S)

    class Slow:
        def read(self, _: object = None) -> bytes:
            both.wait()
            return b"body"

    def app(environ: dict[str, object], _: object) -> list[bytes]:
        answered.append(environ["wsgi.input"].read(4))
        return answered[-1:]

    asked_at_once(Places(app, 1, waits), waits, 2, Slow())
    assert answered == [b"body", b"body"]


def test_a_head_is_waited_for_twenty_seconds_and_the_taking_of_an_answer_for_two_minutes(monkeypatch):
    monkeypatch.setattr(slow_clients.time, "monotonic", lambda: 100.0)
    waits, connection = Waits(), Connection(socket.socket())
    waits.notice(connection)
    waits.begin(connection)
    assert waits._of[connection].until == 120.0
    worked = []

    def app(*_: object) -> list[bytes]:
        worked.append(waits._of[connection].until)
        return [b"answer"]

    Places(app, 1, waits)({"wsgi.input": None}, None)
    assert (worked, waits._of[connection].until) == ([None], 220.0)


def test_a_bodys_whole_time_is_counted_not_each_piece_of_it(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(slow_clients.time, "monotonic", lambda: now[0])
    waits = Waits()
    connection = Connection(socket.socket())
    waits.notice(connection)
    waits.begin(connection)
    seen: list[float | None] = []

    class Pieces:
        def read(self, _: object = None) -> bytes:
            seen.append(waits._waiting()[0].until)
            return b"x"

    body = Body(Pieces(), waits, threading.Semaphore())
    for _ in range(3):
        body.read(1)
        now[0] += 10.0
    assert seen == [160.0, 160.0, 160.0]


@pytest.fixture
def over_tls(migrated_template, tmp_path) -> Iterator[tuple[Serving, ssl.SSLContext]]:
    """A service that speaks TLS itself, and what believes its certificate."""
    cert, told = self_signed(tmp_path)
    with lasting_folder(migrated_template) as folder, serving(folder, *told) as server:
        yield server, ssl.create_default_context(cafile=cert)


@pytest.mark.machine
def test_over_tls_too_a_handshake_that_stops_holds_nobody_up_and_old_versions_are_refused(over_tls):
    server, ours = over_tls
    with slow_ones(server, 3 * DEFAULT_THREADS, b"\x16\x03\x01\x02\x00\x01"):
        for _ in range(5):
            assert httpx.get(f"{server.url}/v1/health", verify=ours, timeout=PATIENCE_S).status_code == 200
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
        old.set_ciphers("ALL:@SECLEVEL=0")
        old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
        with line_to(server) as line, pytest.raises((ssl.SSLError, ConnectionError)):
            old.wrap_socket(line)
        assert counted(server, ours) == {"400": 1}


@pytest.mark.machine
def test_who_asks_without_tls_where_tls_is_spoken_is_told_so(over_tls):
    """As the proxy tells it (service/proxy/tls_only.conf)."""
    server, ours = over_tls
    (theirs,) = re.findall(r"return 403 '(.+)';", (ROOT / "service/proxy/tls_only.conf").read_text())
    for method in ("GET", "POST"):
        told = httpx.request(
            method, server.url.replace("https:", "http:") + "/v1/sessions", timeout=PATIENCE_S
        )
        assert (told.status_code, told.headers["Content-Type"]) == (403, PROBLEM)
        assert told.json() == json.loads(theirs)
    assert counted(server, ours) == {"403": 2}
    assert httpx.get(f"{server.url}/v1/health", verify=ours, timeout=PATIENCE_S).status_code == 200
