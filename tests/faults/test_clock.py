"""Clocks that jump: the service's, injected where a post takes it, and the database's under a served ledger.

The second is made by libfaketime (Debian package libfaketime), loaded into Postgres alone, whose clock a file then moves.
It cannot be loaded into the service as well: its clock_nanosleep fails where only the wall's clock is moved (0.9.10).
"""

import glob
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from service.local import start_server
from tests.bench.serving import Service, service_in
from tests.factories import a_shop, session, setup
from tests.faults.bays import Bays, figures, kept_in_folder, over_http
from tests.faults.sessions import random_sessions
from tests.faults.test_killed_at_random import CARS, fill
from tests.local.conftest import scalar

LIBRARY = "/usr/lib/*/faketime/libfaketimeMT.so.1"
JUMPS = ("+3d", "+0", "-2d", "+400d", "+0")
POSTS = 90


@pytest.fixture
def clock(monkeypatch):
    """Put the service's clock to a moment."""

    def put(moment: datetime) -> None:
        monkeypatch.setattr("service.api.sessions.now", lambda: moment)

    return put


def test_a_post_refused_because_the_clock_was_behind_is_kept_once_it_is_right_under_the_same_key(
    admin, connection, clock
):
    a_shop(admin, 1)
    document = session(setup(pulls=1))
    measured = datetime.fromisoformat(document["started_at"])
    clock(measured - timedelta(days=30))
    refused = admin.post("/v1/sessions", document, Idempotency_Key="once")
    assert refused.status_code == 422
    assert [fault["code"] for fault in refused.json["errors"]] == ["time-in-the-future"]
    assert connection.execute("SELECT count(*) FROM session").fetchone() == (0,)

    clock(measured + timedelta(hours=1))
    assert admin.post("/v1/sessions", document, Idempotency_Key="once").status_code == 201
    assert connection.execute("SELECT count(*) FROM session").fetchone() == (1,)


@pytest.mark.parametrize("jump", [timedelta(days=400), timedelta(hours=-1)], ids=["forward", "back"])
def test_a_post_sent_again_after_the_clock_jumped_is_known_for_the_same(admin, connection, clock, jump):
    a_shop(admin, 1)
    document = session(setup(pulls=1))
    now = datetime.fromisoformat(document["started_at"]) + timedelta(hours=3)
    clock(now)
    first = admin.post("/v1/sessions", document)
    clock(now + jump)
    again = admin.post("/v1/sessions", document)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.headers["Idempotency-Replayed"] == "true"
    assert again.json["id"] == first.json["id"]
    assert connection.execute("SELECT count(*) FROM session").fetchone() == (1,)


class Jumping:
    """A served ledger whose database's clock a file moves."""

    def __init__(self, service: Service, file: Path) -> None:
        self.service, self._file = service, file

    def jump(self, to: str) -> None:
        """Put the database's clock to the true time and this."""
        put_clock(self._file, to)


def put_clock(file: Path, to: str) -> None:
    """In one step: whoever reads it meanwhile must not find it empty."""
    fresh = file.with_suffix(".fresh")
    fresh.write_text(f"{to}\n")
    fresh.chmod(0o644)
    fresh.replace(file)


@pytest.fixture
def jumping(quick_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Jumping]:
    """The database under the library, and a service that finds it running."""
    found = glob.glob(LIBRARY)
    assert found, f"no {LIBRARY}: apt-get install libfaketime"
    file = quick_folder.parent / "clock"
    quick_folder.parent.chmod(0o755)  # the database's user reads the clock too
    put_clock(file, "+0")
    settings = {
        "LD_PRELOAD": found[0],
        "FAKETIME_TIMESTAMP_FILE": str(file),
        "FAKETIME_NO_CACHE": "1",
        "DONT_FAKE_MONOTONIC": "1",
        "NO_FAKE_STAT": "1",
    }
    with monkeypatch.context() as within:
        for name, value in settings.items():
            within.setenv(name, value)
        database = start_server(quick_folder)
    with database, service_in(quick_folder) as service:
        yield Jumping(service, file)


@pytest.mark.machine
def test_posts_while_the_database_s_clock_jumps_are_kept_once_and_the_model_is_estimated_all_the_same(
    jumping, quick_folder, tell
):
    service = jumping.service
    fill(service.url, service.token)
    bays = Bays.of(random_sessions(91, POSTS, CARS))
    headers = {"Authorization": f"Bearer {service.token}"}
    with (
        start_server(quick_folder) as database,
        over_http(service.url, service.token) as send,
        httpx.Client(base_url=service.url, headers=headers, timeout=90) as ask,
    ):
        for n, to in enumerate(JUMPS, start=1):
            bays_until = POSTS * n // len(JUMPS)
            jumping.jump(to)
            off = scalar(database.superuser_url, "SELECT clock_timestamp()") - datetime.now(UTC)
            assert abs(off - timedelta(days=float(to.rstrip("d")))) < timedelta(minutes=1)
            for id in list(bays.documents)[len(bays.answered) : bays_until]:
                assert bays.attempt(send, id), bays.refused
            assert ask.post("/v1/model/refit", json={"wait": True}).status_code == 200
            for id in list(bays.documents)[:bays_until:7]:
                assert bays.attempt(send, id), bays.refused
        assert ask.get("/v1/sessions").status_code == 200
    kept = kept_in_folder(bays, quick_folder)
    tell(figures("database clock jumps", len(JUMPS), bays, kept))
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == POSTS
    assert bays.refused == []
