"""What the commands of a bay share: its settings and parts, their flags, and the words for what happened."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from service.bay.desk import CannotTake, Desk, Taken
from service.bay.files import why
from service.bay.known import KEYS, NotUnderstood, Said, understood
from service.bay.sender import Address, Sender, Sent, Told
from service.bay.settings import VARIABLES, BayNotSet, BaySettings, read_settings
from service.bay.spool import Entry, Refusal
from service.bay.wire import NotNow
from service.cli.errors import CouldNotError
from service.cli.show import count

F = TypeVar("F", bound=Callable[..., Any])
MEANINGS = {
    "bay_dir": "folder of this bay's settings, session in work and spool; default ~/.bayledger-bay",
    "url": "address of the ledger, instead of bay.toml's",
    "token": "token of scope post, instead of bay.toml's",
    "bay": "this bay's slug, instead of bay.toml's",
}


def where(function: F) -> F:
    """--bay-dir, --url, --token, --bay: which bay, and which ledger."""
    for name in reversed(list(MEANINGS)):
        long, text = f"--{name.replace('_', '-')}", f"{MEANINGS[name]}. [{VARIABLES[name]}]"
        function = click.option(long, name, default=None, help=text, allow_from_autoenv=False)(function)
    return function


def said(function: F) -> F:
    """A flag for each thing that can be said of a pull."""
    for name, key in reversed(list(KEYS.items())):
        long = "--" + name.replace("_", "-")
        function = click.option(
            long, f"said_{name}", default=None, help=f"{key.meaning}.", allow_from_autoenv=False
        )(function)
    return function


@dataclass(frozen=True)
class Bay:
    """A bay's settings, desk and sender."""

    settings: BaySettings
    desk: Desk
    sender: Sender

    def understood(self, given: Mapping[str, Any]) -> Said:
        """What the flags of `said` say. Bad ones are wrong use."""
        prefix = "said_"
        flags = {name.removeprefix(prefix): value for name, value in given.items() if name.startswith(prefix)}
        try:
            return understood(flags, "flags", self.settings.units)
        except NotUnderstood as error:
            raise click.UsageError(str(error)) from error


def open_bay(given: Mapping[str, Any], told: Told | None = None) -> Bay:
    """The bay that the flags of `where` name. What is not set is wrong use."""
    from service.bay.reading import reader_by
    from service.bay.weather import air_by

    try:
        settings = read_settings({name: given.get(name) for name in MEANINGS})
        air = air_by(settings)
    except BayNotSet as error:
        raise click.UsageError(str(error)) from error
    desk = Desk(
        settings.folder, settings.bay, reader_by(settings.mapping), air=air, defaults=settings.defaults
    )
    return Bay(settings, desk, Sender(desk.spool, Address(settings.url, settings.token), told=told))


@contextmanager
def in_words() -> Iterator[None]:
    """What the desk, the disk or the line cannot do becomes one sentence and exit code 1."""
    try:
        yield
    except (CannotTake, NotNow) as error:
        raise CouldNotError(str(error)) from error
    except OSError as error:
        raise CouldNotError(f"{why(error)}, and do this again.") from error


class Spoken(Told):
    """Says at the terminal what became of each session; `answers` keeps the last few for a review."""

    def kept(self, entry: Entry, document: Mapping[str, Any], replayed: bool) -> None:
        """One line; what was doubted below it."""
        before = "was kept before; nothing was doubled" if replayed else "kept"
        click.echo(f"Session {entry.sequence} of {document.get('vehicle')}: {before}.")
        for check in document.get("checks") or []:
            if check.get("level") == "doubtful":
                click.echo(f"  doubtful: {check.get('message')} ({check.get('pointer')})")

    def refused(self, entry: Entry, refusal: Refusal) -> None:
        """The reason, every fault, and the way out."""
        for line in refusal_in_words(entry, refusal):
            click.echo(line, err=True)

    def waits(self, why: str, seconds: float) -> None:
        """Why it is not through yet."""
        click.echo(f"Not yet: {why}. Trying again in {seconds:.0f} s.", err=True)


def refusal_in_words(entry: Entry, refusal: Refusal) -> Iterator[str]:
    """Lines for a refused session."""
    yield f"Session {entry.sequence} was refused and lies in the spool: {refusal.detail} ({refusal.status})."
    for fault in refusal.faults:
        yield f"  {fault}"
    number = entry.sequence
    yield (
        f"  Mend the cause, then `bayledger bay spool retry {number}`, with `--car TAG` where the tag was wrong; or "
        f"`bayledger bay spool drop {number}`, and send its files again with what is right."
    )


def say_taken(taken: Taken) -> None:
    """What became of a file."""
    if taken.closed is not None:
        click.echo(f"Session {taken.closed.sequence} is closed: {taken.why}.")
    if taken.before:
        click.echo(f"{taken.file} was taken before; it is left out.")
        return
    work = taken.work
    if work is None:
        return
    state = f"state {len(work.states)}" if work.states else "no pull yet"
    click.echo(
        f"{taken.file}: {count(taken.pulls, 'pull')} into session {work.sequence} of {work.car.get('car')}, {state} "
        f"({parts_in_words(work.remembered if not work.states else work.states[-1].said)})."
    )
    for left_out in taken.left_out[:3]:
        click.echo(f"  left out: {left_out}")
    if len(taken.left_out) > 3:
        click.echo(f"  and {len(taken.left_out) - 3} more lines left out")


def parts_in_words(said: Said) -> str:
    """What is fitted."""
    names = [one if isinstance(one, str) else f"{one['part']}:{one['slot']}" for one in said.get("parts", [])]
    return ", ".join(names) if names else "nothing fitted"


def say_sent(sent: Sent, desk: Desk) -> None:
    """What still waits and why, and a clock that is off."""
    waiting = len(desk.spool.waiting())
    if waiting:
        why = f": {sent.why_not}" if sent.why_not else ""
        click.echo(f"{count(waiting, 'session')} not yet sent{why}. On disk, and nothing is lost.")
    if sent.skew is not None and sent.skew.is_off:
        click.echo(sent.skew.in_words(), err=True)


def folder_of(settings: BaySettings, given: Path | None) -> Path:
    """The folder to watch."""
    folder = given or settings.watch
    if folder is None:
        raise click.UsageError("which folder? Give it, or set `watch` in bay.toml.")
    if not folder.is_dir():
        raise CouldNotError(f"{folder} is no folder; look at `watch` in bay.toml.")
    return folder
