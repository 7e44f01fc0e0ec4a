"""`bayledger bay watch`: files as they come, sent as the line allows."""

from __future__ import annotations

import signal
import threading
from functools import partial
from pathlib import Path
from typing import Any

import click

from service.bay.clock import local_now
from service.bay.desk import Taken
from service.bay.names import Names
from service.bay.reading import fingerprint_of
from service.bay.watching import SETTLED_S, Folder, Watch, Watched
from service.cli import options
from service.cli.bay.common import (
    Bay,
    Spoken,
    folder_of,
    in_words,
    open_bay,
    remember,
    say_taken,
    warn_of_names,
    where,
)
from service.cli.show import count


def say(line: str, *, err: bool = False) -> None:
    """One line with the time of day: a watch runs for days."""
    click.echo(f"{local_now():%H:%M:%S} {line}", err=err)


class SpokenWatch(Watched):
    """Says at the terminal, or in the service's log, what happens to the files."""

    def __init__(self, bay: Bay) -> None:
        self._bay, self._names = bay, Names(bay.sender.address)

    def took(self, taken: Taken) -> None:
        """What became of a file, and names that the ledger does not know."""
        say_taken(taken, say)
        remember(self._bay, taken.work)
        warn_of_names(taken.work, self._names, say)

    def trouble(self, file: str, why: str) -> None:
        """Why a file is not taken."""
        say(f"Not taken: {why}" if file in why else f"Not taken: {file}: {why}", err=True)

    def closed_idle(self, number: int) -> None:
        """A session that nobody closed."""
        say(f"Session {number} is closed: nothing was measured for hours.")


@click.command("watch")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@where
@options.flag(
    "--settled", type=click.FloatRange(min=0.0), default=SETTLED_S, show_default=True,
    help="seconds for which a file must stand still to be complete.",
)  # fmt: skip
def command(folder: Path | None, settled: float, **given: Any) -> None:
    """Take new files of FOLDER (or `watch` of bay.toml) as they come, and send closed sessions, until Ctrl-C or SIGTERM.

    Files that lay there when the folder was first watched are left alone; send those with `bayledger bay send`. Whose
    pulls they are is what `send` or a sidecar said last; where nobody has said it, a file waits until somebody does. A
    file that cannot be read is said once, and taken when it changes or the mapping is mended.
    """
    bay = open_bay(given, Spoken(say))
    watched = folder_of(bay.settings, folder)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    with in_words():
        look = Folder(
            watched, bay.settings.pattern, bay.settings.folder / "watched",
            settled_s=settled, cut_short_s=bay.settings.cut_short_wait_s,
            mapping=partial(fingerprint_of, bay.settings.mapping),
        )  # fmt: skip
        alone = f"; {count(len(look.left_alone), 'file')} from before left alone" if look.left_alone else ""
        say(f"Watching {watched}{alone}.")
        Watch(look, bay.desk, bay.sender, bay.settings.units, SpokenWatch(bay)).run(stop)
    say("Stopped. What was taken and what waits is on the disk.")
