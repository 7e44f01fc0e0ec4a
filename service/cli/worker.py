"""`bayledger worker`: the history model estimated beside the servers, in a process of its own."""

from __future__ import annotations

import signal
import sys
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.ledger import ROOT, SELF
from service.cli.logs import set_up
from service.settings import variable

if TYPE_CHECKING:
    from service.worker.loop import Worker

ESTIMATE = ["nice", *SELF, "refit", "--if-needed", "--quiet"]  # the bays must not wait for it


@click.command("worker")
@options.database
@options.setting("log_level")
@options.setting("log_format")
def command(**given: object) -> None:
    """Look whether the history model wants estimating, and estimate it, until Ctrl-C or SIGTERM.

    `bayledger serve` does so by itself. Where it shall not (--worker-elsewhere), because a limit of memory or another
    machine is meant for estimating alone, this does. It needs a Postgres of your own; several are harmless.

    \b
    BAYLEDGER_DATABASE_URL=postgresql://... bayledger worker
    """
    settings = options.read_settings(**given)
    if not settings.database_url:
        raise click.UsageError(
            "a worker of its own needs a Postgres of your own: give --database-url. A ledger that keeps its own "
            "database is looked after by `bayledger serve`."
        )
    set_up(settings.log_level, settings.log_format)
    # Raises in the main thread whatever it waits for, so that no signal is lost before the waiting begins.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    worker = worker_of(settings.database_url)
    try:
        worker.start()
        click.echo("Bayledger looks whether the history model wants estimating (Ctrl-C stops it)")
        sys.stdout.flush()
        while True:
            signal.pause()
    except KeyboardInterrupt:
        worker.stop()


def worker_of(database_url: str) -> Worker:
    """What looks after the model of that database, not yet started."""
    from service.store.db import Lender
    from service.worker.loop import Worker

    given = {variable("database_url"): database_url}
    return Worker(Lender(database_url, 1), ESTIMATE, folder=ROOT, environment=given)
