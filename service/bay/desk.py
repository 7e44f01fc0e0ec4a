"""The bay's desk: files come in, become the session in work, and leave as a closed session in the spool.

Every step is one file written whole, in an order in which the program may be killed anywhere: a file counts as taken as
soon as the session in work names it; a session is in the spool before it leaves the desk.
"""

from __future__ import annotations

import hashlib
import json
import os
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import filelock

from service.bay import work as working
from service.bay.clock import Clock, local_now
from service.bay.files import make_folder, remove, write_whole
from service.bay.known import NEEDED, Said, of, told_first
from service.bay.spool import Entry, Spool
from service.bay.work import Known, Run, Work

LOCK_PATIENCE_S = 30.0
"""Another command of this bay holds the desk for milliseconds; longer than this is a fault (our choice)."""
LARGEST_FILE = 64 * 1024 * 1024
"""A pull of every channel at 100 Hz is a few MB; more is no table of one (our choice) [bytes]."""


class CannotTake(Exception):
    """A file was not taken; the words say why and the way out. Nothing has changed."""


class Missing(CannotTake):
    """Something is not known that no post can be without."""

    def __init__(self, names: Sequence[str], file: str = "") -> None:
        self.names, self.file = tuple(names), file
        super().__init__(f"{file or 'the next pull'}: {', '.join(names)} not known; nothing was taken")


class NotReadable(CannotTake):
    """Nothing in the file could be read as a pull."""


@dataclass(frozen=True)
class ReadPull:
    """One pull as it stands in a file: its channels in SI, what the file itself says, when it began if it says so."""

    channels: Mapping[str, Sequence[float]]
    said: Said


@dataclass(frozen=True)
class ReadTable:
    """All that a file gave: its pulls, and what was left out of it and why."""

    pulls: Sequence[ReadPull]
    left_out: Sequence[str] = ()


Reader = Callable[[bytes, float | None], ReadTable]
"""Makes pulls of a file's content; for manifold gauges it is told the station pressure [kPa], where that is known. Raises
ValueError with a sentence where it cannot."""
Air = Callable[[datetime], Said]
"""The air in the bay at a moment, as far as it is known."""


@dataclass(frozen=True)
class Taken:
    """What became of a file. `before`: it had been taken already. `closed`: the session that was closed for it, and why."""

    file: str
    work: Work | None
    pulls: int = 0
    before: bool = False
    left_out: Sequence[str] = ()
    closed: Entry | None = None
    why: str | None = None


class Desk:
    """A bay's folder. Everything that changes it holds its lock, so that several programs may use one desk."""

    def __init__(
        self,
        folder: Path,
        bay: str,
        reader: Reader,
        *,
        clock: Clock = local_now,
        air: Air = lambda _: {},
        defaults: Said | None = None,
    ) -> None:
        self.folder, self.bay, self._reader = folder, bay, reader
        self._clock, self._air, self._defaults = clock, air, defaults or {}
        self._work, self._taken, self._number = folder / "work", folder / "taken", folder / "number"
        for one in (folder, self._work, self._taken):
            make_folder(one)
        self.spool = Spool(folder / "spool")
        self._lock = filelock.FileLock(folder / "desk.lock", timeout=LOCK_PATIENCE_S)

    def work(self) -> Work | None:
        """The session in work."""
        with self._holding() as work:
            return work

    def take(self, file: Path, said: Said, *, anew: bool = False) -> Taken:
        """Take one file's pulls into the session in work, closing that first where they belong to another.

        Raises CannotTake, or OSError where the disk will not; then nothing of the file was taken.
        """
        content, stamp = content_of(file)
        digest = hashlib.sha256(content).hexdigest()
        with self._holding() as work:
            if self._is_taken(digest, work):
                return Taken(file.name, work, before=True)
            now = self._clock()
            at = min(stamp, now)
            table = self._table(file, content, self._known(work, said, {}, now, at).all.get("pressure"))
            pulls = table.pulls
            known = [self._known(work, said, pull.said, now, at) for pull in pulls]
            missing = [name for name in NEEDED if any(name not in one.all for one in known)]
            if missing:
                raise Missing(missing, file.name)
            runs = [
                run_of(pull, one, file.name, digest, stamp, now)
                for pull, one in zip(pulls, known, strict=True)
            ]
            work, closed, why = self._session_for(work, known[0], runs, now, anew=anew)
            work = working.with_runs(work, known[0], runs, now)
            self._keep(work)
            return Taken(file.name, work, len(runs), left_out=table.left_out, closed=closed, why=why)

    def say(self, said: Said, *, anew: bool = False) -> Taken:
        """What holds for the files to come: the session in work is begun, or goes on, or is closed for the next."""
        with self._holding() as work:
            now = self._clock()
            known = self._known(work, said, {}, now, now)
            missing = [name for name in ("car", "parts") if name not in known.all]
            if missing:
                raise Missing(missing)
            work, closed, why = self._session_for(work, known, (), now, anew=anew)
            work = working.with_known(work, known, now)
            self._keep(work)
            return Taken("", work, closed=closed, why=why)

    def close(self) -> Entry | None:
        """Close the session in work: it lies in the spool when this returns. None where nothing is in work."""
        with self._holding() as work:
            return self._close(work)

    def close_if_idle(self) -> Entry | None:
        """Close the session in work if nothing was measured for hours."""
        with self._holding() as work:
            if work is None or work.idle_since(self._clock()) < working.IDLE:
                return None
            return self._close(work)

    def is_taken(self, content: bytes) -> bool:
        """Whether a file of this content was taken before."""
        with self._holding() as work:
            return self._is_taken(hashlib.sha256(content).hexdigest(), work)

    def forget_files(self, id: str) -> list[str]:
        """Let the files of a session that was given up be taken again; answers their names."""
        with self._holding():
            names = []
            for path in self._taken.glob("*.json"):
                taken = json.loads(path.read_bytes())
                if taken["session"] == id:
                    remove(path)
                    names.append(str(taken["file"]))
            return sorted(names)

    @contextmanager
    def _holding(self) -> Iterator[Work | None]:
        """Hold the desk; what a killed program left half closed is closed first."""
        try:
            self._lock.acquire()
        except filelock.Timeout as error:
            raise CannotTake(
                f"another program of this bay has held {error.lock_file} for {LOCK_PATIENCE_S:.0f} s; end it, and do this again"
            ) from error
        try:
            work = self._read()
            if work is not None and work.closed:
                self._finish(work)
                work = self._read()
            yield work
        finally:
            self._lock.release()

    def _read(self) -> Work | None:
        path = self._work / "session.json"
        try:
            return working.read(path.read_bytes())
        except FileNotFoundError:
            return None
        except (ValueError, KeyError, TypeError) as error:
            raise CannotTake(
                f"{path} cannot be read ({error}); move it away and send its files again: `bayledger bay send FILE...`"
            ) from error

    def _keep(self, work: Work) -> None:
        write_whole(self._work / "session.json", working.written(work))

    def _is_taken(self, digest: str, work: Work | None) -> bool:
        return (work is not None and digest in work.files) or (self._taken / f"{digest}.json").exists()

    def _table(self, file: Path, content: bytes, pressure_kpa: float | None) -> ReadTable:
        try:
            table = self._reader(content, pressure_kpa)
        except CannotTake:
            raise
        except ValueError as error:
            raise NotReadable(f"{file.name}: {error}") from error
        except (
            Exception
        ) as error:  # whatever a strange file does to a reader, the next file must still be taken
            raise NotReadable(f"{file.name} cannot be read ({type(error).__name__}: {error})") from error
        if not table.pulls:
            raise NotReadable(f"{file.name}: there is no pull in it")
        if len(table.pulls) > working.MOST_PULLS:
            raise NotReadable(
                f"{file.name} holds {len(table.pulls)} pulls, and one state of a car at most {working.MOST_PULLS}: cut it in two"
            )
        return table

    def _known(self, work: Work | None, said: Said, in_file: Said, now: datetime, at: datetime) -> Known:
        """What is known of a pull: by the person, the file, what was said before, the weather, bay.toml.

        `at`: when it was, where nobody says: by the file's own time.
        """
        before = {} if work is None else working.still_known(work, said, now)
        begun = said.get("started_at", in_file.get("started_at"))
        at = at if begun is None else datetime.fromisoformat(begun)
        everything = told_first(said, in_file, before, self._air(at), self._defaults)
        return Known(everything, told_first(said, before))

    def _session_for(
        self, work: Work | None, known: Known, runs: Sequence[Run], now: datetime, *, anew: bool
    ) -> tuple[Work, Entry | None, str | None]:
        """The session that a pull belongs to; the one in work is closed where it is another."""
        if work is None:
            return self._begin(known, now), None, None
        more = sum(len(json.dumps(run.document)) for run in runs)
        size = more + len(working.written(work)) if work.states else 0
        why = working.why_another(work, known, now, anew=anew, pulls=len(runs), size=size)
        if why is None:
            return work, None, None
        if not work.states:  # nothing was measured in it: it is this one's
            return replace(work, car={}), None, None
        new = working.with_known(self._begin(known, now), known, now)
        return new, self._close(work, then=new), why

    def _begin(self, known: Known, now: datetime) -> Work:
        """A new session under the bay's next number. A number that is never used, because the program was killed, is
        no harm."""
        number = self._next_number()
        car = of(known.all, "car")
        return Work(str(uuid.uuid4()), self.bay, number, now.isoformat(), car)

    def _next_number(self) -> int:
        """One more than the last."""
        try:
            last = int(self._number.read_bytes())
        except FileNotFoundError:
            last = 0
        write_whole(self._number, str(last + 1).encode())
        return last + 1

    def _close(self, work: Work | None, then: Work | None = None) -> Entry | None:
        """Close a session; the one that takes its place stands on the disk in the same step, so that a kill in between
        forgets nothing of what was said."""
        if work is None:
            return None
        if not work.states:
            remove(self._work / "session.json")
            return None
        after = None if then is None else working.written(then).decode()
        work = replace(work, closed=True, then=after)
        self._keep(work)
        self._finish(work)
        return work.entry

    def _finish(self, work: Work) -> None:
        """From the desk to the spool. Each step may be done again: the same work is the same post."""
        self.spool.put(work.entry, working.body_of(work))
        for digest, name in work.files.items():
            mark = {"file": name, "session": work.id, "sequence": work.sequence}
            write_whole(self._taken / f"{digest}.json", json.dumps(mark, ensure_ascii=False).encode())
        if work.then is None:
            remove(self._work / "session.json")
        else:
            write_whole(self._work / "session.json", work.then.encode())


def content_of(file: Path) -> tuple[bytes, datetime]:
    """A file's content and its time. Raises CannotTake where it is too large, or still being written."""
    try:
        before = file.stat()
        if before.st_size > LARGEST_FILE:
            raise NotReadable(
                f"{file.name} has {before.st_size:,} bytes, more than {LARGEST_FILE:,}: no table of a pull is so large"
            )
        content = file.read_bytes()
        after = file.stat()
    except OSError as error:
        raise CannotTake(f"{file} cannot be read: {error.strerror or error}") from error
    if looks(before) != looks(after) or len(content) != after.st_size:
        raise CannotTake(f"{file.name} is still being written; send it again when it is complete")
    return content, datetime.fromtimestamp(after.st_mtime, UTC)


def looks(stat: os.stat_result) -> tuple[int, int]:
    """What changes while a file is written: its size and its time."""
    return stat.st_size, stat.st_mtime_ns


def run_of(pull: ReadPull, known: Known, file: str, digest: str, stamp: datetime, now: datetime) -> Run:
    """One pull as it is taken. When it began is what somebody or the file says; else, for the session only, the file's
    own time, which is when it ended, and never later than now."""
    document = working.pull_document(pull.channels, known.all)
    began: Any = known.all.get("started_at") or min(stamp, now).astimezone(now.tzinfo).isoformat()
    return Run(document, file, digest, str(began))
