"""Which contents went with closed sessions: one small file for each, named by its hash."""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from service.bay.files import make_folder, remove, write_whole
from service.bay.growing import is_beginning
from service.bay.work import Work

GROWS_FOR_S: Final = 2 * 86_400.0
"""Nothing writes on a file for longer; marks of years are not read for each file that comes (our choice)."""


class Gone:
    """A folder of marks. Whoever changes it holds the bay's lock."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[str, Mapping[str, Any]] = {}
        make_folder(folder)

    def __contains__(self, digest: str) -> bool:
        """Whether this content went with a closed session."""
        return self._path(digest).exists()

    def keep(self, work: Work) -> None:
        """Mark every file of a closed session, and what files of it were before they grew."""
        sizes = {run.sha256: run.size for run in work.runs}
        for digest, name in {**work.outgrown, **work.files}.items():
            mark = {"file": name, "session": work.id, "sequence": work.sequence, "size": sizes.get(digest)}
            write_whole(self._path(digest), json.dumps(mark, ensure_ascii=False).encode())

    def forget(self, session: str) -> list[str]:
        """Forget the files of a session; answers their names."""
        found = {digest: mark for digest, mark in self._marks().items() if mark["session"] == session}
        for digest in found:
            remove(self._path(digest))
        return sorted({str(mark["file"]) for mark in found.values()})

    def last_with(self, file: str) -> int | None:
        """The number of the last closed session with which a file of this name went."""
        return max(
            (int(one["sequence"]) for one in self._marks().values() if one["file"] == file), default=None
        )

    def before_it_grew(self, file: str, content: bytes) -> int | None:
        """The number of the closed session with which a file went, these days, while it was shorter."""
        found = (
            int(mark["sequence"])
            for digest, mark in self._marks(GROWS_FOR_S).items()
            if mark["file"] == file and is_beginning(mark.get("size"), digest, content)
        )
        return max(found, default=None)

    def _marks(self, newest_s: float = math.inf) -> Mapping[str, Mapping[str, Any]]:
        """All of them, or those of the last time [s]; each is read from the disk once as long as it is asked for."""
        since = time.time() - newest_s
        with os.scandir(self._folder) as entries:
            there = [Path(one.name) for one in entries if one.stat().st_mtime >= since]
        digests = [one.stem for one in there if one.suffix == ".json" and not one.name.startswith(".")]
        self._read = {
            digest: self._read.get(digest) or json.loads(self._path(digest).read_bytes())
            for digest in digests
        }
        return self._read

    def _path(self, digest: str) -> Path:
        return self._folder / f"{digest}.json"
