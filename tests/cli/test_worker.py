"""`bayledger worker`: the history model estimated beside a ledger that leaves it to others."""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.process import BaseProcess
from pathlib import Path

from service.local import start_server
from service.worker.loop import LOOK_S
from tests.cli.conftest import serving
from tests.cli.test_refit import wishes
from tests.local.conftest import wait_until
from tests.processes import at_once, run_command

PATIENCE_S = 60.0


@contextmanager
def working(url: str, log: Path) -> Iterator[BaseProcess]:
    """A worker in a process of its own, ended at the latest with the block."""
    process = at_once().Process(
        target=run_command, args=(["worker", "--database-url", url], log, dict(os.environ))
    )
    process.start()
    try:
        yield process
    finally:
        process.kill()
        process.join()


def test_a_ledger_that_leaves_it_to_others_does_not_estimate_and_a_worker_does(
    run, migrated_folder, tmp_path
):
    log = tmp_path / "worker.log"
    with (
        serving(migrated_folder, "--worker-elsewhere"),
        start_server(migrated_folder) as server,
    ):
        assert run("refit", "--data-dir", migrated_folder).code == 0
        time.sleep(2.5 * LOOK_S)
        assert wishes(server.service_url) == ["bayledger refit"]
        with working(server.service_url, log) as worker:
            wait_until(lambda: wishes(server.service_url) == [], PATIENCE_S)
            os.kill(worker.pid, signal.SIGTERM)
            worker.join(PATIENCE_S)
            assert worker.exitcode == 0, log.read_text()
    assert log.read_text().startswith("Bayledger looks whether the history model wants estimating")


def test_ctrl_c_ends_it_as_well_while_its_database_is_away(tmp_path):
    log = tmp_path / "worker.log"
    log.touch()
    with working("postgresql://bayledger_service@127.0.0.1:1/bayledger", log) as worker:
        wait_until(lambda: "Ctrl-C" in log.read_text(), PATIENCE_S)
        os.kill(worker.pid, signal.SIGINT)
        worker.join(PATIENCE_S)
        assert worker.exitcode == 0, log.read_text()


def test_a_ledger_with_a_database_of_its_own_needs_none(run):
    ran = run("worker")
    assert ran.code == 2
    assert "a worker of its own needs a Postgres of your own: give --database-url" in ran.err
