"""`bayledger mend`: mistakes put right, each with a reason and a way back. Its commands, each imported when it is asked
for."""

from __future__ import annotations

import click

from service.cli.lazy import LazyGroup

COMMANDS = {
    "find": "reading:find",
    "history": "reading:history",
    "strike": "marks:strike",
    "unstrike": "marks:unstrike",
    "confirm": "marks:confirm",
    "unconfirm": "marks:unconfirm",
    "move": "amending:move",
    "swap": "amending:swap",
    "amend": "amending:amend",
    "record": "amending:record",
    "vehicle-merge": "merging:vehicle_merge",
    "vehicle-unmerge": "merging:vehicle_unmerge",
    "part-merge": "merging:part_merge",
    "part-unmerge": "merging:part_unmerge",
    "corrections": "corrections:corrections",
    "correction": "corrections:correction",
    "correction-undo": "corrections:correction_undo",
    "erase": "erasing:erase",
}
"""Each command's module and its name there: what is done and its undoing stand side by side."""


@click.group("mend", cls=LazyGroup, package=__name__, commands_at=COMMANDS)
def command() -> None:
    """Put a mistake right. Nothing that was posted is overwritten: each change keeps who, when and why, and can be taken
    back; answers and sheets follow at once. Only `erase` is for good.

    \b
    What was measured on a car, by number:   bayledger mend find stoat-014
    A pull that must not count:              bayledger mend strike 381 --reason "hood was shut"
    The wrong car's sheet was open:          bayledger mend move SESSION --to stoat-015 --reason "wrong sheet"
    One car, or part, under two names:       bayledger mend vehicle-merge stoat-14 --into stoat-014 --reason "typed wrong"
    A bay read wrong for a while:            bayledger mend correction north --from 2026-03-05T00:00:00+00:00 \\
                                                 --to 2026-03-15T00:00:00+00:00 --factor 1.02 --reason "arm was long"
    Who changed what, and why:               bayledger mend history vehicles/stoat-014

    --dry-run says what a command would do and sends nothing. A bay's token mends what its bay posted; merges,
    corrections of a bay, records and `erase` need one of scope admin.
    """
