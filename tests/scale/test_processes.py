"""`bayledger serve --processes 2`: two processes over one ledger that nobody can tell apart."""

import os
import signal
import socket
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.local import start_server
from tests.api.gains import GAIN
from tests.cli.conftest import Serving, lasting_folder, serving
from tests.cli.test_serve import workers_of
from tests.factories import a_shop, session, setup
from tests.local.conftest import scalar
from tests.scale.two_clusters import wait_until

MOST_TRIES = 400


class Line:
    """One kept-alive connection, which one process answers; called as the tests' client is."""

    def __init__(self, url: str, token: str) -> None:
        self.token = token
        self.line = httpx.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=60)
        self.line.get("/v1/health")

    def get(self, path: str, **headers: str) -> "Answer":
        """GET; keyword names become headers."""
        return Answer(self.line.get(path, headers=dashed(headers)))

    def post(self, path: str, body: object, **headers: str) -> "Answer":
        """POST a JSON body."""
        return Answer(self.line.post(path, json=body, headers=dashed(headers)))

    def patch(self, path: str, body: object, **headers: str) -> "Answer":
        """PATCH with a JSON body."""
        return Answer(self.line.patch(path, json=body, headers=dashed(headers)))

    @property
    def own_port(self) -> int:
        """The port of this machine that it comes from."""
        pool = self.line._transport._pool  # type: ignore[attr-defined]
        stream = pool.connections[0]._connection._network_stream
        return stream.get_extra_info("client_addr")[1]


class Answer:
    """What came back, as the tests' client gives it."""

    def __init__(self, answer: httpx.Response) -> None:
        self.status_code, self.headers, self.text = answer.status_code, answer.headers, answer.text
        self.json = answer.json() if "json" in answer.headers.get("Content-Type", "") else None


def dashed(headers: dict[str, str]) -> dict[str, str]:
    """If_Match to If-Match."""
    return {name.replace("_", "-"): value for name, value in headers.items()}


def answering(own_port: int, url: str, processes: list[int]) -> int:
    """Which of the processes has the other end of a connection from a port, by the kernel's own table."""
    ours, theirs = f"{own_port:04X}", f"{urlsplit(url).port:04X}"
    rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    (inode,) = [row[9] for row in rows if row[1].endswith(f":{theirs}") and row[2].endswith(f":{ours}")]
    return next(pid for pid in processes if f"socket:[{inode}]" in open_files(pid))


def open_files(pid: int) -> set[str]:
    """What a process has open."""
    return {os.readlink(entry) for entry in Path(f"/proc/{pid}/fd").iterdir() if entry.is_symlink()}


@pytest.fixture(scope="module")
def both(migrated_template: Path) -> Iterator[Serving]:
    """A service of two processes."""
    with lasting_folder(migrated_template) as folder, serving(folder, "--processes", "2") as server:
        wait_until(lambda: len(workers_of(server.pid)) == 2)
        yield server


@pytest.fixture(scope="module")
def lines(both: Serving) -> Iterator[list[Line]]:
    """A line to each of the two processes, by an admin, over a shop with a kept fit."""
    from service.store import tokens

    with start_server(both.folder) as database:
        import psycopg

        with psycopg.connect(database.owner_url, autocommit=True) as owner:
            token = tokens.create_token(owner, scope="admin", name="admin")
        found: dict[int, Line] = {}
        for _ in range(MOST_TRIES):
            line = Line(both.url, token)
            found.setdefault(answering(line.own_port, both.url, workers_of(both.pid)), line)
            if len(found) == 2:
                break
        one, other = found.values()
        a_shop(one, cars=4)  # type: ignore[arg-type]
        for n in (1, 2, 3):
            posted = one.post("/v1/sessions", measured(n, n))
            assert posted.status_code == 201, posted.json
        fit_anew(one)
        yield [one, other]


def measured(car: int, day: int) -> dict:
    """A car without and with the pipe."""
    return session(setup(), setup(["wide-pipe"], 1.05), vehicle=f"stoat-{car}", day=day)


def fit_anew(line: Line) -> None:
    """Have the model estimated, and wait until that is done."""
    assert line.post("/v1/model/refit", {"wait": True}).status_code == 200


def gain(line: Line) -> Answer:
    """The gain of the pipe."""
    return line.get(f"{GAIN}&pairs=true")


def test_what_is_posted_through_one_is_in_the_next_answer_of_the_other(lines):
    one, other = lines
    for day, (posts, asks) in enumerate([(one, other), (other, one), (one, other)], start=10):
        before = gain(asks).headers["ETag"]
        assert posts.post("/v1/sessions", measured(1, day)).status_code == 201
        assert gain(asks).headers["ETag"] != before


def test_both_give_the_same_answer_under_the_same_tag(lines):
    wait_until(
        lambda: len({gain(line).headers["ETag"] for line in lines}) == 1
    )  # a new fit is seen within a second
    first, second = (gain(line) for line in lines)
    assert {**first.json, "as_of": 0} == {**second.json, "as_of": 0}
    assert lines[1].get(f"{GAIN}&pairs=true", If_None_Match=first.headers["ETag"]).status_code == 304


def test_a_key_used_at_one_is_known_to_the_other(lines):
    body = measured(2, 20)
    first = lines[0].post("/v1/sessions", body, Idempotency_Key="once")
    again = lines[1].post("/v1/sessions", body, Idempotency_Key="once")
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.headers["Idempotency-Replayed"] == "true"
    assert again.json == first.json


def test_a_setting_changed_at_one_holds_at_the_other(lines):
    for units, power in (("us", "hp"), ("si", "kW")):
        etag = lines[0].get("/v1/settings").headers["ETag"]
        assert lines[0].patch("/v1/settings", {"units": units}, If_Match=etag).status_code == 200
        assert lines[1].get(GAIN).json["units"] == units, power


def test_whoever_is_asked_tells_what_both_have_counted(lines):
    asked = {"route": "/v1/slots", "method": "GET", "status": "200"}
    before = count(lines[0], "bayledger_requests_total", asked)
    for line in lines:
        for _ in range(3):
            line.get("/v1/slots")
    assert [count(line, "bayledger_requests_total", asked) - before for line in lines] == [6, 6]


def test_heads_that_could_not_be_read_are_counted_by_both_under_one_route(lines, both):
    unreadable = {"route": "unreadable", "method": "none", "status": "400"}
    before, sent, answered_by = count(lines[0], "bayledger_requests_total", unreadable), 0, set()
    while len(answered_by) < 2 and sent < MOST_TRIES:
        with socket.create_connection((urlsplit(both.url).hostname, urlsplit(both.url).port), 60) as line:
            line.sendall(b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert line.recv(12) == b"HTTP/1.1 200"
            answered_by.add(answering(line.getsockname()[1], both.url, workers_of(both.pid)))
            line.sendall(b"no head\r\n\r\n")
            assert b"HTTP/1.1 400" in b"".join(iter(lambda line=line: line.recv(65536), b""))
        sent += 1
    assert len(answered_by) == 2
    for line in lines:
        assert count(line, "bayledger_requests_total", unreadable) - before == sent


def test_the_connections_of_both_are_added_up(lines, both):
    with start_server(both.folder) as database:
        own = "SELECT count(*) FROM pg_stat_activity WHERE usename = 'bayledger_service'"
        looking = 1  # of the one that looks whether the model wants estimating
        wait_until(
            lambda: (
                count(lines[0], "bayledger_pool_connections", {"server": "primary", "state": "all"})
                == scalar(database.superuser_url, own) - looking
            )
        )


def count(line: Line, name: str, labels: dict[str, str]) -> float:
    """A sample of /metrics."""
    families = text_string_to_metric_families(line.get("/metrics").text)
    return sum(s.value for f in families for s in f.samples if (s.name, s.labels) == (name, labels))


LOOKING = """
    SELECT count(*) FROM pg_stat_activity WHERE usename = 'bayledger_service' AND query LIKE '%FROM refit_wish%'
"""
"""How many lines last looked whether the model wants estimating."""


@pytest.mark.machine
def test_one_of_them_has_the_model_estimated_and_when_it_is_killed_another_does(lines, both):
    with start_server(both.folder) as database:
        wait_until(lambda: scalar(database.superuser_url, LOOKING) == 1)
        fits = scalar(database.superuser_url, "SELECT max(fit_id) FROM model_fit")
        for pid in workers_of(both.pid):
            before = workers_of(both.pid)
            os.kill(pid, signal.SIGKILL)
            wait_until(lambda before=before: len(set(workers_of(both.pid)) - set(before)) == 1)
        token = lines[0].token
        fit_anew(Line(both.url, token))
        assert scalar(database.superuser_url, "SELECT max(fit_id) FROM model_fit") == fits + 1
        wait_until(lambda: scalar(database.superuser_url, LOOKING) == 1)


@pytest.mark.machine
def test_the_folder_of_counts_goes_with_the_service(migrated_template):
    with lasting_folder(migrated_template) as folder:
        with serving(folder, "--processes", "2") as server:
            assert [left.name for left in folder.glob("counted-*")] == [f"counted-{server.pid}"]
        assert not list(folder.glob("counted-*"))
