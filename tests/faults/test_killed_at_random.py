"""The service and its database killed (kill -9) at random points of many posts, and started again each time.

The bays go on as real ones do: what was not acknowledged is sent again, under its key, until it is.
"""

import os
import random
import signal
from contextlib import ExitStack
from pathlib import Path

import httpx
import psycopg
import pytest

from service.local import start_server
from service.store import tokens
from tests.cli.conftest import serving
from tests.cli.test_serve import workers_of
from tests.faults.bays import PATIENCE_S, Bays, figures, kept_in_folder, over_http
from tests.faults.sessions import a_small_shop, many_sessions
from tests.live import free_port, is_free
from tests.local.conftest import postmaster_of, wait_until

CARS = 12
WHAT = ("serving process", "whole service", "database")


def admin_token(folder: Path) -> str:
    """A token made in the database."""
    with start_server(folder) as database, psycopg.connect(database.owner_url, autocommit=True) as owner:
        return tokens.create_token(owner, scope="admin", name="admin")


def points(rng: random.Random, posts: int, times: int) -> list[tuple[int, str]]:
    """(acknowledged posts after which it happens, what is killed), each kind as often as the others."""
    after = sorted(rng.sample(range(posts // 10, posts * 9 // 10), times))
    kinds = [WHAT[n % len(WHAT)] for n in range(times)]
    rng.shuffle(kinds)
    return list(zip(after, kinds, strict=True))


class Killed:
    """A served data folder whose processes are killed; the port stays, so that the bays find it again."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder, self._stack, self._port = folder, stack, free_port()
        self._start()

    def _start(self) -> None:
        self.server = self._stack.enter_context(serving(self.folder, "--port", str(self._port)))

    @property
    def url(self) -> str:
        """Where it serves."""
        return f"http://127.0.0.1:{self._port}"

    def kill(self, what: str) -> None:
        """One kill; what nobody starts again by itself is started."""
        wait_until(lambda: workers_of(self.server.pid) and postmaster_of(self.folder), PATIENCE_S)
        serving_process = workers_of(self.server.pid)
        if what == "database":
            os.kill(postmaster_of(self.folder), signal.SIGKILL)
        elif what == "serving process":
            os.kill(serving_process[0], signal.SIGKILL)
        else:
            for pid in (self.server.pid, *serving_process):
                os.kill(pid, signal.SIGKILL)
            self.server.process.join()
            # One that was just begun in the place of a killed one ends by itself, when it misses its parent.
            wait_until(lambda: is_free(self._port), PATIENCE_S)
            self._start()


def fill(url: str, token: str) -> None:
    """The shop, through the service's own door."""
    with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, timeout=30) as client:
        a_small_shop(lambda path, body: client.post(path, json=body).raise_for_status(), CARS)


@pytest.mark.parametrize(
    ("posts", "kills"), [(40, 3), pytest.param(500, 24, marks=pytest.mark.machine)], ids=["few", "many"]
)
def test_posts_acknowledged_between_kills_at_random_points_are_all_there_once(
    quick_folder, tell, posts, kills
):
    rng = random.Random(posts)
    bays = Bays.of(many_sessions(41, posts, CARS))
    token = admin_token(quick_folder)
    with ExitStack() as stack:
        ledger = Killed(quick_folder, stack)
        fill(ledger.url, token)
        with over_http(ledger.url, token) as send, bays.at_work(send):
            for after, what in points(rng, posts, kills):
                bays.wait_for(after)
                ledger.kill(what)
        kept = kept_in_folder(bays, quick_folder)
    tell(figures("kill -9 at random", kills, bays, kept))
    assert bays.broken or bays.refused, "nothing was under way at any kill"
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == posts
    assert bays.unclear == []
