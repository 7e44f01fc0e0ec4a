"""Which contents went with closed sessions: one small file for each, named by its hash."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.bay.files import make_folder, remove, write_whole
from service.bay.growing import is_beginning
from service.bay.work import Work


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
        """The number of the closed session with which a file went while it was shorter."""
        found = (
            int(mark["sequence"])
            for digest, mark in self._marks().items()
            if mark["file"] == file and is_beginning(mark.get("size"), digest, content)
        )
        return max(found, default=None)

    def _marks(self) -> Mapping[str, Mapping[str, Any]]:
        """All of them; each is read from the disk once."""
        there = {path.stem: path for path in self._folder.glob("*.json")}
        for digest in self._read.keys() - there.keys():
            del self._read[digest]
        for digest in there.keys() - self._read.keys():
            self._read[digest] = json.loads(there[digest].read_bytes())
        return self._read

    def _path(self, digest: str) -> Path:
        return self._folder / f"{digest}.json"
