"""`bayledger bay spool`: what waits to be sent, what was refused and why, and what to do about it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import click

from service.bay.spool import Entry, Spool
from service.cli.bay.common import Bay, Spoken, in_words, open_bay, refusal_in_words, say_sent, where
from service.cli.errors import CouldNotError
from service.cli.show import count

ONE_ATTEMPT = 1


@click.group("spool", invoke_without_command=True)
@where
@click.pass_context
def command(context: click.Context, **given: Any) -> None:
    """List the sessions that wait, and those the ledger refused, each with its reason.

    \b
    bayledger bay spool
    bayledger bay spool retry 118       # the cause was mended: the part was created, say
    bayledger bay spool retry           # all that were refused
    bayledger bay spool retry 118 --car stoat-014       # the tag was typed wrong
    bayledger bay spool drop 118        # given up; its files may be sent again with what is right
    bayledger bay spool show 118        # the session as it lies here
    """
    context.obj = open_bay(given, Spoken())
    if context.invoked_subcommand is None:
        with in_words():
            show_list(context.obj.desk.spool)


def show_list(spool: Spool) -> None:
    """Every session in the spool."""
    waiting, refused, dropped = spool.waiting(), spool.refused(), spool.dropped()
    click.echo(
        f"{count(len(waiting), 'session')} not yet sent, {len(refused)} refused, {len(dropped)} given up."
    )
    for entry in waiting:
        click.echo(f"  {entry.sequence}: {about(spool, entry)}")
    for entry in refused:
        refusal = spool.why(entry)
        lines = (
            refusal_in_words(entry, refusal) if refusal else iter([f"Session {entry.sequence} was refused."])
        )
        for line in lines:
            click.echo(line)


def about(spool: Spool, entry: Entry) -> str:
    """A session in a few words."""
    document = json.loads(spool.body(entry))
    pulls = sum(len(setup["pulls"]) for setup in document["setups"])
    return f"{document['vehicle']}, {document['started_at']}, {count(pulls, 'pull')}"


@command.command("retry")
@click.argument("numbers", nargs=-1, type=int)
@click.option("--car", default=None, help="the car's right tag, where another was typed.")
@click.pass_obj
def retry(bay: Bay, numbers: tuple[int, ...], car: str | None) -> None:
    """Send refused sessions again: those with these NUMBERS (also given up ones), or all that were refused."""
    if car is not None and not numbers:
        raise click.UsageError("--car needs the number of the session whose car was typed wrong")
    spool, car = bay.desk.spool, bay.understood({"said_car": car}).get("car")
    with in_words():
        with bay.sender.holding():
            chosen = of_numbers(numbers, [*spool.refused(), *spool.dropped()]) if numbers else spool.refused()
            for entry in chosen:
                spool.retry(entry, car)
        sent = bay.sender.send_all(attempts=ONE_ATTEMPT)
        say_sent(sent, bay.desk)
    if sent.refused:
        raise click.exceptions.Exit(1)


@command.command("drop")
@click.argument("numbers", nargs=-1, type=int, required=True)
@click.pass_obj
def drop(bay: Bay, numbers: tuple[int, ...]) -> None:
    """Give sessions up: they are sent no more, stay in spool/dropped, and their files may be taken again."""
    spool = bay.desk.spool
    with in_words(), bay.sender.holding():
        for entry in of_numbers(numbers, [*spool.waiting(), *spool.refused()]):
            spool.drop(entry)
            files = bay.desk.forget_files(entry.id)
            again = f"; to be taken again: {', '.join(files)}" if files else ""
            click.echo(f"Session {entry.sequence} is given up and kept in {spool.folder / 'dropped'}{again}.")


@command.command("show")
@click.argument("number", type=int)
@click.pass_obj
def show(bay: Bay, number: int) -> None:
    """Print a session as it lies in the spool, as JSON."""
    spool = bay.desk.spool
    with in_words():
        (entry,) = of_numbers([number], [*spool.waiting(), *spool.refused(), *spool.dropped()])
        click.echo(json.dumps(json.loads(spool.body(entry)), indent=1, ensure_ascii=False))


def of_numbers(numbers: Sequence[int], entries: Sequence[Entry]) -> list[Entry]:
    """The sessions with these numbers. Raises CouldNotError where one is not there."""
    by_number = {entry.sequence: entry for entry in entries}
    missing = [str(number) for number in numbers if number not in by_number]
    if missing:
        there = ", ".join(str(number) for number in sorted(by_number)) or "none"
        raise CouldNotError(f"the spool holds no such session: {', '.join(missing)}; there: {there}.")
    return [by_number[number] for number in numbers]
