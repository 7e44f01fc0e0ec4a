"""The process that estimates the history model is killed in its midst, or there are two of them."""

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from pathlib import Path

import httpx
import psycopg
import pytest

from service.answers import packed
from service.local import LocalServer, start_server
from service.store import fits
from service.store.fits import FitFacts
from service.worker.refit import refit, refit_if_needed
from tests.cli.conftest import serving
from tests.cli.test_serve import workers_of
from tests.conftest import new_database
from tests.faults.test_killed_at_random import admin_token
from tests.live import clean_environment
from tests.local.conftest import scalar, wait_until
from tests.processes import at_once, run_command
from tests.worker.conftest import measure_three_cars

NAME = "estimated"
PATIENCE_S = 60.0
KEEPING = (
    "SELECT pid FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query LIKE '%INSERT INTO model_fit%'"
)


class Estimated:
    """A ledger of three measured cars, and the command that estimates from them."""

    def __init__(self, server: LocalServer, log: Path) -> None:
        self.owner_url, self.url = new_database(server, NAME)
        self._log = log
        measure_three_cars(self.owner_url, self.url)
        self.line = psycopg.connect(self.url, autocommit=True)
        self.lock = psycopg.connect(self.url, autocommit=True)

    def started(self) -> BaseProcess:
        """`bayledger refit --if-needed`, as a serving ledger starts it."""
        words = ["refit", "--if-needed", "--database-url", self.url]
        process = at_once().Process(target=run_command, args=(words, self._log, clean_environment()))
        process.start()
        return process

    @contextmanager
    def kept_from_keeping(self) -> Iterator[None]:
        """Nobody may keep a fit while the block runs."""
        with psycopg.connect(self.owner_url) as holder:
            holder.execute("LOCK TABLE model_fit IN SHARE MODE")
            yield

    def keeping(self) -> list[int]:
        """Who is about to keep a fit, and waits."""
        return [pid for (pid,) in self.line.execute(KEEPING).fetchall()]

    def newest(self) -> FitFacts | None:
        """The fit in use."""
        return fits.newest_fit_facts(self.line, "peak_power", "sae-j1349", packed.METHOD)()

    def count(self) -> int:
        """How many fits are kept."""
        return int(self.line.execute("SELECT count(*) FROM model_fit").fetchone()[0])


@pytest.fixture
def ledger(server: LocalServer, tmp_path: Path) -> Iterator[Estimated]:
    """One of the test's own."""
    made = Estimated(server, tmp_path / "said.log")
    yield made
    made.line.close()
    made.lock.close()
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute(f"DROP DATABASE {NAME} WITH (FORCE)")


def test_an_estimate_killed_as_it_is_kept_leaves_the_former_fit_and_the_wish_and_the_next_one_does_it(
    ledger, tell
):
    former = refit(ledger.line).fit_id
    wish = fits.ask_refit(ledger.line, "admin")
    with ledger.kept_from_keeping():
        killed = ledger.started()
        wait_until(ledger.keeping, PATIENCE_S)
        killed.kill()
        killed.join(PATIENCE_S)
    assert killed.exitcode == -signal.SIGKILL
    wait_until(lambda: is_free(ledger), PATIENCE_S)
    assert ledger.newest().fit_id == former
    assert ledger.count() == 1
    assert not fits.is_granted(ledger.line, wish.wish_id)

    again = refit_if_needed(ledger.line, ledger.lock)
    assert ledger.newest().fit_id == again.fit_id
    assert fits.is_granted(ledger.line, wish.wish_id)
    tell("worker killed mid-refit: 1 fault injected, 0 half fits, 0 wishes lost")


def is_free(ledger: Estimated) -> bool:
    """Whether nobody estimates: the lock of one that was killed goes with its line."""
    with fits.estimating(ledger.lock) as free:
        return free


def test_of_two_workers_at_once_one_estimates_and_the_other_goes_away(ledger, tell):
    with ledger.kept_from_keeping():
        first = ledger.started()
        wait_until(ledger.keeping, PATIENCE_S)
        second = ledger.started()
        second.join(PATIENCE_S)
        assert (second.exitcode, len(ledger.keeping())) == (0, 1)
    first.join(PATIENCE_S)
    assert first.exitcode == 0
    assert ledger.count() == 1
    tell("two workers at once: 1 fit kept, 0 doubled")


@pytest.mark.machine
def test_a_serving_ledger_whose_estimate_is_killed_makes_it_again_by_itself(
    quick_folder, tell: Callable[[str], None]
):
    token = admin_token(quick_folder)
    with serving(quick_folder) as server, start_server(quick_folder) as database:
        headers = {"Authorization": f"Bearer {token}"}
        with httpx.Client(base_url=server.url, headers=headers, timeout=PATIENCE_S) as ask:
            for _ in range(3):
                assert ask.post("/v1/model/refit", json={}).status_code == 202
                wait_until(lambda: estimating_under(server.pid), PATIENCE_S)
                for pid in estimating_under(server.pid):
                    os.kill(pid, signal.SIGKILL)
            wishes = "SELECT count(*) FROM refit_wish"
            assert scalar(database.superuser_url, wishes) == 3
            wait_until(lambda: scalar(database.superuser_url, wishes) == 0, PATIENCE_S)
        assert "Traceback" not in server.said
    tell("estimate of a serving ledger killed: 3 faults injected, 0 wishes lost")


def estimating_under(master: int) -> list[int]:
    """Processes that estimate for a serving ledger."""
    found = []
    for worker in workers_of(master):
        for task in Path(f"/proc/{worker}/task").iterdir():
            found += [int(pid) for pid in (task / "children").read_text().split()]
    return found
