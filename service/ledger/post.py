"""Posting a session: looked up, checked, derived, kept and paired in one transaction, or refused whole."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID, uuid5

from service.domain.checks import doubts, refusals, slot_refusals
from service.domain.derive import PULL_SPREAD_START, DerivedPull, SetupSummary, derive_pull, summarise_setup
from service.domain.errors import Conflict, Fault, Refused
from service.domain.pairing import pairs_of_car
from service.domain.records import Finding, Part, PostedSession, PostedSetup
from service.domain.resources import Caller
from service.stats.noise import pooled_spread
from service.store import history, pairs, sessions
from service.store.db import Connection
from service.store.nearest import nearest

NAMESPACE = UUID("5b8a1e7e-3c52-5d0a-9f5e-7c1f5a0e8321")
"""Session ids made from content, where the bay made none, lie in this namespace."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A session in the ledger; `replayed` when this very content was there already."""

    session_id: int
    id: UUID
    replayed: bool


@dataclass(frozen=True, slots=True)
class Resolved:
    """What a post names, found in the ledger and its car held."""

    car: sessions.LockedCar
    bay: sessions.PostingBay
    parts: Mapping[str, Part]


def content_hash(body: bytes) -> bytes:
    """What makes two posts the same: their measured content in one canonical spelling."""
    return hashlib.sha256(body).digest()


def post_session(
    conn: Connection, session: PostedSession, *, content: bytes, caller: Caller, now: datetime
) -> Kept:
    """Keep one session, or raise Refused with every fault at once. The caller's transaction decides over all of it."""
    raise_faults(refusals(session, now))
    found = resolve(conn, session)
    raise_faults(f for setup in session.setups for f in slot_refusals(setup, found.parts))
    if caller.bay is not None and caller.bay != session.bay:
        words = f"this token posts for the bay {caller.bay}, not {session.bay}; use that bay's own token"
        raise Refused(words, [Fault("/bay", words)])
    hashed = content_hash(content)
    kept = sessions.find_kept(conn, session.id, found.bay.bay_id, hashed)
    if kept is not None:
        return repeated(kept, hashed)
    return keep(conn, session, found, hashed, caller, now)


def repeated(kept: sessions.KeptSession, hashed: bytes) -> Kept:
    """The first answer again for the same content; a conflict for other content under the same id."""
    if kept.content_hash != hashed:
        words = f"session {kept.id} is kept already with other content; give this one its own id, or amend that one"
        raise Conflict(words, [Fault("/id", words)])
    return Kept(kept.session_id, kept.id, replayed=True)


def raise_faults(findings: object) -> None:
    """Refuse with every fault at once, if there is any."""
    faults = [Fault(f.pointer, f.message, f.code) for f in findings]  # type: ignore[attr-defined]
    if faults:
        raise Refused(
            f"{len(faults)} fault{'s' if len(faults) > 1 else ''} in this session; nothing was kept", faults
        )


def resolve(conn: Connection, session: PostedSession) -> Resolved:
    """Find the vehicle (held), the bay and the parts, or refuse naming the nearest."""
    faults: list[Fault] = []
    bay = sessions.find_posting_bay(conn, session.bay)
    if bay is None:
        faults.append(unknown(conn, "bay", session.bay, "/bay"))
    named = sorted({posted.slug for setup in session.setups for posted in setup.parts})
    parts = sessions.parts_named(conn, named)
    for setup in session.setups:
        for i, posted in enumerate(setup.parts):
            if posted.slug not in parts:
                faults.append(unknown(conn, "part", posted.slug, f"/setups/{setup.n - 1}/parts/{i}"))
    car = sessions.lock_car(conn, session.vehicle)
    if car is None:
        faults.insert(0, unknown(conn, "vehicle", session.vehicle, "/vehicle"))
    if faults or car is None or bay is None:
        raise Refused("the session names what the ledger does not know; nothing was kept", faults)
    return Resolved(car, bay, parts)


def unknown(conn: Connection, kind: str, name: str, pointer: str) -> Fault:
    """A name the ledger does not know, with the nearest it does and how to add it."""
    near = nearest(conn, kind, name)
    hint = f"the nearest are {', '.join(near)}" if near else f"there is no {kind} yet"
    return Fault(
        pointer, f"there is no {kind} '{name}'; {hint}; or add it first (POST /v1/{kind}s)", f"unknown-{kind}"
    )


def keep(
    conn: Connection, session: PostedSession, found: Resolved, hashed: bytes, caller: Caller, now: datetime
) -> Kept:
    """Write everything: the record, what is derived, the pairs, the versions and the history."""
    derived = {(s.n, p.n): derive_pull(p, session.ratio) for s in session.setups for p in s.pulls}
    findings = found_doubtful(conn, session, derived, found, now)
    session_uuid = session.id or uuid5(NAMESPACE, session.bay + hashed.hex())
    session_id = sessions.add_session(
        conn,
        session,
        id=session_uuid,
        vehicle_id=found.car.vehicle_id,
        bay_id=found.bay.bay_id,
        content_hash=hashed,
        who=caller.name,
    )
    setup_ids = {s.n: sessions.add_setup(conn, session_id, s, found.parts) for s in session.setups}
    sessions.add_pulls(
        conn, [(setup_ids[s.n], p, derived[s.n, p.n]) for s in session.setups for p in s.pulls]
    )
    sessions.add_findings(conn, session_id, findings)
    sessions.keep_summaries(
        conn, [summary_of(s, setup_ids[s.n], derived, findings, found) for s in session.setups]
    )
    pair_setups(conn, found.car.platform.platform_id, found.car.vehicle_id, frozenset(setup_ids.values()))
    history.note(conn, who=caller.name, about=f"sessions/{session_uuid}", action="posted")
    return Kept(session_id, session_uuid, replayed=False)


def found_doubtful(
    conn: Connection,
    session: PostedSession,
    derived: Mapping[tuple[int, int], DerivedPull],
    found: Resolved,
    now: datetime,
) -> list[Finding]:
    """All doubts and notes, the disagreement with the car's recorded modifications among them."""
    spread = pooled_spread(found.bay.spread_ss, found.bay.spread_df, prior_sd=PULL_SPREAD_START)
    findings = list(doubts(session, derived, found.car.platform, spread, now))
    invoiced = sessions.parts_by_invoice(conn, found.car.vehicle_id, session.started_at)
    if invoiced:
        findings += invoice_findings(session.setups, invoiced)
    return findings


def invoice_findings(setups: Sequence[PostedSetup], invoiced: set[str]) -> list[Finding]:
    """A part that the car's modifications hold for fitted, but no setup of the session lists."""
    listed = {posted.slug for setup in setups for posted in setup.parts}
    first = setups[0]
    if first.parts_known != "complete" or not invoiced - listed:
        return []
    names = ", ".join(sorted(invoiced - listed))
    message = f"the modifications say {names} was fitted on this day, but no setup lists it: one of the two is wrong"
    return [Finding("parts-differ-from-modifications", "doubtful", message, "/setups/0/parts", first.n)]


def summary_of(
    setup: PostedSetup,
    setup_id: int,
    derived: Mapping[tuple[int, int], DerivedPull],
    findings: Sequence[Finding],
    found: Resolved,
) -> tuple[sessions.SummaryKeys, SetupSummary]:
    """A setup's summary over its accepted pulls, and where it belongs."""
    accepted = [pull for pull in setup.pulls if pull.status == "accepted"]
    doubted = sorted({f.code for f in findings if f.level == "doubtful" and f.setup_n in (None, setup.n)})
    keys = sessions.SummaryKeys(
        setup_id=setup_id,
        vehicle_id=found.car.vehicle_id,
        platform_id=found.car.platform.platform_id,
        bay_id=found.bay.bay_id,
        n_parts=len(setup.parts),
        stock=not setup.parts and setup.parts_known == "complete",
        counts=bool(accepted),
        stock_checked=setup.stock_checked,
        doubts=doubted,
    )
    return keys, summarise_setup(accepted, [derived[setup.n, pull.n] for pull in accepted])


def pair_setups(conn: Connection, platform_id: int, vehicle_id: int, new: frozenset[int]) -> None:
    """Find the pairs that new setups make with the car's others, and mark the evidence they touch."""
    setups = pairs.setups_of_car(conn, vehicle_id)
    slots = pairs.slots_of_parts(conn, {part for setup in setups for part in setup.part_ids})
    made = pairs_of_car(setups, slots, touching=new)
    pairs.add_pairs(conn, platform_id, vehicle_id, made)
    pairs.bump_evidence(conn, platform_id, {pair.part_id for pair in made})
