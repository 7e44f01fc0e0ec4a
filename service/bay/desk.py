"""The bay's desk: files come in, become the session in work, and leave as a closed session in the spool.

Every step is one file written whole, in an order in which the program may be killed anywhere: a file counts as taken as
soon as the session in work names it; a session is in the spool before it leaves the desk.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import filelock

from service.bay import growing, mending
from service.bay import work as working
from service.bay.clock import Clock, ahead_in_words, local_now
from service.bay.files import make_folder, remove, write_whole
from service.bay.handed import (
    Air,
    CannotTake,
    GrewTooLate,
    Missing,
    NotReadable,
    Reader,
    ReadPull,
    ReadTable,
    content_of,
)
from service.bay.known import NEEDED, Said, of, told_first
from service.bay.last_air import LastAir, SaidLast
from service.bay.mending import Mark
from service.bay.spool import Entry, Spool
from service.bay.taken import Gone
from service.bay.whole import cut_short_in_words
from service.bay.work import Known, Run, Work
from service.tables.records import AIR

LOCK_PATIENCE_S = 30.0
"""Another command of this bay holds the desk for milliseconds; longer than this is a fault (our choice)."""
IN_THE_LEDGER = "what was posted is put right in the ledger (page Car: amend or strike)"


@dataclass(frozen=True)
class Taken:
    """What became of a file. `before`: it had been taken already. `grew`: its pulls took the place of those that were
    taken while it was shorter. `remarks`: what somebody should see to. `closed`: the session that was closed for it, and why."""

    file: str
    work: Work | None
    pulls: int = 0
    before: bool = False
    left_out: Sequence[str] = ()
    closed: Entry | None = None
    why: str | None = None
    grew: bool = False
    remarks: Sequence[str] = ()


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
        self._work, self._number = folder / "work", folder / "number"
        for one in (folder, self._work):
            make_folder(one)
        self._gone = Gone(folder / "taken")
        self.spool, self._last_air = Spool(folder / "spool"), LastAir(folder)
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
            old = self._before_it_grew(work, file.name, content)
            now = self._clock()
            at = min(stamp, now)
            table = self._table(file, content, self._known(work, said, {}, now, at).all.get("pressure"))
            pulls = table.pulls
            known = [self._known(work, said, pull.said, now, at) for pull in pulls]
            missing = [name for name in NEEDED if any(name not in one.all for one in known)]
            if missing:
                raise Missing(missing, file.name)
            runs = [
                run_of(pull, one, file.name, digest, stamp, now, len(content))
                for pull, one in zip(pulls, known, strict=True)
            ]
            taken = Taken(
                file.name, work, len(runs), left_out=table.left_out, grew=old is not None,
                remarks=remarks_of(content, runs, stamp, now),
            )  # fmt: skip
            if work is not None and old is not None:
                if not anew and growing.stays(work, old, said):
                    return replace(taken, work=self._take_anew(work, old, runs, said, now))
                work = growing.without(work, old)
            work, closed, why = self._session_for(work, known[0], runs, now, anew=anew)
            work = working.with_runs(work, known[0], runs, now)
            self._keep(work)
            self._keep_air(said, (), datetime.fromisoformat(said.get("started_at", at.isoformat())))
            return replace(taken, work=work, closed=closed, why=why)

    def grew(self, file: str, content: bytes) -> bool:
        """Whether a file of the session in work was shorter when it was taken. Raises GrewTooLate."""
        with self._holding() as work:
            return self._before_it_grew(work, file, content) is not None

    def _before_it_grew(self, work: Work | None, file: str, content: bytes) -> str | None:
        """The hash of what the session in work has of this file while it was shorter. Raises GrewTooLate where that went
        with another, which is closed."""
        old = growing.before_it_grew(work, file, content)
        if old is None and (number := self._gone.before_it_grew(file, content)) is not None:
            raise GrewTooLate(
                f"{file} grew after it went with session {number}, which is closed: {IN_THE_LEDGER}. It is not taken as "
                "another pull; new pulls at its end go in a file of another name"
            )
        return old

    def _take_anew(self, work: Work, old: str, runs: Sequence[Run], said: Said, now: datetime) -> Work:
        """The pulls of a file that grew, in the place of those before: one file written whole."""
        name, grown = runs[0].file, growing.in_place(work, old, runs, said, now)
        if growing.is_too_large(grown, working.LARGEST_BODY):
            raise NotReadable(
                f"{name} grew to more than one post takes; close the session with `bayledger bay done`, and send its new "
                "pulls in a file of another name"
            )
        self._keep(grown)
        return grown

    def say(self, said: Said, *, forget: Collection[str] = (), anew: bool = False) -> Taken:
        """What holds for the files to come: the session in work is begun, or goes on, or is closed for the next.

        `forget`: what was said before and is taken back, in the state in work too, as long as nobody says it again.
        """
        forget = mending.with_what_goes_too(forget)
        if faults := mending.cannot_be_taken_back(forget, said):
            raise CannotTake("\n".join(faults))
        with self._holding() as work:
            if forget and work is None:
                raise CannotTake("no session is in work: nothing was said that could be taken back")
            now = self._clock()
            known = self._known(work, said, {}, now, now, forget)
            missing = [name for name in ("car", "parts") if name not in known.all]
            if missing:
                raise Missing(missing)
            work, closed, why = self._session_for(work, known, (), now, anew=anew)
            work = working.with_known(mending.taken_back(work, forget, self._defaults), known, now)
            self._keep(work)
            self._keep_air(said, forget, now)
            return Taken("", work, closed=closed, why=why)

    def mark(self, which: str, mark: Mark, *, session: str | None = None) -> int:
        """Mark a pull of the session in work anew: by its file's name, or its number, which is answered.

        `session`: the one that was shown to the person, where another may be in work since. Raises CannotTake.
        """
        with self._holding() as work:
            work, number = self._pull_of(work, which, session)
            self._keep(mending.marked(work, number, mark))
            return number

    def take_out(self, which: str, *, session: str | None = None) -> str:
        """Take a file back out of the session in work, as if it had never been sent: it may be sent again with other
        words. Answers its name. `which` and `session`: as for `mark`. Raises CannotTake."""
        with self._holding() as work:
            work, number = self._pull_of(work, which, session)
            run = work.runs[number - 1]
            self._keep(growing.without_content(work, run.sha256))
            return run.file

    def _pull_of(self, work: Work | None, which: str, session: str | None) -> tuple[Work, int]:
        """The session in work and the number of one of its pulls. Raises CannotTake."""
        if work is None:
            raise CannotTake(self._closed_with(which) or f"{which}: no session is in work; {IN_THE_LEDGER}")
        if session not in (None, work.id):
            raise CannotTake("another session is in work than the one shown; look it over, and press again")
        try:
            return work, mending.number_of(work, which)
        except ValueError as error:
            raise CannotTake(self._closed_with(which) or str(error)) from error

    def _closed_with(self, file: str) -> str | None:
        """In which closed session a file of this name went last, and what can be done there."""
        number = self._gone.last_with(Path(file).name)
        if number is None:
            return None
        return f"{Path(file).name} went with session {number}, which is closed: {IN_THE_LEDGER}"

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
            return self._gone.forget(id)

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
        except working.WrittenByNewer as error:
            raise CannotTake(
                f"{path} was written by a newer version of this program ({error}): use that one; nothing was changed"
            ) from error
        except (ValueError, KeyError, TypeError) as error:
            raise CannotTake(
                f"{path} cannot be read ({error}); move it away and send its files again: `bayledger bay send FILE...`"
            ) from error

    def _keep(self, work: Work) -> None:
        write_whole(self._work / "session.json", working.written(work))

    def _keep_air(self, said: Said, forgotten: Collection[str], at: datetime) -> None:
        """Remember what a person said of the air in this bay, or took back."""
        air = working.told(said, AIR)
        if air or not set(AIR).isdisjoint(forgotten):
            self._last_air.keep(air, forgotten, at)

    def air_said_last(self) -> SaidLast:
        """The air that somebody said last here, also in a session before: to be shown, and never used by itself."""
        return self._last_air.at(self._clock())

    def _is_taken(self, digest: str, work: Work | None) -> bool:
        return (work is not None and digest in {*work.files, *work.outgrown}) or digest in self._gone

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
                f"{file.name} holds {len(table.pulls)} pulls, and one setup at most {working.MOST_PULLS}: cut it in two"
            )
        return table

    def _known(
        self,
        work: Work | None,
        said: Said,
        in_file: Said,
        now: datetime,
        at: datetime,
        forget: Collection[str] = (),
    ) -> Known:
        """What is known of a pull: by the person, the file, what was said before, the weather, bay.toml.

        `at`: when it was, where nobody says: by the file's own time. `forget`: what is taken back, of all that was.
        """
        if work is not None and working.is_same_car(work, said, now):
            before, forgotten = working.still_known(work, said, now), {*work.forgotten, *forget}
        else:
            before, forgotten = {}, {*forget}
        before = {name: value for name, value in before.items() if name not in forget}
        defaults = {name: value for name, value in self._defaults.items() if name not in forgotten}
        begun = said.get("started_at", in_file.get("started_at"))
        at = at if begun is None else datetime.fromisoformat(begun)
        lasting = told_first(said, before)
        everything = told_first(said, in_file, before, self._air(at), defaults)
        return Known(everything, lasting, tuple(sorted(forgotten - lasting.keys())))

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
        self._gone.keep(work)
        if work.then is None:
            remove(self._work / "session.json")
        else:
            write_whole(self._work / "session.json", work.then.encode())


def remarks_of(content: bytes, runs: Sequence[Run], stamp: datetime, now: datetime) -> list[str]:
    """What somebody should see to of a file that is taken."""
    found = (ahead_in_words((run.began for run in runs), now), cut_short_in_words(content, stamp, now))
    return [words for words in found if words is not None]


def run_of(
    pull: ReadPull, known: Known, file: str, digest: str, stamp: datetime, now: datetime, size: int
) -> Run:
    """One pull as it is taken. When it began is what somebody or the file says; else, for the session only, the file's
    own time, which is when it ended, and never later than now."""
    document = working.pull_document(pull.channels, known.all)
    began: Any = known.all.get("started_at") or min(stamp, now).astimezone(now.tzinfo).isoformat()
    return Run(document, file, digest, str(began), size)
