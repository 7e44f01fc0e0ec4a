"""The note a serving process leaves in its data folder, so that other commands find it."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

NOTE = "serve.json"


@dataclass(frozen=True)
class Serving:
    """Where a process serves."""

    url: str
    pid: int


def leave_note(data_dir: Path, serving: Serving) -> None:
    """Written aside and renamed: nobody reads half a note."""
    aside = data_dir / f"{NOTE}.{os.getpid()}"
    data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    aside.write_text(json.dumps(asdict(serving)) + "\n", encoding="utf-8")
    aside.replace(data_dir / NOTE)


def read_note(data_dir: Path) -> Serving | None:
    try:
        return Serving(**json.loads((data_dir / NOTE).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def take_note_away(data_dir: Path, pid: int) -> None:
    """Only our own: another process may have left its note since."""
    note = read_note(data_dir)
    if note is not None and note.pid == pid:
        (data_dir / NOTE).unlink(missing_ok=True)
