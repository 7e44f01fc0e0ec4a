"""What the page remembers on disk: each car's last setup here, the names that the ledger told when it answered, and the
files that are no pulls."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import filelock

from service.bay.files import make_folder, write_whole
from service.bay.known import Said, of
from service.bay.work import Work

MOST_CARS = 500
"""Cars of the last months in a busy bay (our choice)."""


@dataclass(frozen=True)
class Setup:
    """How a car stood when it was last here: what was said of it, when, and who says so."""

    said: Said
    at: datetime
    source: str


class Memory:
    """One file for the cars of this bay, one for the ledger's names. Every change is a whole file."""

    def __init__(self, folder: Path) -> None:
        make_folder(folder)
        self._cars, self._names = folder / "cars.json", folder / "names.json"
        self._hidden = folder / "hidden.json"
        self._lock = filelock.FileLock(folder / "page.lock", timeout=30.0)

    def keep(self, work: Work) -> None:
        """Remember the car of the session in work as it stands now."""
        tag = work.car.get("car")
        if tag is None:
            return
        last = work.states[-1].said if work.states else {}
        said = {**last, **of(work.remembered, "state"), **{k: v for k, v in work.car.items() if k != "car"}}
        with self._lock:
            cars = read(self._cars)
            if cars.get(tag, {}).get("at") == work.touched_at:
                return
            cars[tag] = {"at": work.touched_at, "said": said}
            newest = sorted(cars.items(), key=lambda one: datetime.fromisoformat(one[1]["at"]), reverse=True)
            write_whole(self._cars, written(dict(newest[:MOST_CARS])))

    def cars(self) -> list[str]:
        """The cars that were here, the last first."""
        return list(read(self._cars))

    def setup(self, tag: str) -> Setup | None:
        """How a car stood when it was last in this bay, as far as this computer remembers."""
        kept = read(self._cars).get(tag)
        return (
            None if kept is None else Setup(kept["said"], datetime.fromisoformat(kept["at"]), "this computer")
        )

    def parts_seen(self) -> list[str]:
        """Every part that was fitted to a car of this bay."""
        seen = (one for kept in read(self._cars).values() for one in kept["said"].get("parts", []))
        return sorted({as_text(one) for one in seen})

    def keep_names(self, tags: Iterable[str], parts: Iterable[str], kinds: Iterable[str] = ()) -> None:
        """Remember the ledger's cars, parts and kinds of car for when it does not answer."""
        names = {"cars": sorted(tags), "parts": sorted(parts), "kinds": sorted(kinds)}
        with self._lock:
            if read(self._names) != names:
                write_whole(self._names, written(names))

    def names(self, kind: str) -> list[str]:
        """The ledger's `cars`, `parts` or `kinds` of car, as it last told them."""
        return list(read(self._names).get(kind, []))

    def hide(self, digest: str) -> None:
        """Remember a content that is no pull, so that no file of it is shown again."""
        with self._lock:
            write_whole(self._hidden, written({**read(self._hidden), digest: True}))

    def hidden(self) -> set[str]:
        """The contents that are no pulls."""
        return set(read(self._hidden))


def as_text(part: Any) -> str:
    """A part as one word: `slug`, or `slug:slot` where it fills one of several."""
    return (
        part
        if isinstance(part, str)
        else f"{part['part']}:{part['slot']}"
        if "slot" in part
        else part["part"]
    )


def read(path: Path) -> dict[str, Any]:
    """A kept file; what cannot be read is as if it were not there: it only saves typing."""
    try:
        kept = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}


def written(kept: dict[str, Any]) -> bytes:
    """As it lies on the disk."""
    return json.dumps(kept, ensure_ascii=False).encode()
