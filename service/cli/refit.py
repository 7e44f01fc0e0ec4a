"""`bayledger refit`: estimate the history model again."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import one_connection, open_kept_ledger

if TYPE_CHECKING:
    from service.worker.refit import Outcome

WHO = "bayledger refit"
"""Who asks, as it stands beside the wish."""


@click.command("refit")
@options.database
@options.flag("--wait", is_flag=True, help="estimate here and now, and say what came of it.")
@options.flag(
    "--if-needed", is_flag=True, help="the same, only where a serving ledger would do it by itself by now."
)
@options.flag("--quiet", is_flag=True, help="say nothing when it went well.")
def command(
    data_dir: Path | None, database_url: str | None, wait: bool, if_needed: bool, quiet: bool
) -> None:
    """Estimate anew how much cars, parts, bays and measurements vary, from everything that is kept.

    A serving ledger does so by itself when 2 in 100 cars have changed, or after a day; answers follow every post in any
    case. This asks it to do so now; without a serving ledger the next one that serves will. Only one estimates at a time.

    \b
    bayledger refit
    bayledger refit --wait
    """
    settings = options.read_settings(data_dir=data_dir, database_url=database_url)
    with open_kept_ledger(settings) as ledger:
        said = _estimated(ledger.settings.database_url, wait, if_needed)
    if not quiet:
        click.echo(said)


def _estimated(url: str, wait: bool, if_needed: bool) -> str:
    """Do what was asked; answers what came of it in words."""
    from service.store.fits import ask_refit
    from service.store.readiness import not_ready

    with one_connection(url) as connection:
        reason = not_ready(lambda: nullcontext(connection))
        if reason is not None:
            raise CouldNotError(reason)
        if if_needed:
            from service.worker.refit import refit_if_needed

            with one_connection(url) as lock:
                outcome = refit_if_needed(connection, lock)
            return _in_words(outcome, "there is no need, or another one is at it")
        if wait:
            from service.worker.refit import refit_now

            with one_connection(url) as lock:
                outcome = refit_now(connection, lock, WHO)
            return _in_words(outcome, "another one has just estimated it")
        ask_refit(connection, WHO)
        return "asked for: a serving ledger takes it up within seconds"


def _in_words(outcome: Outcome | None, otherwise: str) -> str:
    if outcome is None:
        return otherwise
    if outcome.fit_id is None:
        return "nothing counts yet that it could be estimated from"
    return f"fit {outcome.fit_id}: estimated from {outcome.setups} setups of {outcome.cars} cars in {outcome.seconds:.1f} s"
