"""`bayledger bay send`: files of pulls into the session in work."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from service.bay.desk import Taken
from service.bay.handed import Missing
from service.bay.known import KEYS, NotUnderstood, Said, told_first, understood
from service.bay.names import Names
from service.bay.sidecar import said_beside
from service.bay.weather import taken_back_in_words
from service.cli import options
from service.cli.bay.common import (
    Bay,
    Spoken,
    in_words,
    open_bay,
    remember,
    said,
    say_last_air,
    say_reviews,
    say_sent,
    say_taken,
    warn_of_names,
    where,
)

ONE_ATTEMPT = 1
QUESTIONS = {
    "car": "Which car is strapped down (its tag)",
    "parts": "What is fitted and not stock (slugs with commas, or none)",
    "basis": "Are the figures as measured (observed), or corrected (such as sae-j1349:1.02)",
}


@click.command("send")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path, dir_okay=False, exists=True))
@where
@said
@options.flag(
    "--forget",
    "forget",
    multiple=True,
    metavar="NAME",
    help="take back what was said before, as --forget gear: not recorded until it is said again.",
)
@options.flag("--strapped-anew", is_flag=True, help="the car was taken off and strapped down again.")
@options.flag("--done", is_flag=True, help="and close the session, as `bayledger bay done` does.")
def command(
    files: tuple[Path, ...], forget: tuple[str, ...], strapped_anew: bool, done: bool, **given: Any
) -> None:
    """Take FILES, the oldest first, into the session in work: one car strapped down once.

    What is said of the car, its parts and the air holds for the files that follow, until it is said otherwise. A file's
    sidecar (FILE.toml, the same keys with _ for -) counts before the flags, the flags before what the file says, that
    before what was said before. The same car otherwise fitted begins another setup; another car, gear or tyre, or four
    hours without a pull, closes the session and begins another. Nothing is sent before the session is closed.

    Without FILES the flags are kept for the files to come, and what waits in the spool is sent.

    Air is forgotten with its session. What was said in the last two hours is shown with its age where the next pull would
    have none, and never used until it is said again.

    What was said wrongly is taken back with --forget: from the session, from the setup in work and its pulls. Neither
    [defaults] nor fixed [weather] stand in for it; a weather file and the files themselves are instruments, and do.

    \b
    bayledger bay send pull1.csv pull2.csv --car stoat-014 --parts none --stock-checked verified
    bayledger bay send pull3.csv --parts wide-pipe --coolant 88
    bayledger bay send warm-up.csv --status settling
    bayledger bay send --forget gear --forget temperature
    bayledger bay done
    """
    bay = open_bay(given, Spoken())
    flags = bay.understood(given)
    with in_words():
        if forget:
            take_back(bay, forget, flags)
        take_all(bay, files, flags, anew=strapped_anew)
        remember(bay, bay.desk.work())
        warn_of_names(bay.desk.work(), Names(bay.sender.address))
        if files or flags:
            say_last_air(bay)
        if done:
            bay.desk.close()
        sent = bay.sender.send_all(attempts=ONE_ATTEMPT)
        if done:
            say_reviews(bay, sent)
        say_sent(sent, bay.desk)
    if sent.refused:
        raise click.exceptions.Exit(1)


def take_back(bay: Bay, names: tuple[str, ...], flags: Said) -> None:
    """What was said before, and is not so."""
    forget = [name.replace("-", "_") for name in names]
    if both := sorted(flags.keys() & set(forget)):
        raise click.UsageError(f"{both[0]} is both said and taken back; do one of the two")
    bay.desk.say({}, forget=forget)
    click.echo(taken_back_in_words(bay.settings, {name: name.replace("_", " ") for name in forget}))


def take_all(bay: Bay, files: tuple[Path, ...], flags: Said, *, anew: bool) -> None:
    """Each file, or only what holds for the files to come."""
    if not files and flags:
        taken = asking(lambda more: bay.desk.say(flags | more, anew=anew), bay)
        if taken.closed is not None:
            click.echo(f"Session {taken.closed.sequence} is closed: {taken.why}.")
        click.echo("Kept for the files to come.")
    for file in sorted(files, key=lambda one: one.stat().st_mtime_ns):
        beside = said_beside(file, bay.settings.units)

        def take(more: Said, file: Path = file, beside: Said = beside, anew: bool = anew) -> Taken:
            return bay.desk.take(file, told_first(beside, flags, more), anew=anew)

        taken = asking(take, bay)
        say_taken(taken)
        anew = anew and taken.before


def asking(take: Any, bay: Bay) -> Taken:
    """Take, and ask a person at a terminal for what cannot be known; elsewhere that is wrong use."""
    more: Said = {}
    while True:
        try:
            taken: Taken = take(more)
            return taken
        except Missing as missing:
            if not sys.stdin.isatty():
                flags = ", ".join(f"--{name.replace('_', '-')}" for name in missing.names)
                beside = f" (or in a sidecar, {missing.file}.toml)" if missing.file else ""
                raise click.UsageError(
                    f"{missing.file or 'the next pull'}: not known, and nothing was taken: {flags}{beside}"
                ) from missing
            more |= {name: asked(name, bay.settings.units) for name in missing.names}


def asked(name: str, units: str) -> Any:
    """A person's answer, asked for again until it can be understood."""
    while True:
        answer = click.prompt(QUESTIONS.get(name, KEYS[name].meaning))
        try:
            return understood({name: answer}, "answer", units)[name]
        except NotUnderstood as error:
            click.echo(str(error), err=True)
