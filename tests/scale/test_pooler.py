"""The ledger's whole life through PgBouncer in transaction mode: many clients over few server connections, and nothing of
one client's is left to the next."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from itertools import cycle
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from psycopg.pq import PipelineStatus

from service.app import create_app
from service.local import LocalServer, start_server
from service.settings import Settings
from service.store import fits
from service.store.db import Connection, Lender, together
from tests.cli.conftest import serving
from tests.cli.test_worker import working
from tests.conftest import Client, copy_of, hurried
from tests.faults.rebuild import damage, kept_pairs
from tests.faults.sessions import SLOTS, a_small_shop, random_sessions
from tests.live import ROOT
from tests.local.conftest import wait_until
from tests.scale.pooler import Pooler, pooler_before
from tests.threads import again_and_again, all_at_once
from tests.transfer.test_export_and_import import differences

pytestmark = pytest.mark.machine

SIZE = 3
PROCESSES = 2
DIRECT = "direct"
SECRET = "one for all processes"
CARS = 6
AT_ONCE = 200
SEED = 20260319
PATIENCE_S = 120.0

QUESTIONS = (
    "/v1/typical-gain?part=wide-pipe&platform=stoat",
    "/v1/typical-gain?part=road-map&platform=heron&measure=torque_at&rpm=3500&curve=false",
    "/v1/build-estimate?platform=stoat&parts=wide-pipe,road-map",
    "/v1/platforms/stoat/stock-spread?measure=peak_power",
    "/v1/platforms/heron/part-choice?measure=peak_power",
    "/v1/outliers",
    "/v1/bay-agreement",
    "/v1/vehicles/car-1/states",
    "/v1/search?q=wide",
    "/v1/sessions?limit=20",
)
LEFT_BEHIND = """
    SELECT (SELECT count(*) FROM pg_prepared_statements),
           (SELECT count(*) FROM pg_cursors WHERE name <> ''),
           (SELECT count(*) FROM pg_listening_channels()),
           (SELECT count(*) FROM pg_class WHERE relnamespace = pg_my_temp_schema()),
           (SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'),
           (SELECT array_agg(name) FROM pg_settings WHERE source = 'session')
"""
SERVED = (
    "SELECT count(*) FROM pg_stat_activity WHERE usename = 'bayledger_service' AND application_name <> %s"
)


@dataclass(frozen=True)
class PooledLedger:
    """Two processes that serve one ledger, reaching it through the pooler only."""

    pooler: Pooler
    processes: list[httpx.Client]
    direct: Client
    """An app of this process that reaches the same database without the pooler."""

    @property
    def server(self) -> LocalServer:
        return self.pooler.server

    def post(self, path: str, body: object) -> None:
        """Post to the first, and fail where it is refused."""
        answer = self.processes[0].post(path, json=body)
        assert answer.status_code == 201, (path, answer.text)


@pytest.fixture(scope="module")
def pooler(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pooler]:
    """A pooler of three server connections in front of an empty database."""
    folder = hurried(copy_of(template, tmp_path_factory.mktemp("pooled") / "data"))
    with start_server(folder) as server, pooler_before(server, SIZE) as running:
        yield running


@pytest.fixture(scope="module")
def ledger(pooler: Pooler, tmp_path_factory: pytest.TempPathFactory) -> Iterator[PooledLedger]:
    """Served by two processes, the first of which migrated the database; with a small shop. Nobody estimates but when told."""
    with pytest.MonkeyPatch.context() as environment, ExitStack() as running:
        environment.setenv("BAYLEDGER_DATABASE_URL", pooler.service_url)
        environment.setenv("BAYLEDGER_OWNER_DATABASE_URL", pooler.server.owner_url)
        environment.setenv("BAYLEDGER_SECRET", SECRET)
        folders = [tmp_path_factory.mktemp("serving") / "data" for _ in range(PROCESSES)]
        urls = [running.enter_context(serving(folder, "--worker-elsewhere")).url for folder in folders]
        token = command("token", "create", "--scope", "admin", "--name", "test").strip()
        client = partial(
            httpx.Client,
            headers={"Authorization": f"Bearer {token}"},
            timeout=PATIENCE_S,
            limits=httpx.Limits(max_connections=None),
        )
        processes = [running.enter_context(client(base_url=url)) for url in urls]
        app = create_app(
            Settings(database_url=f"{pooler.server.service_url}&application_name={DIRECT}", secret=SECRET)
        )
        running.callback(app.extensions["bayledger"].close)
        ready = PooledLedger(pooler, processes, Client(app.test_client(), token))
        a_small_shop(ready.post, CARS)
        yield ready


@pytest.fixture(scope="module")
def sight(pooler: Pooler) -> Iterator[psycopg.Connection[Any]]:
    """A connection to look with, past the pooler."""
    with psycopg.connect(pooler.server.superuser_url, autocommit=True) as connection:
        yield connection


@pytest.fixture(scope="module")
def documents(ledger: PooledLedger) -> list[dict[str, Any]]:
    """Sessions of a few cars, posted one by one to the two processes in turn."""
    made = random_sessions(SEED, 24, CARS)
    for process, document in zip(cycle(ledger.processes), made, strict=False):
        answer = process.post("/v1/sessions", json=document)
        assert answer.status_code == 201, answer.text
    return made


def command(*words: str, **settings: str) -> str:
    """Run `bayledger` with the settings of this process, and others; what it said."""
    ran = subprocess.run(
        [sys.executable, "-m", "service", *words],
        cwd=ROOT,
        env=os.environ | settings,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


def plain(answer: httpx.Response) -> Any:
    assert answer.status_code == 200, answer.text
    return answer.json()


# ---- why


def test_what_one_client_prepares_lies_in_the_way_of_another(pooler):
    """What the service must not do here: the pooler is no mere wire, and notices nothing of the kind."""
    first, second = (psycopg.connect(pooler.service_url, autocommit=True) for _ in range(2))
    with first, second:
        first.execute("SELECT 1", prepare=True)
        with pytest.raises(psycopg.errors.DuplicatePreparedStatement):
            second.execute("SELECT 2", prepare=True)
        first.execute("DEALLOCATE ALL")


def test_a_lender_prepares_nothing_behind_a_pooler_and_prepares_where_there_is_none(pooler):
    through_it, past_it = Lender(pooler.service_url, 2), Lender(pooler.server.service_url, 2)
    with through_it() as pooled, past_it() as direct:
        assert (pooled.prepare_threshold, direct.prepare_threshold) == (None, 5)
        for connection in (pooled, direct):
            connection.execute("SELECT 'asked at every answer'", prepare=True)
        kept = "SELECT count(*) FROM pg_prepared_statements"
        assert [one.execute(kept).fetchone() for one in (pooled, direct)] == [(0,), (1,)]
    through_it.close()
    past_it.close()


def test_statements_are_sent_together_only_where_there_is_no_pooler(pooler):
    """PgBouncer's issue 759: it loses count of the answers, and a server's connection stays with a client that has its answer."""
    seen = {}
    for url in (pooler.service_url, pooler.server.service_url):
        lender = Lender(url, 1)
        with lender() as line, together(line):
            later = line.execute("SELECT 1").fetchone
            seen[url] = line.info.pipeline_status, later()
        lender.close()
    assert list(seen.values()) == [(PipelineStatus.OFF, (1,)), (PipelineStatus.ON, (1,))]


# ---- the whole life


def test_every_answer_is_the_one_that_is_given_without_a_pooler(ledger, documents):
    command("refit", "--wait")
    for path in QUESTIONS:
        past_it = ledger.direct.get(path)
        assert past_it.status_code == 200, past_it.json
        for process in ledger.processes:
            assert list(differences(plain(process.get(path)), past_it.json)) == [], path


def test_the_role_s_limits_hold_on_every_server_connection(pooler):
    for line in lines_of_all_servers(pooler):
        assert line.execute("SHOW statement_timeout").fetchone() == ("30s",)
        assert line.execute("SHOW jit").fetchone() == ("off",)


def test_two_hundred_requests_at_once_are_answered_over_three_server_connections(ledger, documents, sight):
    posts = random_sessions(SEED + 1, AT_ONCE // 4, CARS)
    asked: list[Callable[[], httpx.Response]] = []
    turn = cycle(ledger.processes)
    for number, document in enumerate(posts):
        asked.append(partial(next(turn).post, "/v1/sessions", json=document))
        asked += [partial(next(turn).get, QUESTIONS[(number + i) % len(QUESTIONS)]) for i in range(3)]
    with watching(ledger.pooler, sight) as seen:
        answers = all_at_once(asked)
    assert len(answers) == AT_ONCE
    assert [one.text for one in answers if one.status_code not in (200, 201)] == []
    assert max(seen.server_connections) <= SIZE < max(seen.clients)
    assert damage(sight, documents + posts, SLOTS) == []
    documents.extend(posts)


def test_one_key_sent_to_both_processes_at_once_is_kept_once(ledger, documents, sight):
    for number, document in enumerate(random_sessions(SEED + 2, 8, CARS)):
        headers = {"Idempotency-Key": f"once-{number}"}
        send = [partial(one.post, "/v1/sessions", json=document, headers=headers) for one in ledger.processes]
        answers = all_at_once(send)
        assert sorted(one.status_code for one in answers) in ([201, 201], [201, 409])
        again = send[0]()
        assert again.headers["Idempotency-Replayed"] == "true"
        documents.append(document)
    (kept,) = sight.execute("SELECT count(*) FROM session").fetchone()
    assert kept == len(documents)
    assert damage(sight, documents, SLOTS) == []


def test_what_one_process_puts_right_the_other_answers_at_once(ledger, documents, sight):
    here, there = ledger.processes
    before = plain(there.get(QUESTIONS[0]))["pairs_only"]
    period = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-20T00:00:00Z", "reason": "the arm was long"}
    said = here.post("/v1/bays/hub/corrections", json={**period, "factor": 1.2})
    assert said.status_code == 201, said.text
    corrected = plain(there.get(QUESTIONS[0]))["pairs_only"]
    assert before != corrected == ledger.direct.get(QUESTIONS[0]).json["pairs_only"]
    undone = here.post(f"{said.headers['Location']}/undo", json={"reason": "it was not"})
    assert undone.status_code == 200, undone.text
    assert plain(there.get(QUESTIONS[0]))["pairs_only"] == ledger.direct.get(QUESTIONS[0]).json["pairs_only"]


def test_a_strike_in_one_process_is_taken_back_in_the_other(ledger, documents, sight):
    here, there = ledger.processes
    pairs = kept_pairs(sight)
    session = f"/v1/sessions/{documents[0]['id']}"
    etag = here.get(session).headers["ETag"]
    struck = here.post(f"{session}/strike", json={"reason": "the hood was shut"}, headers={"If-Match": etag})
    assert struck.status_code == 200, struck.text
    assert kept_pairs(sight) < pairs
    back = there.post(f"{session}/unstrike", json={}, headers={"If-Match": struck.headers["ETag"]})
    assert back.status_code == 200, back.text
    assert kept_pairs(sight) == pairs


def test_only_one_estimates_at_a_time_and_leaves_no_lock(ledger, documents, sight):
    said = all_at_once([partial(command, "refit", "--wait")] * 3)
    assert all("estimated" in words for words in said), said
    lender = Lender(ledger.pooler.service_url, 3)
    with lender() as one, lender() as other, fits.estimating(one) as first, fits.estimating(other) as second:
        assert (first, second) == (True, False)
    lender.close()
    assert sight.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'").fetchone() == (0,)


def test_a_worker_behind_it_estimates_what_was_wished_for(ledger, documents, sight, tmp_path):
    wished = "SELECT count(*) FROM refit_wish"
    with working(ledger.pooler.service_url, tmp_path / "worker.log") as worker:
        for process in ledger.processes:
            fits_before = newest_fit(sight)
            assert process.post("/v1/model/refit", json={}).status_code == 202
            wait_until(lambda before=fits_before: newest_fit(sight) > before, PATIENCE_S)
            wait_until(lambda: sight.execute(wished).fetchone() == (0,), PATIENCE_S)
        worker.terminate()
        worker.join(PATIENCE_S)
        assert worker.exitcode == 0, (tmp_path / "worker.log").read_text()
    assert sight.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'").fetchone() == (0,)


def newest_fit(sight: psycopg.Connection[Any]) -> int:
    (found,) = sight.execute("SELECT max(fit_id) FROM model_fit").fetchone()
    return found


def test_an_export_through_it_imported_through_it_gives_the_same_answers(ledger, documents, pooler, tmp_path):
    command("refit", "--wait")
    command("export", str(tmp_path / "all.zip"))
    with psycopg.connect(pooler.server.superuser_url, autocommit=True) as above:
        above.execute("CREATE DATABASE another OWNER bayledger_owner")
    service_url, owner_url = (
        url.replace("/bayledger?", "/another?") for url in (pooler.service_url, pooler.owner_url)
    )
    another = {"BAYLEDGER_DATABASE_URL": service_url, "BAYLEDGER_OWNER_DATABASE_URL": owner_url}
    command("migrate", **another)
    command("import", str(tmp_path / "all.zip"), **another)
    token = command("token", "create", "--scope", "read", "--name", "another", **another).strip()
    app = create_app(Settings(database_url=service_url, secret=SECRET))
    client = Client(app.test_client(), token)
    for path in QUESTIONS:
        assert list(differences(client.get(path).json, plain(ledger.processes[0].get(path)))) == [], path
    app.extensions["bayledger"].close()


# ---- nothing stays


def test_no_server_connection_keeps_anything_of_who_used_it(ledger, documents, pooler, tmp_path):
    all_at_once([partial(one.get, path) for one in ledger.processes for path in QUESTIONS * 2])
    ledger.processes[0].post("/v1/sessions", json=documents[0])
    command("export", str(tmp_path / "all.zip"))
    for line in lines_of_all_servers(pooler):
        assert line.execute(LEFT_BEHIND).fetchone() == (0, 0, 0, 0, 0, None)


def test_a_pooler_that_was_cut_off_and_came_back_is_found_again(ledger, documents, pooler):
    ask = [partial(one.get, QUESTIONS[0]) for one in ledger.processes]
    pooler.end()
    assert [one.status_code for one in all_at_once(ask)] == [503, 503]
    with pooler_before(pooler.server, SIZE):
        assert [one.status_code for one in all_at_once(ask)] == [200, 200]


# ---- helpers


def lines_of_all_servers(pooler: Pooler) -> Iterator[Connection]:
    """A client on each server connection there can be: in a transaction, none shares one with another."""
    with ExitStack() as opened:
        lines = [
            opened.enter_context(psycopg.connect(pooler.service_url, prepare_threshold=None))
            for _ in range(SIZE)
        ]
        served = {line.execute("SELECT pg_backend_pid()").fetchone() for line in lines}
        assert len(served) == SIZE
        yield from lines


@dataclass(frozen=True)
class Seen:
    """How many connections there were, each time somebody looked: to Postgres, and to the pooler."""

    server_connections: list[int] = field(default_factory=list)
    clients: list[int] = field(default_factory=list)


@contextmanager
def watching(pooler: Pooler, sight: psycopg.Connection[Any]) -> Iterator[Seen]:
    """Look again and again until the block ends."""
    seen = Seen()

    def look() -> None:
        (served,) = sight.execute(SERVED, (DIRECT,)).fetchone()
        seen.server_connections.append(served)
        seen.clients.append(sum(pool["cl_active"] + pool["cl_waiting"] for pool in pooler.pools()))

    with again_and_again(look, every_s=0.02):
        yield seen
