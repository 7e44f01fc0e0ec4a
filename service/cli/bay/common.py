"""What the commands of a bay share: its settings and parts, their flags, and the words for what happened."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from service.bay.clock import local_now, span
from service.bay.desk import Desk, Taken
from service.bay.files import why
from service.bay.handed import CannotTake
from service.bay.known import KEYS, NotUnderstood, Said, understood
from service.bay.names import Names
from service.bay.outcome import doubtful_of, setups_in_words
from service.bay.page.memory import Memory
from service.bay.sender import Address, Sender, Sent, Told
from service.bay.settings import VARIABLES, BayNotSet, BaySettings, read_settings
from service.bay.spool import Entry, Refusal
from service.bay.weather import air_by, defaults_of, not_said_again, standing, weather_by
from service.bay.wire import NotNow
from service.bay.work import Work
from service.cli.errors import CouldNotError
from service.cli.show import count
from service.domain.units import from_si, symbol

F = TypeVar("F", bound=Callable[..., Any])
Say = Callable[..., None]
"""Says one line, with `err=True` what somebody should see to."""
MOST_REVIEWS = 1
"""That of the car which comes off; those that waited are of cars gone long ago (our choice)."""
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

    try:
        settings = read_settings({name: given.get(name) for name in MEANINGS})
        air = air_by(settings)
    except BayNotSet as error:
        raise click.UsageError(str(error)) from error
    reader = reader_by(settings.mapping, settings.machine_clock_ahead_s)
    desk = Desk(settings.folder, settings.bay, reader, air=air, defaults=defaults_of(settings))
    return Bay(
        settings,
        desk,
        Sender(desk.spool, Address(settings.url, settings.token, settings.authority), told=told),
    )


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
    """Says at the terminal what became of each session."""

    def __init__(self, say: Say = click.echo) -> None:
        self._say = say

    def kept(self, entry: Entry, document: Mapping[str, Any], replayed: bool) -> None:
        """One line; what was doubted below it."""
        before = "was kept before; nothing was doubled" if replayed else "kept"
        self._say(f"Session {entry.sequence} of {document.get('vehicle')}: {before}.")
        for words in doubtful_of(document):
            self._say(f"  doubtful: {words}")

    def refused(self, entry: Entry, refusal: Refusal) -> None:
        """The reason, every fault, and the way out."""
        for line in refusal_in_words(entry, refusal):
            self._say(line, err=True)

    def waits(self, why: str, seconds: float) -> None:
        """Why it is not through yet; a wait that is over before it is read is not announced."""
        if seconds < 1.0:
            return
        self._say(f"Not yet: {why}. Trying again in {seconds:.0f} s.", err=True)


def refusal_in_words(entry: Entry, refusal: Refusal) -> Iterator[str]:
    """Lines for a refused session."""
    yield f"Session {entry.sequence} was refused and lies in the spool: {refusal.detail} ({refusal.status})."
    for fault in refusal.faults:
        yield f"  {fault}"
    number = entry.sequence
    yield (
        f"  Mend the cause, then `bayledger bay spool retry {number}`, with `--car TAG` where the tag was wrong, "
        f"`--part WRONG=RIGHT` where a part was; or `bayledger bay spool drop {number}`, and send its files again with what is right."
    )


def say_taken(taken: Taken, say: Say = click.echo) -> None:
    """What became of a file."""
    if taken.closed is not None:
        say(f"Session {taken.closed.sequence} is closed: {taken.why}.")
    if taken.before:
        say(f"{taken.file} was taken before; it is left out.")
        return
    work = taken.work
    if work is None:
        return
    numbers = (n for n, one in enumerate(work.states, 1) for run in one.runs if run.file == taken.file)
    n = max(numbers, default=0)
    fitted = parts_in_words(work.states[n - 1].said if n else work.remembered)
    grew = (
        f"grew: {'its pull was' if taken.pulls == 1 else 'its pulls were'} taken anew, " if taken.grew else ""
    )
    say(
        f"{taken.file}{' ' if grew else ': '}{grew}{count(taken.pulls, 'pull')} into session {work.sequence} of "
        f"{work.car.get('car')}, setup {n} ({fitted})."
    )
    for remark in taken.remarks:
        say(f"  careful: {remark}", err=True)
    for left_out in taken.left_out[:3]:
        say(f"  left out: {left_out}", err=True)
    if len(taken.left_out) > 3:
        say(f"  and {len(taken.left_out) - 3} more lines left out", err=True)


def warn_of_names(work: Work | None, names: Names, say: Say = click.echo) -> None:
    """A tag or part typed wrong is cheapest to put right now; a ledger that is away says nothing."""
    said = [] if work is None else [work.car | work.remembered, *(state.said for state in work.states)]
    for words in [words for one in said for words in names.unknown(one)]:
        say(
            f"Careful: {words}. Taken all the same; unless the ledger knows it by then, the session will be refused.",
            err=True,
        )


def figure_in_words(name: str, value: float, units: str) -> tuple[str, str]:
    """A figure of the air as it is typed in the bay's units, and the unit behind it."""
    quantity = KEYS[name].quantity
    if quantity is None:
        return f"{value:g}", ""
    return f"{from_si(value, quantity, units):.4g}", f" {symbol(quantity, units)}"


def say_last_air(bay: Bay) -> None:
    """The air that was said last here, where the next pull would have none: to be looked at, never used by itself."""
    work, now = bay.desk.work(), local_now()
    weather = standing(bay.settings, weather_by(bay.settings)(now), work)
    last = not_said_again(bay.desk.air_said_last(), work, weather)
    if not last:
        return
    shown, flags = [], []
    for name, one in last.items():
        figure, unit = figure_in_words(name, one.value, bay.settings.units)
        age = span(max(0.0, (now - one.at).total_seconds()))
        shown.append(f"{name.replace('_', ' ')} {figure}{unit} ({age} ago)")
        flags.append(f"--{name.replace('_', '-')} {figure}")
    click.echo(
        f"Air said last in this bay, and not used: {', '.join(shown)}. Where it still holds, say it: {' '.join(flags)}"
    )


def parts_in_words(said: Said) -> str:
    """What is fitted."""
    names = [one if isinstance(one, str) else f"{one['part']}:{one['slot']}" for one in said.get("parts", [])]
    return ", ".join(names) if names else "nothing fitted"


def remember(bay: Bay, work: Work | None) -> None:
    """What the bay's page offers for the car next time."""
    if work is not None:
        Memory(bay.settings.folder / "page").keep(work)


def say_reviews(bay: Bay, sent: Sent) -> None:
    """What each setup of the sessions now kept read, and what may be repeated while the car still stands there."""
    for entry in sent.kept[-MOST_REVIEWS:]:
        for sentence in setups_in_words(bay.sender.address, entry.id, bay.settings.units):
            click.echo(f"  {sentence}")


def say_sent(sent: Sent, desk: Desk) -> None:
    """What still waits and why, and a clock that is off."""
    waiting = len(desk.spool.waiting())
    if waiting:
        why = f": {sent.why_not}" if sent.why_not else ""
        click.echo(f"{count(waiting, 'session')} not yet sent{why}. On disk, and nothing is lost.", err=True)
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
