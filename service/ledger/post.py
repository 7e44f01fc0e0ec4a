"""Posting a session: looked up, checked, derived, kept and paired in one transaction, or refused whole."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID, uuid5

from service.domain.checks import doubts, powerless, refusals, slot_refusals
from service.domain.codec import as_kept
from service.domain.derive import PULL_SPREAD_START, DerivedPull, SetupSummary, derive_pull, summarise_setup
from service.domain.errors import Conflict, Fault, Refused
from service.domain.pairing import pairs_of_car
from service.domain.records import Finding, Part, PostedPull, PostedSession, PostedSetup
from service.domain.resources import Caller
from service.ledger.resources import unknown
from service.stats.noise import pooled_spread
from service.store import history, pairs, sessions
from service.store.db import Connection, Later, together

NAMESPACE = UUID("5b8a1e7e-3c52-5d0a-9f5e-7c1f5a0e8321")
"""Session ids made from content, where the bay made none, lie in this namespace."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A session in the ledger; `replayed` when this very content was there already."""

    session_id: int
    id: UUID
    replayed: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """What a post names, asked of the ledger and still on its way."""

    car: Later[sessions.LockedCar | None]
    bay: Later[sessions.PostingBay | None]
    parts: Later[dict[str, Part]]
    invoiced: Later[set[str]]
    kept: Later[sessions.KeptSession | None]


@dataclass(frozen=True, slots=True)
class Resolved:
    """What a post names, found in the ledger and its car held; `kept` where the session is there already."""

    car: sessions.LockedCar
    bay: sessions.PostingBay
    parts: Mapping[str, Part]
    invoiced: set[str]


def content_hash(body: bytes) -> bytes:
    """What makes two posts the same: their measured content in one canonical spelling."""
    return hashlib.sha256(body).digest()


def post_session(
    conn: Connection, session: PostedSession, *, content: bytes, caller: Caller, now: datetime
) -> Kept:
    """Keep one session, or raise Refused with every fault at once. The caller's transaction decides over all of it."""
    raise_faults(refusals(session, now))
    hashed = content_hash(content)
    asked = ask_names(conn, session, hashed)
    derived = derive_all(session)  # while the database looks
    if caller.bay is not None and caller.bay != session.bay:
        words = f"this token posts for the bay {caller.bay}, not {session.bay}; use that bay's own token"
        raise Refused(words, [Fault("/bay", words)])
    kept = asked.kept()
    if kept is not None:  # before its names are looked up: a part may have been renamed since
        return repeated(kept, hashed)
    found = resolve(conn, session, asked)
    raise_faults(f for setup in session.setups for f in slot_refusals(setup, found.parts))
    return keep(conn, session, derived, found, hashed, caller, now)


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


def ask_names(conn: Connection, session: PostedSession, hashed: bytes) -> Asked:
    """Ask for all that a post names; the vehicle first, so that it is held before anything is read that another post
    of the same car may be writing."""
    named = sorted({posted.slug for setup in session.setups for posted in setup.parts})
    return Asked(
        car=sessions.ask_car(conn, session.vehicle),
        bay=sessions.ask_posting_bay(conn, session.bay),
        parts=sessions.ask_parts(conn, named),
        invoiced=sessions.ask_parts_by_invoice(conn, session.vehicle, session.started_at),
        kept=sessions.ask_kept(conn, session.id, session.bay, hashed),
    )


def resolve(conn: Connection, session: PostedSession, asked: Asked) -> Resolved:
    """The vehicle (held), the bay and the parts, or a refusal that names the nearest."""
    car, bay, parts = asked.car(), asked.bay(), asked.parts()
    faults: list[Fault] = []
    if bay is None:
        faults.append(unknown(conn, "bay", session.bay, "/bay"))
    for setup in session.setups:
        for i, posted in enumerate(setup.parts):
            if posted.slug not in parts:
                faults.append(unknown(conn, "part", posted.slug, f"/setups/{setup.n - 1}/parts/{i}"))
    if car is None:
        faults.insert(0, unknown(conn, "vehicle", session.vehicle, "/vehicle"))
    if faults or car is None or bay is None:
        raise Refused("the session names what the ledger does not know; nothing was kept", faults)
    return Resolved(car, bay, parts, asked.invoiced())


Derived = Mapping[tuple[int, int], DerivedPull]
"""What each pull comes to, by the numbers of its setup and its own."""


def derive_all(session: PostedSession) -> Derived:
    """Derive every pull from what will be kept of it."""
    return {(s.n, p.n): derive_pull(as_stored(p), session.ratio) for s in session.setups for p in s.pulls}


def keep(
    conn: Connection,
    session: PostedSession,
    derived: Derived,
    found: Resolved,
    hashed: bytes,
    caller: Caller,
    now: datetime,
) -> Kept:
    """Write everything: the record, what is derived, the pairs, the versions and the history."""
    raise_faults(powerless(session, derived))
    findings = found_doubtful(session, derived, found, now)
    session_uuid = session.id or uuid5(NAMESPACE, session.bay + hashed.hex())
    with together(conn):
        session_id, setup_ids = add_states(conn, session, session_uuid, found, hashed, caller)
        sessions.add_pulls(
            conn, [(setup_ids[s.n], p, derived[s.n, p.n]) for s in session.setups for p in s.pulls]
        )
        sessions.add_findings(conn, session_id, findings)
        sessions.keep_summaries(
            conn, [summary_of(s, setup_ids[s.n], derived, findings, found) for s in session.setups]
        )
        history.note(conn, who=caller.name, about=f"sessions/{session_uuid}", action="posted")
        pair_setups(conn, found.car.platform.platform_id, found.car.vehicle_id, frozenset(setup_ids.values()))
    return Kept(session_id, session_uuid, replayed=False)


def as_stored(pull: PostedPull) -> PostedPull:
    """A pull as it will be read back, so that a strike and its end bring back the very same figures."""
    return replace(pull, channels=as_kept(pull.channels, pull.steps)) if pull.channels else pull


def add_states(
    conn: Connection, session: PostedSession, id: UUID, found: Resolved, hashed: bytes, caller: Caller
) -> tuple[int, dict[int, int]]:
    """Write the strap-down and the states the car was in; answers its key, and theirs by number."""
    added = sessions.add_session(
        conn,
        session,
        id=id,
        vehicle_id=found.car.vehicle_id,
        bay_id=found.bay.bay_id,
        content_hash=hashed,
        who=caller.name,
    )
    states = {setup.n: sessions.add_setup(conn, id, setup, found.parts) for setup in session.setups}
    session_id, setup_ids = added(), {n: key() for n, key in states.items()}
    for setup in session.setups:
        fitted = [(found.parts[posted.slug].part_id, posted.slot) for posted in setup.parts]
        sessions.add_fitted(conn, setup_ids[setup.n], fitted)
    return session_id, setup_ids


def found_doubtful(
    session: PostedSession,
    derived: Derived,
    found: Resolved,
    now: datetime,
) -> list[Finding]:
    """All doubts and notes, the disagreement with the car's recorded modifications among them."""
    spread = pooled_spread(found.bay.spread_ss, found.bay.spread_df, prior_sd=PULL_SPREAD_START)
    findings = list(doubts(session, derived, found.car.platform, spread, now))
    if found.invoiced:
        findings += invoice_findings(session.setups, found.invoiced)
    return findings


def invoice_findings(setups: Sequence[PostedSetup], invoiced: set[str]) -> list[Finding]:
    """A part that the car's modifications hold for fitted, but no setup of the session lists."""
    listed = {posted.slug for setup in setups for posted in setup.parts}
    first = setups[0]
    if first.parts_known != "complete" or not invoiced - listed:
        return []
    names = ", ".join(sorted(invoiced - listed))
    message = f"the modifications say {names} was fitted on this day, but no setup lists it: one of the two is wrong"
    return [Finding("parts-differ-from-modifications", "doubtful", message, "/setups/0/parts")]


def summary_of(
    setup: PostedSetup,
    setup_id: int,
    derived: Derived,
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
        complete=setup.parts_known == "complete",
        counts=bool(accepted),
        stock_checked=setup.stock_checked,
        doubts=doubted,
    )
    return keys, summarise_setup(accepted, [derived[setup.n, pull.n] for pull in accepted])


def pair_setups(conn: Connection, platform_id: int, vehicle_id: int, new: frozenset[int]) -> None:
    """Find the pairs that new setups make with the car's others, and mark the evidence they touch."""
    setups, slots = pairs.setups_of_car(conn, vehicle_id), pairs.slots_of_car(conn, vehicle_id)
    made = pairs_of_car(setups(), slots(), touching=new)
    pairs.add_pairs(conn, platform_id, vehicle_id, made)
    pairs.bump_evidence(conn, platform_id, {pair.part_id for pair in made})
