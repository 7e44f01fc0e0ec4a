"""`bayledger bay spool`: what waits to be sent, what was refused and why, and what to do about it."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import click

from service.bay.known import SLUG
from service.bay.spool import Entry, Spool, parts_of
from service.cli.bay.common import (
    MEANINGS,
    Bay,
    Spoken,
    in_words,
    open_bay,
    refusal_in_words,
    say_sent,
    where,
)
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
    bayledger bay spool retry 118 --part wide-pip=wide-pipe       # so was a part
    bayledger bay spool drop 118        # given up; its files may be sent again with what is right
    bayledger bay spool show 118        # the session as it lies here
    """
    context.obj = given
    if context.invoked_subcommand is None:
        bay = open_bay(given, Spoken())
        with in_words():
            show_list(bay.desk.spool)


def with_bay(function: Callable[..., None]) -> Callable[..., None]:
    """Which bay: by the flags behind the subcommand, else by those before it."""

    @where
    @click.pass_obj
    @functools.wraps(function)
    def run(before: Mapping[str, Any], **given: Any) -> None:
        said = {name: given.pop(name) for name in MEANINGS}
        after = {name: value for name, value in said.items() if value is not None}
        function(open_bay({**before, **after}, Spoken()), **given)

    return run


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
@click.option(
    "--part",
    "parts",
    multiple=True,
    metavar="WRONG=RIGHT",
    help="a part's right name, where another was typed.",
)
@with_bay
def retry(bay: Bay, numbers: tuple[int, ...], car: str | None, parts: tuple[str, ...]) -> None:
    """Send refused sessions again: those with these NUMBERS (also given up ones), or all that were refused."""
    for flag in [name for name, given in (("--car", car), ("--part", parts)) if given and not numbers]:
        raise click.UsageError(f"{flag} needs the number of the session in which that was typed wrong")
    spool, car, names = bay.desk.spool, bay.understood({"said_car": car}).get("car"), names_by(parts)
    with in_words():
        with bay.sender.holding():
            chosen = of_numbers(numbers, [*spool.refused(), *spool.dropped()]) if numbers else spool.refused()
            refuse_names(spool, chosen, names)
            for entry in chosen:
                spool.retry(entry, car, names)
        sent = bay.sender.send_all(attempts=ONE_ATTEMPT)
        say_sent(sent, bay.desk)
    if sent.refused:
        raise click.exceptions.Exit(1)


def names_by(given: Sequence[str]) -> dict[str, str]:
    """The right names of parts by the wrong ones. What is no such pair is wrong use."""
    names = {}
    for one in given:
        wrong, equals, right = one.partition("=")
        if not (equals and SLUG.fullmatch(wrong) and SLUG.fullmatch(right)):
            raise click.UsageError(
                f"--part {one}: give the wrong name and the right one, as wide-pip=wide-pipe"
            )
        names[wrong] = right
    return names


def refuse_names(spool: Spool, chosen: Sequence[Entry], names: Mapping[str, str]) -> None:
    """A wrong name that stands nowhere in these sessions was mistyped too. Raises CouldNotError."""
    there = {name for entry in chosen for name in parts_of(spool.body(entry))}
    for name in names.keys() - there:
        raise CouldNotError(
            f"--part {name}: no such part in these sessions; there: {', '.join(sorted(there)) or 'none'}."
        )


@command.command("drop")
@click.argument("numbers", nargs=-1, type=int, required=True)
@with_bay
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
@with_bay
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
