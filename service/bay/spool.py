"""The spool: sessions on disk from the moment they are closed until the ledger has them.

`waiting/` is what is to be sent, `refused/` what the ledger will not take as it is, each beside its reason, `dropped/`
what a person gave up. A session is in one of them under one name; nothing here deletes one that the ledger has not kept.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.bay.files import make_folder, move, remove, write_whole

NAME = re.compile(r"(?P<sequence>\d{9,})-(?P<id>[0-9a-f-]{36})\.json")
REASON = ".why"


@dataclass(frozen=True, order=True)
class Entry:
    """One session in the spool: the bay's running number and the session's id."""

    sequence: int
    id: str

    @property
    def name(self) -> str:
        """Its file's name; by name is by number."""
        return f"{self.sequence:09d}-{self.id}.json"

    @classmethod
    def of(cls, name: str) -> Entry | None:
        """The entry of a file's name; None for any other file."""
        found = NAME.fullmatch(name)
        return cls(int(found["sequence"]), found["id"]) if found else None


@dataclass(frozen=True)
class Refusal:
    """What the ledger said when it would not take a session: the status, and its problem document."""

    status: int
    detail: str
    faults: tuple[str, ...]


class Spool:
    """A folder of sessions. Whoever moves them holds the sender's lock; whoever adds them holds the bay's."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._waiting, self._refused, self._dropped = (
            folder / name for name in ("waiting", "refused", "dropped")
        )
        for one in (self._waiting, self._refused, self._dropped):
            make_folder(one)

    def put(self, entry: Entry, body: bytes) -> None:
        """Keep a session until it is sent. Once this returns it is on the disk; one that was refused or dropped since
        stays where it is."""
        if not any((folder / entry.name).exists() for folder in (self._refused, self._dropped)):
            write_whole(self._waiting / entry.name, body)

    def waiting(self) -> list[Entry]:
        """What is to be sent, in the bay's order."""
        return entries_in(self._waiting)

    def refused(self) -> list[Entry]:
        """What the ledger would not take."""
        return entries_in(self._refused)

    def dropped(self) -> list[Entry]:
        """What a person gave up."""
        return entries_in(self._dropped)

    def body(self, entry: Entry) -> bytes:
        """A session as it was closed, wherever it lies. Raises FileNotFoundError."""
        for folder in (self._waiting, self._refused, self._dropped):
            path = folder / entry.name
            if path.exists():
                return path.read_bytes()
        raise FileNotFoundError(f"there is no {entry.name} in {self.folder}")

    def sent(self, entry: Entry) -> None:
        """The ledger has it."""
        remove(self._waiting / entry.name)

    def refuse(self, entry: Entry, refusal: Refusal) -> None:
        """The ledger will not take it as it is. The reason is written first: no session lies there without one."""
        reason = {"status": refusal.status, "detail": refusal.detail, "faults": refusal.faults}
        write_whole(self._reason(entry), json.dumps(reason, indent=1, ensure_ascii=False).encode())
        move(self._waiting / entry.name, self._refused)

    def why(self, entry: Entry) -> Refusal | None:
        """Why a session was refused."""
        try:
            said: Mapping[str, Any] = json.loads(self._reason(entry).read_bytes())
            return Refusal(int(said["status"]), str(said["detail"]), tuple(map(str, said["faults"])))
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def retry(self, entry: Entry, car: str | None = None, parts: Mapping[str, str] | None = None) -> None:
        """Let a refused or dropped session be sent again: of another car where its tag was wrong, with other parts (new by
        old) where theirs were."""
        place = self._refused if (self._refused / entry.name).exists() else self._dropped
        if car is not None or parts:
            write_whole(place / entry.name, mended((place / entry.name).read_bytes(), car, parts or {}))
        move(place / entry.name, self._waiting)
        for folder in (self._refused, self._dropped):
            remove(folder / f"{entry.name}{REASON}")

    def drop(self, entry: Entry) -> None:
        """Give a session up: it is sent no more, and kept; so is why it was refused."""
        place = self._waiting if (self._waiting / entry.name).exists() else self._refused
        if self._reason(entry).exists():
            move(self._reason(entry), self._dropped)
        move(place / entry.name, self._dropped)

    def _reason(self, entry: Entry) -> Path:
        return self._refused / f"{entry.name}{REASON}"


def mended(body: bytes, car: str | None, parts: Mapping[str, str]) -> bytes:
    """The same session of another car, with other parts where the old ones stand."""
    document = json.loads(body)
    if car is not None:
        document["vehicle"] = car
    for setup in document["setups"]:
        setup["parts"] = [renamed(one, parts) for one in setup.get("parts", [])]
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False).encode()


def renamed(part: Any, names: Mapping[str, str]) -> Any:
    """One part under its other name, in the same slot."""
    if isinstance(part, str):
        return names.get(part, part)
    return {**part, "part": names.get(part["part"], part["part"])}


def parts_of(body: bytes) -> list[str]:
    """The parts that a session names, each once."""
    listed = (one for setup in json.loads(body)["setups"] for one in setup.get("parts", []))
    return list(dict.fromkeys(one if isinstance(one, str) else str(one["part"]) for one in listed))


def entries_in(folder: Path) -> list[Entry]:
    """The sessions of a folder, in the bay's order."""
    return sorted(_entries(folder))


def _entries(folder: Path) -> Iterator[Entry]:
    for path in folder.iterdir():
        entry = Entry.of(path.name)
        if entry is not None:
            yield entry
