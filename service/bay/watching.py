"""Watches a folder: takes what is new and complete, and sends what waits in between."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from fnmatch import fnmatch
from pathlib import Path

from service.bay.desk import Desk, Taken
from service.bay.files import make_folder, why, write_whole
from service.bay.handed import CannotTake, NotReadable, looks
from service.bay.sender import Sender
from service.bay.sidecar import ENDING, said_beside
from service.bay.whole import CUT_SHORT_S, looks_cut_short

LOOK_EVERY_S = 1.0
SETTLED_S = 2.0
"""A file whose size and time stood still for so long is complete (our choice)."""
NOT_DATA = (ENDING, ".tmp", ".part", ".partial", ".crdownload", "~")
Look = tuple[int, int]


class Folder:
    """Which files of a folder are new and complete. What lay there before it was ever watched is left alone.

    `settled_s`: for how long a file stands still to be complete [s]; `cut_short_s`: the same where its end looks cut off.
    `mapping`: tells one mapping from another. A file given up under one is offered again under the next.
    """

    def __init__(
        self,
        folder: Path,
        pattern: str,
        notes: Path,
        *,
        settled_s: float = SETTLED_S,
        cut_short_s: float = CUT_SHORT_S,
        now: Callable[[], float] = time.monotonic,
        mapping: Callable[[], str] = str,
    ) -> None:
        self.folder, self.pattern = folder, pattern
        self._settled_s, self._cut_short_s = settled_s, cut_short_s
        self._now, self.mapping = now, mapping
        self._cut_short: dict[str, tuple[Look, bool]] = {}
        self._seen: dict[str, tuple[Look, float]] = {}
        self._done: dict[str, Look] = {}
        self._given_up: dict[str, tuple[Look, str]] = {}
        self.left_alone = self._before_we_came(notes)

    def complete(self) -> Iterator[Path]:
        """One look: the files to take now, the oldest first."""
        found = self._files()
        for name in self._seen.keys() - found.keys():
            del self._seen[name]
            self._cut_short.pop(name, None)
        mapping = self.mapping() if self._given_up else ""
        for name, look in sorted(found.items(), key=lambda one: (one[1][1], one[0])):
            if (
                self._done.get(name) != look
                and self._given_up.get(name) != (look, mapping)
                and self.left_alone.get(name) != look
                and self._stands_still(name, look)
            ):
                yield self.folder / name

    def done(self, file: Path) -> None:
        """Leave this file alone until it changes."""
        seen = self._seen.get(file.name)
        if seen is not None:
            self._done[file.name] = seen[0]

    def undone(self, name: str) -> None:
        """Offer this file once more, as it is."""
        self._done.pop(name, None)

    def give_up(self, file: Path) -> None:
        """Leave this file alone until it changes, or the mapping does."""
        seen = self._seen.get(file.name)
        if seen is not None:
            self._given_up[file.name] = (seen[0], self.mapping())

    def _stands_still(self, name: str, look: Look) -> bool:
        """Whether a file has looked like this for long enough."""
        before, since = self._seen.get(name, (None, 0.0))
        if before != look:
            self._seen[name] = (look, self._now())
            since = self._now()
        stood = self._now() - since
        return stood >= self._settled_s and (stood >= self._cut_short_s or not self._is_cut_short(name, look))

    def _is_cut_short(self, name: str, look: Look) -> bool:
        """Whether a file looks as if more of it were to come; read once as long as it stands still."""
        known = self._cut_short.get(name)
        if known is None or known[0] != look:
            try:
                known = look, looks_cut_short((self.folder / name).read_bytes())
            except OSError:
                known = look, False  # why it cannot be read is said where it is taken
            self._cut_short[name] = known
        return known[1]

    def _files(self) -> dict[str, Look]:
        """The data files there are, and how they look."""
        found = {}
        for path in self.folder.iterdir():
            if path.name.startswith(".") or path.name.lower().endswith(NOT_DATA):
                continue
            try:
                if fnmatch(path.name, self.pattern) and path.is_file():
                    found[path.name] = looks(path.stat())
            except OSError:
                continue  # gone, or held by the program that writes it: the next look sees
        return found

    def _before_we_came(self, notes: Path) -> dict[str, Look]:
        """What lay in the folder when it was first watched: old records, which belong to no car strapped down now."""
        make_folder(notes)
        key = hashlib.sha256(str(self.folder.resolve()).encode()).hexdigest()[:16]
        note = notes / f"{key}.json"
        if note.exists():
            kept = json.loads(note.read_bytes())
            return {name: (size, time_ns) for name, (size, time_ns) in kept.items()}
        files = self._files()
        write_whole(note, json.dumps(files).encode())
        return files


class Watched:
    """What a watch tells while it works."""

    def took(self, taken: Taken) -> None:
        """A file was taken, or a session closed for another."""

    def trouble(self, file: str, why: str) -> None:
        """A file cannot be taken as it is, or the disk will not; said once until it changes."""

    def closed_idle(self, number: int) -> None:
        """The session in work was closed, nothing having been measured for hours."""


class Watch:
    """One bay's folder, desk and sender, until told to stop."""

    def __init__(self, folder: Folder, desk: Desk, sender: Sender, units: str, told: Watched) -> None:
        self.folder, self.desk, self.sender, self.units, self.told = folder, desk, sender, units, told
        self._said: dict[str, str] = {}
        self._wake = threading.Event()
        self._failed: Exception | None = None

    def run(self, stop: threading.Event, every_s: float = LOOK_EVERY_S) -> None:
        """Look, take, send, until told to stop. What is being sent then is safe in the spool.

        A fault of ours in the sending ends it too: a watch that takes and never sends would look well.
        """
        sending = threading.Thread(target=self._keep_sending, args=(stop, every_s), daemon=True)
        sending.start()
        while not stop.is_set():
            self.look()
            self._wake.set()
            stop.wait(every_s)
        self._wake.set()
        sending.join(timeout=1.0)
        if self._failed is not None:
            raise self._failed

    def look(self) -> None:
        """Take what is complete; close what lies idle."""
        try:
            for file in list(self.folder.complete()):
                self._take(file)
            closed = self.desk.close_if_idle()
        except OSError as error:
            self._say_trouble(str(self.folder.folder), why(error))
            return
        self._said.pop(str(self.folder.folder), None)
        if closed is not None:
            self.told.closed_idle(closed.sequence)

    def _take(self, file: Path) -> None:
        try:
            taken = self.desk.take(file, said_beside(file, self.units))
        except NotReadable as error:
            self._say_trouble(file.name, str(error))
            self.folder.give_up(file)
        except CannotTake as error:
            self._say_trouble(file.name, str(error))
        else:
            self._said.pop(file.name, None)
            self.folder.done(file)
            if not taken.before:
                self.told.took(taken)

    def _keep_sending(self, stop: threading.Event, every_s: float) -> None:
        while not stop.is_set():
            try:
                self.sender.send_all(stop)
            except OSError as error:
                self._say_trouble(str(self.sender.spool.folder), why(error))
                stop.wait(every_s)
            except Exception as error:
                self._failed = error
                stop.set()
            self._wake.wait()
            self._wake.clear()

    def _say_trouble(self, about: str, why: str) -> None:
        """Once, until it is another trouble."""
        if self._said.get(about) != why:
            self._said[about] = why
            self.told.trouble(about, why)
