"""The database stops taking posts under a service that goes on: restarted, killed, read-only, out of connections.

While it lasts each answer says clearly that it cannot be now (503, Retry-After); afterwards every post is there once.
"""

import os
import signal
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.conftest import copy_of, hurried
from tests.faults.bays import PATIENCE_S, Bays, figures, kept_of
from tests.faults.own import OwnLedger, own_ledger
from tests.local.conftest import postmaster_of, wait_until

POSTS = 24
AFTER = 6
"""Posts acknowledged before the fault comes."""
REFUSALS = 6
"""Attempts that must meet the fault before it ends."""


@pytest.fixture(scope="module")
def own(migrated_template: Path) -> Iterator[OwnLedger]:
    """One ledger for these tests: what was acknowledged under one fault must outlast the next as well."""
    with (
        tempfile.TemporaryDirectory(prefix="bl-") as outer,
        own_ledger(hurried(copy_of(migrated_template, Path(outer) / "data"))) as ledger,
    ):
        yield ledger


def check(own: OwnLedger, bays: Bays, what: str, tell: Callable[[str], None]) -> None:
    """All that was sent is acknowledged and there, once and whole, and what was refused was refused clearly."""
    kept = kept_of(bays, own.server.owner_url)
    tell(figures(what, 1, bays, kept))
    assert kept.is_whole
    assert kept.sessions == len(bays.answered) == len(bays.documents)
    assert bays.unclear == []
    assert bays.broken == []


def refusals(bays: Bays, words: str) -> int:
    """How many attempts were refused in these words."""
    return sum(words in reply.text for reply in bays.refused)


def stop_and_start(own: OwnLedger) -> None:
    """As an administrator does it."""
    own.server.cluster.stop()
    own.server.cluster.start_or_adopt()


def kill_and_start(own: OwnLedger) -> None:
    """As the machine does it."""
    postmaster = postmaster_of(own.server.data_dir)
    assert postmaster is not None
    os.kill(postmaster, signal.SIGKILL)
    wait_until(own.server.ensure_running)


@pytest.mark.parametrize("restart", [stop_and_start, kill_and_start])
def test_a_database_restarted_under_posts_keeps_each_acknowledged_one_once(own, tell, restart):
    bays = own.bays(31 if restart is stop_and_start else 32, POSTS)
    already = len(bays.answered)
    with bays.at_work(own.send):
        bays.wait_for(already + AFTER)
        restart(own)
    check(own, bays, f"database restarted ({restart.__name__})", tell)


def test_a_database_set_to_read_only_refuses_posts_answers_questions_and_takes_posts_again(own, tell):
    bays = own.bays(33, POSTS)
    already = len(bays.answered)
    with bays.at_work(own.send):
        bays.wait_for(already + AFTER)
        own.above("ALTER DATABASE bayledger SET default_transaction_read_only = on")
        own.cut_lines()
        wait_until(lambda: refusals(bays, "takes no writes") >= REFUSALS, PATIENCE_S)
        asked = own.client.get("/v1/sessions")
        own.above("ALTER DATABASE bayledger RESET default_transaction_read_only")
        own.cut_lines()
    assert asked.status_code == 200
    assert len(asked.json["items"]) > 0
    check(own, bays, "database read-only", tell)


def test_a_service_that_has_one_line_takes_every_post_where_the_database_has_no_more(own, tell):
    bays = own.bays(34, POSTS)
    own.forget_lines()
    assert own.client.get("/v1/sessions").status_code == 200
    with own.no_line_left(), bays.at_work(own.send):
        pass
    assert bays.refused == []
    check(own, bays, "no further connection", tell)


@pytest.mark.machine  # each refusal waits ten seconds for a line
def test_a_service_that_gets_no_line_refuses_posts_and_takes_them_once_there_are_lines(own, tell):
    bays = own.bays(35, POSTS)
    own.forget_lines()
    with ExitStack() as taken:
        taken.enter_context(own.no_line_left())
        with bays.at_work(own.send):
            wait_until(lambda: refusals(bays, "cannot be reached") >= REFUSALS, PATIENCE_S)
            taken.close()
    check(own, bays, "no connection", tell)
