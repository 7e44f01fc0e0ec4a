"""`bayledger bay`: the bay's own computer. Its commands, each imported when it is asked for."""

from __future__ import annotations

import click

from service.cli.lazy import LazyGroup

COMMANDS = {
    "learn": "learn",
    "send": "send",
    "mark": "mark",
    "done": "done",
    "watch": "watch",
    "spool": "spool",
    "status": "status",
    "page": "page",
    "unit": "unit",
}


@click.group("bay", cls=LazyGroup, package=__name__, commands_at=COMMANDS)
def command() -> None:
    """Files of a bay to the ledger: taken, kept on this disk, sent until the ledger has them.

    \b
    Find out how a file is laid out:   bayledger bay learn pull.csv
    Send files of one car:             bayledger bay send *.csv --car stoat-014 --parts none
    A pull slipped, and was taken:     bayledger bay mark pull3.csv --reject "tyre slip"
    The car comes off the rollers:     bayledger bay done
    Take files as they come:           bayledger bay watch /machine/export
    All of it on the tablet:           bayledger bay page
    What waits, what was refused:      bayledger bay spool
    How the bay stands:                bayledger bay status

    Its settings are in bay.toml of the bay's folder, ~/.bayledger-bay unless --bay-dir or BAYLEDGER_BAY_DIR says
    otherwise; without one, every command shows what to write there.
    """
