"""The records of one car, bay and day as one session, such as a bay would have posted it, in SI."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from uuid import UUID, uuid5

from marshmallow import ValidationError

from service.domain.errors import Fault, Refused
from service.domain.records import PostedSession
from service.ledger.post import NAMESPACE, content_hash
from service.schemas.sessions import SessionPost
from service.tables import mapping as bay_mapping
from service.tables.errors import TableError
from service.tables.pulls import read_file
from service.tables.records import FACT_FIELDS, FilePull
from service.tables.records import Mapping as FileMapping
from service.transfer.errors import TransferError
from service.transfer.history_mapping import Curves
from service.transfer.old_records import OF_SESSION, OldRecord

PLACE: Final = re.compile(r"/setups/(\d+)(?:/pulls/(\d+))?")
ONE_SETUP_A_ROW: Final = "setups"
FACTS: Final = {
    "ambient": ("temperature", "pressure", "humidity", "dew_point"),
    "engine": ("coolant", "oil", "inlet"),
}


@dataclass(frozen=True, slots=True)
class StrapDown:
    """One session to be posted, what makes its content, and which row each pull came from, by (setup, pull). Its id is what
    the ledger gives to this content: the same rows are the same session whenever they come."""

    id: UUID
    body: dict[str, Any]
    records: Sequence[OldRecord]
    rows: Mapping[tuple[int, int], int]
    content: bytes

    @property
    def began(self) -> datetime:
        """When the car was strapped down."""
        return datetime.fromisoformat(self.body["started_at"])

    def peaks(self) -> Iterator[tuple[tuple[int, int], tuple[float | None, float | None]]]:
        """(setup, pull) of each record without a curve, with its power [kW] and torque [N.m]."""
        for n, setup in enumerate(self.body["setups"], start=1):
            for i, pull in enumerate(setup["pulls"], start=1):
                if "peaks" in pull:
                    yield (n, i), (pull["peaks"].get("power"), pull["peaks"].get("torque"))

    def posted(self) -> PostedSession:
        """The record the ledger takes, checked as a posted body is. Raises Refused with every fault."""
        try:
            loaded: PostedSession = SCHEMA.load(self.body)
        except ValidationError as error:
            faults = [Fault(pointer, words) for pointer, words in _leaves(error.messages, "")]
            raise Refused("the rows make no session", faults) from None
        return loaded

    def lines_of(self, setup_n: int | None, pull_n: int | None) -> list[int]:
        """The rows that a setup and pull came from; all of them where neither is named."""
        found = {
            line
            for (setup, pull), line in self.rows.items()
            if setup_n in (None, setup) and pull_n in (None, pull)
        }
        return sorted(found) or [one.line for one in self.records]

    def lines_at(self, pointer: str) -> list[int]:
        """The rows that a pointer into the body speaks of."""
        place = PLACE.match(pointer)
        if place is None:
            return [one.line for one in self.records]
        return self.lines_of(int(place[1]) + 1, None if place[2] is None else int(place[2]) + 1)


SCHEMA: Final = SessionPost()


def _leaves(messages: Any, pointer: str) -> Iterator[tuple[str, str]]:
    if isinstance(messages, dict):
        for step, below in messages.items():
            yield from _leaves(below, pointer if step == "_schema" else f"{pointer}/{step}")
    else:
        for words in messages:
            yield pointer, str(words)


@dataclass
class CurveFiles:
    """The files that rows name for their curves, read by the one mapping that is said for them."""

    folder: Path
    mapping: FileMapping

    def pulls_of(self, name: str) -> tuple[FilePull, ...]:
        """The pulls of a file. Raises Refused where it cannot be read."""
        path = (self.folder / name).resolve()
        if not path.is_relative_to(self.folder.resolve()):
            raise _refused(f"curve: {name!r} leads out of {self.folder}; name a file inside it")
        try:
            return read_file(path.read_bytes(), self.mapping).pulls
        except OSError as error:
            raise _refused(f"curve: {name!r} cannot be read: {error.strerror or error}") from None
        except TableError as error:
            raise _refused(f"curve: {name!r}: {error}") from None


def curve_files(curves: Curves | None, beside: Path) -> CurveFiles | None:
    """The files of curves that a mapping speaks of; their folder and mapping lie beside it."""
    if curves is None:
        return None
    path = beside / curves.mapping
    try:
        return CurveFiles(beside / curves.folder, bay_mapping.read(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise TransferError(f"curves.mapping = {curves.mapping!r}: {error.strerror or error}") from None
    except TableError as error:
        raise TransferError(f"curves.mapping = {curves.mapping!r}: {error}") from None


@dataclass
class Assembler:
    """Makes sessions of records: each row a setup, or (rows = "pulls") rows of one state the pulls of one."""

    rows: str
    curves: CurveFiles | None = None

    def strap_down(self, records: Sequence[OldRecord]) -> StrapDown:
        """The session of these rows. Raises Refused where they contradict each other or a curve cannot be read."""
        first = records[0]
        began = min(records, key=lambda one: datetime.fromisoformat(one.started_at)).started_at
        body: dict[str, Any] = {
            "units": "si",
            "vehicle": first.vehicle,
            "bay": first.bay,
            "started_at": began,
            **self._common(records),
        }
        setups, places = self._states(records)
        body["setups"] = setups
        content = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        id = uuid5(NAMESPACE, first.bay + content_hash(content).hex())
        return StrapDown(id, body, records, places, content)

    def _common(self, records: Sequence[OldRecord]) -> dict[str, Any]:
        """What is said of the strap-down: the same in every row that says it."""
        found: dict[str, Any] = {}
        for name in OF_SESSION:
            told = {one.session[name]: one.line for one in records if name in one.session}
            if len(told) > 1:
                differ = ", ".join(f"{value!r} in row {line}" for value, line in told.items())
                raise _refused(
                    f"{name}: rows of one car, bay and day are one strap-down, but it is {differ}; mend the wrong one"
                )
            if told:
                found[name] = next(iter(told))
        return found

    def _states(
        self, records: Sequence[OldRecord]
    ) -> tuple[list[dict[str, Any]], dict[tuple[int, int], int]]:
        setups: list[dict[str, Any]] = []
        places: dict[tuple[int, int], int] = {}
        for record in records:
            if self.rows == ONE_SETUP_A_ROW or not setups or not _same_state(setups[-1], record.setup):
                setups.append({**record.setup, "pulls": []})
            for pull in self._pulls(record):
                setups[-1]["pulls"].append(pull)
                places[len(setups), len(setups[-1]["pulls"])] = record.line
        return setups, places

    def _pulls(self, record: OldRecord) -> list[dict[str, Any]]:
        own = {**record.pull, "started_at": record.started_at} if record.timed else dict(record.pull)
        if record.curve is None:
            return [own]
        if self.curves is None:
            raise _refused("curve: the mapping has no [curves]; say where the files lie")
        return [_with_curve(own, pull) for pull in self.curves.pulls_of(record.curve)]


def _same_state(setup: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether a row says the very same of the car's state as the setup before it."""
    return {name: value for name, value in setup.items() if name != "pulls"} == dict(other)


def _with_curve(row: Mapping[str, Any], pull: FilePull) -> dict[str, Any]:
    """A pull with its curve; what the row says comes before what the file's header says."""
    facts = {
        group: {
            name: value for name in names if (value := getattr(pull.facts, FACT_FIELDS[name])) is not None
        }
        for group, names in FACTS.items()
    }
    both = {group: {**facts[group], **row.get(group, {})} for group in facts}
    known = {group: values for group, values in both.items() if values}
    return {**row, **known, "curve": {name: values.tolist() for name, values in pull.channels.items()}}


def _refused(words: str) -> Refused:
    return Refused(words, [Fault("", words)])
