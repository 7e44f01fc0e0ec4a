"""A folder of backups: what counts as one, how it is written, and which may go.

A backup is four files of one name: the dump (pg_dump's custom format), its manifest (.json), the sums of both (.sha256, as
`sha256sum -c` reads them), and, once it was put back and compared, the proof (.verified). The sums are written last: without
them nothing counts. All are readable by their owner only.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import pwd
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from filelock import FileLock, Timeout

from service.keeping.errors import KeepingError
from service.keeping.manifest import Manifest, read_manifest

NAME: Final = re.compile(r"ledger-\d{8}T\d{6}Z(-\d+)?\.dump")
UNFINISHED: Final = re.compile(r"\.ledger-\d{8}T\d{6}Z(-\d+)?\.(dump|json|sha256|verified)\.part")
LOCK: Final = ".bayledger.lock"
BESIDE: Final = (".json", ".sha256", ".verified")
SUM: Final = re.compile(r"([0-9a-f]{64})  \S+(\.dump|\.json)")
PRIVATE: Final = 0o600
FULL: Final = (errno.ENOSPC, errno.EDQUOT)
OTHER_FOLDER: Final = "name another folder with --to"
TOGETHER: Final = "The .dump, .json and .sha256 of a backup belong together: copy all of them"


@dataclass(frozen=True, slots=True)
class Backup:
    """One that counts."""

    dump: Path
    manifest: Manifest

    @property
    def proof(self) -> Path:
        """What says that it was put back once and found whole."""
        return self.dump.with_suffix(".verified")

    @property
    def is_proved(self) -> bool:
        """Whether these very files were found whole."""
        try:
            proved = json.loads(self.proof.read_text(encoding="utf-8"))
            return bool(proved["sha256"] == _sums(self.dump)[".dump"])
        except (OSError, ValueError, KeyError, TypeError, KeepingError):
            return False

    @property
    def size(self) -> int:
        """Of the dump [bytes]."""
        return self.dump.stat().st_size


def open_backup(dump: Path) -> Backup:
    """A backup by its dump. Raises KeepingError where it is not all there."""
    beside = [dump.with_suffix(end) for end in (".json", ".sha256")]
    missing = [one.name for one in (dump, *beside) if not one.is_file()]
    if dump.suffix != ".dump" or missing:
        raise KeepingError(f"{dump} is no whole backup: {', '.join(missing) or dump.name}. {TOGETHER}")
    manifest = beside[0]
    if _sum_of(manifest) != _sums(dump)[".json"]:
        raise KeepingError(f"{manifest} is not what was written (its SHA-256 differs); take another copy")
    return Backup(dump, read_manifest(manifest.read_text(encoding="utf-8"), manifest.name))


def check_dump(backup: Backup) -> None:
    """Hold the dump against its sum. Raises KeepingError where a byte of it is another."""
    if _sum_of(backup.dump) != _sums(backup.dump)[".dump"]:
        raise KeepingError(
            f"{backup.dump} is not what was written (its SHA-256 differs): it is damaged. Take another copy, or an older one"
        )


def backups_in(folder: Path) -> tuple[list[Backup], list[str]]:
    """Those that count, the oldest first, and what is wrong with others of such a name."""
    found, wrong = [], []
    for path in sorted(folder.iterdir()):
        if NAME.fullmatch(path.name) and path.with_suffix(".sha256").is_file():
            try:
                found.append(open_backup(path))
            except KeepingError as error:
                wrong.append(str(error))
    return sorted(found, key=lambda one: one.manifest.taken_at), wrong


@contextmanager
def the_only_one(folder: Path) -> Iterator[None]:
    """The folder, made when missing and cleared of what others left unfinished; nobody else writes to it meanwhile."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with FileLock(folder / LOCK, timeout=0, mode=PRIVATE):
            for path in folder.iterdir():
                if UNFINISHED.fullmatch(path.name):
                    path.unlink()
            yield
    except Timeout:
        raise KeepingError(f"another backup into {folder} is under way; wait for its end") from None
    except OSError as error:
        raise KeepingError(f"{folder} cannot be written: {_why_not_written(folder, error)}") from error


def _why_not_written(folder: Path, error: OSError) -> str:
    """What the system said, and the way out."""
    if error.errno in FULL:
        return f"{error.strerror}. Free some room, or {OTHER_FOLDER}"
    if not isinstance(error, PermissionError):
        return f"{error.strerror}. {OTHER_FOLDER.capitalize()}"
    me = user_of(os.geteuid())
    if not folder.exists():
        return f"{error.strerror}. Make it (install -d -o {me} -m 700 {folder}), or {OTHER_FOLDER}"
    there = Path(error.filename) if error.filename and os.path.exists(error.filename) else folder
    return (
        f"{error.strerror}, for this runs as {me}, and {there} is {user_of(there.stat().st_uid)}'s. Where a disk belongs there, "
        f"mount it first; else give it over (chown -R {me} {folder}), or {OTHER_FOLDER}"
    )


def user_of(number: int) -> str:
    """A user's name; in a container there may be none, and the number will do."""
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


def keep(folder: Path, manifest: Manifest, write_dump: Callable[[Path], None]) -> Backup:
    """Write a backup; it counts once it is whole and on the disk. The caller holds the folder."""
    dump = _free_name(folder, manifest.taken_at)
    part = _part(dump)
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE))
        write_dump(part)
        _to_disk(part)
        sums = {dump.name: _sum_of(part)}
        part.replace(dump)
        note = dump.with_suffix(".json")
        write_whole(note, manifest.text())
        sums[note.name] = _sum_of(note)
        write_whole(
            dump.with_suffix(".sha256"), "".join(f"{digest}  {name}\n" for name, digest in sums.items())
        )
    except BaseException:
        for path in (part, dump, dump.with_suffix(".json"), _part(dump.with_suffix(".json"))):
            path.unlink(missing_ok=True)
        raise
    return Backup(dump, manifest)


def note_proof(backup: Backup, said: Mapping[str, Any]) -> None:
    """Write down that it was put back and found whole."""
    proof = {"sha256": _sums(backup.dump)[".dump"], **said}
    write_whole(backup.proof, json.dumps(proof, indent=2) + "\n")


@dataclass(frozen=True, slots=True)
class Rule:
    """Which backups stay: the newest `count`, and those of the last `days`; None: that says nothing."""

    count: int | None
    days: int | None

    def lets_go(self, taken: Sequence[tuple[datetime, bool]], now: datetime) -> list[int]:
        """Places of those that may go, of backups given as (when, whether proved), the oldest first.

        Never the newest of all, nor the newest proved one.
        """
        if self.count is None and self.days is None:
            return []
        stays = set(range(len(taken))[-max(1, self.count or 0) :])
        stays |= set([place for place, (_, proved) in enumerate(taken) if proved][-1:])
        if self.days is not None:
            since = now - timedelta(days=self.days)
            stays |= {place for place, (at, _) in enumerate(taken) if at >= since}
        return [place for place in range(len(taken)) if place not in stays]


def thin_out(folder: Path, rule: Rule, newest: Backup, now: datetime) -> list[Backup]:
    """Take away what the rule lets go of the backups of this one ledger; nothing else in the folder is touched."""
    there = [one for one in backups_in(folder)[0] if one.dump != newest.dump]
    own = [*(one for one in there if one.manifest.ledger == newest.manifest.ledger), newest]
    taken = [(one.manifest.taken_at, one.is_proved) for one in own]
    gone = [own[place] for place in rule.lets_go(taken, now)]
    for one in gone:
        _remove(one)
    return gone


def _remove(backup: Backup) -> None:
    """The dump first, under a name that the next run clears away: cut off in the middle, nothing large stays."""
    leaving = backup.dump.replace(_part(backup.dump))
    for end in BESIDE:
        backup.dump.with_suffix(end).unlink(missing_ok=True)
    leaving.unlink()


def write_whole(path: Path, text: str) -> None:
    """Write a small private file: under its name it is complete and on the disk, or not there."""
    part = _part(path)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, PRIVATE)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    _to_disk(path.parent)


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _free_name(folder: Path, at: datetime) -> Path:
    stamp = f"ledger-{at:%Y%m%dT%H%M%S}Z"
    dump, number = folder / f"{stamp}.dump", 1
    while dump.exists():
        number += 1
        dump = folder / f"{stamp}-{number}.dump"
    return dump


def _part(path: Path) -> Path:
    return path.with_name(f".{path.name}.part")


def _sum_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sums(dump: Path) -> dict[str, str]:
    """The sums as they were written, by the ending of the file's name."""
    path = dump.with_suffix(".sha256")
    found = [SUM.fullmatch(line) for line in path.read_text(encoding="utf-8", errors="replace").splitlines()]
    sums = {match[2]: match[1] for match in found if match}
    if set(sums) != {".dump", ".json"}:
        raise KeepingError(
            f"{path} is damaged: it does not name the sums of a dump and a manifest; take another copy"
        )
    return sums
