"""`bayledger bay mark`: whether a pull that was taken already counts."""

from __future__ import annotations

from typing import Any

import click

from service.bay.mending import Mark
from service.bay.work import Run
from service.cli import options
from service.cli.bay.common import Bay, in_words, open_bay, where

IN_WORDS = {"settling": "settling, kept and counted nowhere", "rejected": "rejected"}


@click.command("mark")
@click.argument("pull", required=False, metavar="[FILE_OR_NUMBER]")
@where
@options.flag(
    "--reject", metavar="WHY", default=None, help="it does not count, and why; it is kept and sent."
)
@options.flag("--settling", is_flag=True, help="it only warmed the car; it is kept and counts nowhere.")
@options.flag("--keep", is_flag=True, help="it counts after all.")
@options.flag(
    "--take-out",
    is_flag=True,
    help="it is not this car's: its file leaves the session, and may be sent again with other words.",
)
def command(
    pull: str | None, reject: str | None, settling: bool, keep: bool, take_out: bool, **given: Any
) -> None:
    """Mark a pull of the session in work, however it was taken; without one, list the pulls with their numbers.

    A pull is named by its file, or by its number where several bear that name. Once `bayledger bay done` has closed the
    session, its pulls are put right in the ledger.

    \b
    bayledger bay mark
    bayledger bay mark pull3.csv --reject "tyre slip"
    bayledger bay mark 1 --settling
    bayledger bay mark 3 --keep
    bayledger bay mark pull4.csv --take-out
    """
    flags = {"reject": reject is not None, "settling": settling, "keep": keep, "take-out": take_out}
    chosen = [word for word, given_too in flags.items() if given_too]
    if pull is None and chosen:
        raise click.UsageError(f"--{chosen[0]}: which pull? Give its file or its number")
    if pull is not None and len(chosen) != 1:
        raise click.UsageError(f"{pull}: give one of --reject WHY, --settling, --keep, --take-out")
    bay = open_bay(given)
    with in_words():
        if pull is not None and take_out:
            file = bay.desk.take_out(pull)
            click.echo(f"{file} is taken out, and may be sent again: `bayledger bay send {file} ...`.")
        elif pull is not None:
            bay.desk.mark(pull, mark_of(bay, reject, settling=settling))
        show(bay)


def mark_of(bay: Bay, reject: str | None, *, settling: bool) -> Mark:
    """What the flags say. A reason that is none is wrong use."""
    if reject is not None:
        said = bay.understood({"said_status": "rejected", "said_reason": reject})
        return Mark("rejected", said["reason"])
    return Mark("settling" if settling else "accepted")


def show(bay: Bay) -> None:
    """Every pull of the session in work."""
    work = bay.desk.work()
    if work is None:
        click.echo("No session is in work.")
        return
    click.echo(f"Session {work.sequence} of {work.car.get('car')}:")
    for number, run in enumerate(work.runs, start=1):
        click.echo(f"  {number}: {run.file}, {standing(run)}")


def standing(run: Run) -> str:
    """Whether a pull counts, in words."""
    status, reason = run.document.get("status"), run.document.get("reason")
    words = IN_WORDS.get(str(status), "counts")
    return f"{words}: {reason}" if reason else words
