"""`bayledger refit`: asked of a serving ledger, or done here and now."""

import time

import psycopg
import pytest

from service.local import start_server
from tests.cli.conftest import serving
from tests.worker.conftest import measure_three_cars

PATIENCE_S = 60.0


@pytest.fixture
def url(migrated_folder):
    """The address of a ledger whose server is up."""
    with start_server(migrated_folder) as server:
        yield server.service_url


def wishes(url):
    """Who asked and was not answered yet."""
    with psycopg.connect(url) as line:
        return [who for (who,) in line.execute("SELECT who FROM refit_wish").fetchall()]


def test_it_asks_and_says_who_will_do_it(run, url):
    ran = run("refit", "--database-url", url)
    assert (ran.code, ran.out) == (0, "asked for: a serving ledger takes it up within seconds\n")
    assert wishes(url) == ["bayledger refit"]


def test_waiting_it_says_that_an_empty_ledger_has_nothing_to_estimate_from(run, url):
    run("refit", "--database-url", url)
    ran = run("refit", "--wait", "--database-url", url)
    assert (ran.code, ran.out) == (0, "nothing counts yet that it could be estimated from\n")
    assert wishes(url) == []


def test_only_if_needed_it_does_nothing_where_nobody_asked_and_nothing_was_measured(run, url):
    ran = run("refit", "--if-needed", "--database-url", url)
    assert (ran.code, ran.out) == (0, "there is no need, or another one is at it\n")


def test_quiet_it_says_nothing(run, url):
    ran = run("refit", "--if-needed", "--quiet", "--database-url", url)
    assert (ran.code, ran.out, ran.err) == (0, "", "")


def test_an_older_schema_is_refused_with_the_way_out(run, unmigrated_ledger):
    ran = run("refit", "--data-dir", unmigrated_ledger)
    assert ran.code == 1
    assert "bayledger migrate" in ran.err


def test_waiting_it_says_what_the_estimate_rests_on(run, migrated_folder):
    with start_server(migrated_folder) as server:
        measure_three_cars(server.owner_url, server.service_url)
        ran = run("refit", "--wait", "--data-dir", migrated_folder)
    assert ran.code == 0, ran.err
    assert ran.out.startswith("fit 1: estimated from 6 setups of 3 cars in ")


def test_a_serving_ledger_does_what_was_asked_and_ends_cleanly(run, migrated_folder):
    with serving(migrated_folder) as service, start_server(migrated_folder) as server:
        assert run("refit", "--data-dir", migrated_folder).code == 0
        deadline = time.monotonic() + PATIENCE_S
        while wishes(server.service_url) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert wishes(server.service_url) == []
        assert service.stop() == 0
        assert "could not be estimated" not in service.said
