"""`bayledger bay done`: the car comes off; its session is closed and sent."""

from __future__ import annotations

from typing import Any

import click

from service.cli.bay.common import Spoken, in_words, open_bay, say_reviews, say_sent, where

ATTEMPTS = 3
"""A few seconds at the terminal; what is not through then waits in the spool (our choice)."""


@click.command("done")
@where
def command(**given: Any) -> None:
    """Close the session in work and send it.

    Closed, it lies on this computer's disk until the ledger has it, whatever becomes of the network, the ledger or this
    computer meanwhile: `bayledger bay watch` sends it as soon as it can, and so does the next `send` or `done`.
    """
    bay = open_bay(given, Spoken())
    with in_words():
        closed = bay.desk.close()
        if closed is None:
            click.echo("No session is in work.")
        sent = bay.sender.send_all(attempts=ATTEMPTS)
        say_reviews(bay, sent)
        say_sent(sent, bay.desk)
    if sent.refused:
        raise click.exceptions.Exit(1)
