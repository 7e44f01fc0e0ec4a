"""The thread that looks: it starts the command where there is need, once at a time, and ends with what it started."""

import logging
import sys
import time

import psycopg
import pytest

from service.store import fits
from service.store.db import Lender
from service.worker.loop import ENDING_S, Worker

PATIENCE_S = 60.0


@pytest.fixture
def worker_of(measured_url, lines, tmp_path):
    """A worker whose command is a line of Python."""
    made = []

    def make(program, url=measured_url, **environment):
        command = [sys.executable, "-c", program]
        made.append(Worker(Lender(url, 1), command, folder=tmp_path, environment=environment))
        return made[-1]

    yield make
    for worker in made:
        worker.stop()


def waited_for(what):
    """Whether something comes true in time."""
    deadline = time.monotonic() + PATIENCE_S
    while not (true := what()) and time.monotonic() < deadline:
        time.sleep(0.05)
    return true


def test_the_command_runs_in_its_folder_and_environment_where_there_is_no_fit_yet(worker_of, tmp_path):
    worker = worker_of("import os; open('seen', 'w').write(os.environ['SAID'])", SAID="hello")
    assert worker.look()
    assert (tmp_path / "seen").read_text() == "hello"


def test_nothing_runs_where_there_is_no_need(worker_of, empty_url, tmp_path):
    worker = worker_of("open('seen', 'w')", empty_url)
    assert worker.look()
    assert not (tmp_path / "seen").exists()


def test_nothing_runs_while_another_one_estimates(worker_of, measured_url, tmp_path):
    worker = worker_of("open('seen', 'w')")
    with psycopg.connect(measured_url) as other, fits.estimating(other) as alone:
        assert alone
        assert worker.look()
        assert not (tmp_path / "seen").exists()
    assert worker.look()
    assert (tmp_path / "seen").exists()


def test_a_wish_is_seen_while_it_looks(worker_of, lines, tmp_path):
    worker = worker_of("open('seen', 'w')")
    worker.start()
    fits.ask_refit(lines[0], "admin")
    assert waited_for((tmp_path / "seen").exists)


def test_a_failure_is_logged_with_its_words_and_said(worker_of, caplog):
    worker = worker_of("import sys; sys.exit('no room left')")
    with caplog.at_level(logging.WARNING, logger="bayledger.worker"):
        assert not worker.look()
    assert "no room left" in caplog.text


class Unreachable(Lender):
    """Lends nothing: the server is gone."""

    def __call__(self):
        raise psycopg.OperationalError("connection refused")


def test_a_database_that_cannot_be_reached_is_waited_for(tmp_path):
    assert Worker(Unreachable("", 1), ["false"], folder=tmp_path, environment={}).look()


def test_stopping_ends_an_estimate_under_way(worker_of, tmp_path):
    worker = worker_of("import time; open('begun', 'w'); time.sleep(600)")
    worker.start()
    assert waited_for((tmp_path / "begun").exists)
    began = time.monotonic()
    worker.stop()
    assert time.monotonic() - began < ENDING_S / 2
