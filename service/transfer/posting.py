"""Old records posted one session after the other, chunk by chunk, each chunk kept whole or not at all.

The same rows make the same session whenever they come, so an import that was cut is simply run again: what is kept
already is passed by. Rows of one strap-down are taken together or held back together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from itertools import count, groupby, islice
from pathlib import Path
from typing import Final
from uuid import UUID

import psycopg

from service.domain.errors import Fault, LedgerError, Refused
from service.domain.records import PostedSession
from service.domain.resources import Caller
from service.domain.shop import Shop
from service.ledger.marking import hold_evidence
from service.ledger.post import post_session
from service.ledger.post_many import Taken, post_many
from service.store import transfer as store
from service.store.db import Connection, broken_rule, transaction_together
from service.store.nearest import nearest
from service.store.sessions import parts_named
from service.store.settings import shop_in_force
from service.transfer.history_mapping import OldMapping
from service.transfer.old_records import OldRecord, Reader
from service.transfer.sheets import Cell, as_text, opened
from service.transfer.shelf import ACCEPTED, KEPT_BEFORE, QUESTIONED, REFUSED, RowFate, Shelf, StrapDownRows
from service.transfer.strap_downs import Assembler, StrapDown, curve_files

CHUNK: Final = 200
"""Sessions kept in one transaction: a post of a car or platform among them waits for no more than these (our choice)."""
PLANNED_ANEW_AT: Final = frozenset(2**n for n in range(16))
"""Numbers of chunks after which the database's plans are made anew: each time there is twice as much to plan for."""
WORDS_REMEMBERED: Final = 20_000

Progress = Callable[[str, int, int | None], None]
"""Told what is being done, how many rows of it are done, and of how many, where that is known."""


def silent(_doing: str, _done: int, _of: int | None) -> None:
    """Progress for nobody."""


def posted_as(name: str) -> str:
    """Who posted the sessions of a batch: it is how they are found again."""
    return f"import {name}"


@dataclass(frozen=True, slots=True)
class Task:
    """What is imported under which name, and whether it is only tried."""

    path: Path
    mapping: OldMapping
    beside: Path
    name: str
    dry_run: bool = False

    @property
    def caller(self) -> Caller:
        """Who posts."""
        return Caller(posted_as(self.name), "admin")


def shelve(
    conn: Connection, task: Task, shelf: Shelf, progress: Progress = silent
) -> tuple[tuple[Cell, ...], ...]:
    """Read every row, and set it aside or refuse it. Answers the rows above the records."""
    with opened(task.path, task.mapping) as source:
        reader = Reader(task.mapping, source.places, part_judge(conn))
        for done, row in enumerate(source.rows, start=1):
            cells = [as_text(cell, task.mapping.file.decimal) for cell in row.cells]
            read = reader.read(row)
            if isinstance(read, OldRecord):
                shelf.put(read, cells)
            else:
                shelf.refuse(read, cells)
            if done % 500 == 0:
                progress("reading", done, None)
        return source.head


def part_judge(conn: Connection) -> Callable[[str], str | None]:
    """Says why a slug is no part, with the nearest there are."""

    @lru_cache(WORDS_REMEMBERED)
    def why_no_part(slug: str) -> str | None:
        if slug in parts_named(conn, [slug]):
            return None
        near = ", ".join(nearest(conn, "part", slug))
        hint = f"; the nearest are {near}" if near else ""
        return f"the ledger has no part {slug!r}{hint}: translate the words, or add the part"

    return why_no_part


def post_all(conn: Connection, task: Task, shelf: Shelf, progress: Progress = silent) -> None:
    """Post what was set aside, the oldest first, and note each row's fate; a dry run keeps nothing of it."""
    assembler = Assembler(task.mapping.file.rows, curve_files(task.mapping.curves, task.beside))
    poster = Poster(conn, task, shop_in_force(conn))
    total, done = shelf.records(), 0
    ready = (one for rows in shelf.strap_downs() for one in assembled(assembler, rows, shelf))
    for chunk_number in count(1):
        chunk = list(islice(ready, CHUNK))
        if not chunk:
            break
        for fate in poster.post(chunk):
            shelf.decide(fate)
        if chunk_number in PLANNED_ANEW_AT:
            store.plan_anew(conn)
        done += sum(len(one.records) for one in chunk)
        progress("trying" if task.dry_run else "posting", done, total)


def assembled(assembler: Assembler, rows: StrapDownRows, shelf: Shelf) -> Iterator[StrapDown]:
    """The session of some rows; where they make none, or one of them could not be read, they are refused."""
    if not rows.records:
        return
    words = held_back(rows.unread[0]) if rows.unread else ""
    if not words:
        try:
            yield assembler.strap_down(rows.records)
        except Refused as refused:
            words = refused.detail
    if words:
        for record in rows.records:
            shelf.decide(RowFate(record.line, REFUSED, words))


def held_back(first: int) -> str:
    """Why a row that is good itself is not taken."""
    return f"held back with row {first}, which is of the same car, bay and day and was refused"


class NothingKept(Exception):
    """Ends a chunk that was only tried."""


@dataclass
class Poster:
    """Posts chunks of sessions as one caller, by the settings in force."""

    conn: Connection
    task: Task
    shop: Shop

    def post(self, chunk: Sequence[StrapDown]) -> list[RowFate]:
        """Post some sessions together; where the database refuses one of them, each by itself."""
        try:
            return self._together(chunk)
        except psycopg.Error:
            if self.conn.broken:
                raise
        return [fate for one in chunk for fate in self._alone(one)]

    def _alone(self, one: StrapDown) -> list[RowFate]:
        try:
            return self._together([one])
        except psycopg.Error as error:
            broken = broken_rule(error)
            if broken is None or self.conn.broken:
                raise
            return list(refused_fates(one, broken))

    def _together(self, chunk: Sequence[StrapDown]) -> list[RowFate]:
        fates: list[RowFate] = []
        try:
            with transaction_together(self.conn):
                kept = store.kept_of(self.conn, [one.id for one in chunk])
                new = [one for one in chunk if one.id not in kept]
                fates += [fate for one in chunk if one.id in kept for fate in kept_fates(one, kept)]
                if new:
                    fates += self._new(new)
                if self.task.dry_run:
                    raise NothingKept
        except NothingKept:
            pass
        return fates

    def _new(self, new: Sequence[StrapDown]) -> list[RowFate]:
        bays, cars = {one.body["bay"] for one in new}, {one.body["vehicle"] for one in new}
        hold_evidence(self.conn, *store.hold_for_posts(self.conn, bays, cars))
        twins = by_strap_down(
            store.imported_on(self.conn, [(one.body["bay"], one.body["vehicle"], one.began) for one in new])
        )
        outcomes: dict[UUID, Taken | LedgerError] = {}
        sound: list[tuple[StrapDown, PostedSession]] = []
        for one in new:
            try:
                refuse_double(one, twins)
                sound.append((one, one.posted()))
            except LedgerError as error:
                outcomes[one.id] = error
        for with_curves, together in groupby(sound, key=lambda pair: has_curve(pair[1])):
            some = list(together)
            outcomes.update(zip((one.id for one, _ in some), self._outcomes(some, with_curves), strict=True))
        store.note_all(self.conn, [note for one in new for note in self._notes(one, outcomes[one.id])])
        return [fate for one in new for fate in fates_of(one, outcomes[one.id])]

    def _outcomes(
        self, some: Sequence[tuple[StrapDown, PostedSession]], with_curves: bool
    ) -> list[Taken | LedgerError]:
        """Post sessions in their order: records without curves at once, those with curves one after the other."""
        now = datetime.now(UTC)
        if with_curves:
            return [self._one(session, one.content, now) for one, session in some]
        posts = [(session, one.content) for one, session in some]
        return post_many(self.conn, posts, caller=self.task.caller, shop=self.shop, now=now)

    def _one(self, session: PostedSession, content: bytes, now: datetime) -> Taken | LedgerError:
        try:  # whatever refuses a session does so before anything of it is written
            whole = post_session(
                self.conn, session, content=content, caller=self.task.caller, shop=self.shop, now=now
            ).whole
        except LedgerError as error:
            return error
        return Taken(whole.session.id, whole.findings)

    def _notes(self, one: StrapDown, outcome: Taken | LedgerError) -> Iterator[dict[str, object]]:
        """Each kept row's words as they were typed, under `label`: where a car is erased, they are too."""
        if isinstance(outcome, LedgerError):
            return
        setup_of = {line: setup for (setup, _), line in reversed(list(one.rows.items()))}
        for record in one.records:
            yield {
                "who": self.task.caller.name,
                "about": f"sessions/{outcome.id}/setups/{setup_of[record.line]}",
                "action": "imported",
                "after": {"file": self.task.path.name, "row": record.line, "label": record.words},
            }


def has_curve(session: PostedSession) -> bool:
    """Whether any pull of a session has more than its peaks."""
    return any(pull.channels for setup in session.setups for pull in setup.pulls)


Twins = Mapping[tuple[str, str, datetime], Mapping[tuple[float | None, float | None], store.ImportedPeaks]]
"""What earlier imports took, by bay, car and start, and by its peaks."""


def by_strap_down(imported: Iterable[store.ImportedPeaks]) -> Twins:
    """What earlier imports took, to be looked up."""
    found: dict[tuple[str, str, datetime], dict[tuple[float | None, float | None], store.ImportedPeaks]] = {}
    for one in imported:
        found.setdefault((one.bay, one.vehicle, one.started_at), {})[one.power_kw, one.torque_nm] = one
    return found


def refuse_double(one: StrapDown, twins: Twins) -> None:
    """Refuse rows that an earlier import took: another row of their strap-down was mended or added since, and the whole of
    it would count twice."""
    kept = twins.get((one.body["bay"], one.body["vehicle"], one.began), {})
    faults = []
    for (setup_n, pull_n), peaks in one.peaks():
        twin = kept.get(peaks)
        if twin is not None:
            words = (
                f"its figures are in session {twin.session} of {twin.posted_by} already: feed the refused rows alone, or "
                "strike that session first"
            )
            faults.append(Fault(f"/setups/{setup_n - 1}/pulls/{pull_n - 1}", words))
    if faults:
        raise Refused("rows of this strap-down were imported before", faults)


def fates_of(one: StrapDown, outcome: Taken | LedgerError) -> Iterator[RowFate]:
    """What became of every row of a session."""
    return refused_fates(one, outcome) if isinstance(outcome, LedgerError) else taken_fates(one, outcome)


def refused_fates(one: StrapDown, error: LedgerError) -> Iterator[RowFate]:
    """Every row of a refused session: those at fault with what is wrong, the others as held back with them."""
    faults: dict[int, list[str]] = {}
    for fault in error.faults:
        for line in one.lines_at(fault.pointer):
            faults.setdefault(line, []).append(in_place(fault.pointer, fault.detail))
    if not faults:
        faults = {record.line: [error.detail] for record in one.records}
    held = held_back(min(faults))
    for record in one.records:
        yield fate_of(record, REFUSED, "; ".join(faults.get(record.line, [held])))


def in_place(pointer: str, words: str) -> str:
    """A fault's words with the name of what is wrong before them."""
    name = pointer.rpartition("/")[2]
    return words if not name or name.isdigit() else f"{name}: {words}"


def taken_fates(one: StrapDown, taken: Taken) -> Iterator[RowFate]:
    """Every row of a session that was kept: questioned where a check doubts it."""
    doubts: dict[int, list[str]] = {}
    notes: dict[int, list[str]] = {}
    for finding in taken.findings:
        doubtful = finding.level == "doubtful"
        for line in one.lines_of(finding.setup_n, finding.pull_n):
            said = doubts if doubtful else notes
            said.setdefault(line, []).append(
                f"{finding.code}: {finding.message}" if doubtful else finding.code
            )
    for record in one.records:
        mine = doubts.get(record.line, [])
        noted = ", ".join(dict.fromkeys(notes.get(record.line, [])))
        fate = QUESTIONED if mine else ACCEPTED
        yield fate_of(record, fate, "; ".join(mine), noted, str(taken.id))


def kept_fates(one: StrapDown, kept: dict[UUID, str | None]) -> Iterable[RowFate]:
    """Every row of a session that the ledger has already."""
    struck = kept[one.id]
    words = "" if struck is None else f"it was struck since: {struck}"
    return [fate_of(record, KEPT_BEFORE, words, "", str(one.id)) for record in one.records]


def fate_of(record: OldRecord, fate: str, words: str, notes: str = "", session: str = "") -> RowFate:
    """What became of a record."""
    return RowFate(record.line, fate, words, notes, session, record.vehicle, record.bay, record.day)
