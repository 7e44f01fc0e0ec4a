"""Posting a session: looked up, checked, derived, kept and paired in one transaction, or refused whole."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID, uuid5

from service.domain.bay_correction import Period, as_corrected, corrected_session, correction_at
from service.domain.checks import Case, Surroundings, doubts, figure_refusals, refusals, slot_refusals
from service.domain.codec import EncodedTrace, encode_and_keep
from service.domain.derive import (
    PULL_SPREAD_START,
    DerivedPull,
    derive_pulls,
    rests_on_engine,
)
from service.domain.engine import Engine
from service.domain.errors import Conflict, Fault, Refused
from service.domain.pairing import CarSetup, pairs_of_car
from service.domain.records import Finding, Part, PostedPull, PostedSession, PostedSetup
from service.domain.resources import Caller
from service.domain.shop import Shop
from service.ledger.kept import new_findings, new_session, new_setup, whole_session
from service.ledger.own_names import under_own_names
from service.ledger.resources import unknown
from service.ledger.states import State, car_setup_of, state_of, summary_of
from service.ledger.surroundings import AskedCompany, ask_company, surroundings
from service.stats.noise import pooled_spread
from service.store import history, pairs, pulls, sessions
from service.store.db import Connection, Later, together
from service.store.reading import SessionPair, WholeSession, pairs_of_session

NAMESPACE = UUID("5b8a1e7e-3c52-5d0a-9f5e-7c1f5a0e8321")
"""Session ids made from content, where the bay made none, lie in this namespace."""

Derived = Mapping[tuple[int, int], DerivedPull]
"""What each pull comes to, by the numbers of its setup and its own."""
Traces = Mapping[tuple[int, int], EncodedTrace]
"""The samples of the pulls that have any, as they are stored, by the same numbers."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A session in the ledger, whole; `replayed` when this very content was there already."""

    whole: WholeSession
    replayed: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """What a post names, asked of the ledger and still on its way."""

    car: Later[sessions.LockedCar | None]
    bay: Later[sessions.PostingBay | None]
    parts: Later[dict[str, Part]]
    invoiced: Later[set[str]]
    kept: Later[sessions.KeptSession | None]
    earlier: Later[list[CarSetup]]
    company: AskedCompany


@dataclass(frozen=True, slots=True)
class Resolved:
    """What a post names, found in the ledger and its car held; `parts` with those ever fitted to the car, `earlier` the
    states it was measured in before, `company` what it is held against."""

    car: sessions.LockedCar
    bay: sessions.PostingBay
    parts: Mapping[str, Part]
    invoiced: set[str]
    earlier: list[CarSetup]
    company: AskedCompany


def content_hash(body: bytes) -> bytes:
    """What makes two posts the same: their measured content in one canonical spelling."""
    return hashlib.sha256(body).digest()


def post_session(
    conn: Connection,
    session: PostedSession,
    *,
    content: bytes,
    caller: Caller,
    shop: Shop,
    now: datetime,
    renamed: Sequence[Finding] = (),
) -> Kept:
    """Keep one session, or raise Refused with every fault at once. The caller's transaction decides over all of it.

    renamed: what to say of names in the post that stand for others.
    """
    settings = shop.checks(session.bay)
    raise_faults(refusals(Case(session, now), settings))
    hashed = content_hash(content)
    asked = ask_names(conn, session, hashed)
    derived, traces = derive_all(session)  # while the database looks
    if caller.bay is not None and caller.bay != session.bay:
        words = f"this token posts for the bay {caller.bay}, not {session.bay}; use that bay's own token"
        raise Refused(words, [Fault("/bay", words)])
    kept = asked.kept()
    if kept is not None:  # before its names are looked up: a part may have been renamed since
        return repeated(conn, kept, hashed)
    found = resolve(conn, session, asked)
    own, notes = under_own_names(session, found.car.merged_into, found.parts)
    if notes:  # what was asked was asked of an alias
        return post_session(conn, own, content=content, caller=caller, shop=shop, now=now, renamed=notes)
    case, findings = judge(conn, session, derived, found, now, shop, renamed)
    return keep(conn, session, case, traces, found, findings, hashed, caller, shop)


def judge(
    conn: Connection,
    session: PostedSession,
    derived: Derived,
    found: Resolved,
    now: datetime,
    shop: Shop,
    renamed: Sequence[Finding],
) -> tuple[Case, list[Finding]]:
    """What a post comes to in its company, and all that the checks say of it; raises Refused where that cannot be true."""
    settings = shop.checks(session.bay)
    raise_faults(f for setup in session.setups for f in slot_refusals(setup, found.parts))
    derived = {**derived, **derive_by_names(session, found.car.platform.engine, found.bay.corrections)}
    corrected = corrected_session(session, found.bay.corrections)
    case = Case(corrected, now, derived, found.car.platform, around_of(conn, session, derived, found, shop))
    raise_faults(figure_refusals(case, settings))
    return case, [*renamed, *doubts(case, settings), *invoice_findings(session.setups, found.invoiced)]


def repeated(conn: Connection, kept: sessions.KeptSession, hashed: bytes) -> Kept:
    """The first answer again for the same content; a conflict for other content under the same id."""
    if kept.content_hash != hashed:
        words = f"session {kept.id} is kept already with other content; give this one its own id, or amend that one"
        raise Conflict(words, [Fault("/id", words)])
    return Kept(whole_session(conn, kept.id), replayed=True)


def raise_faults(findings: Iterable[Finding]) -> None:
    """Refuse with every fault at once, if there is any."""
    faults = [Fault(f.pointer, f.message, f.code) for f in findings]
    if faults:
        raise Refused(
            f"{len(faults)} fault{'s' if len(faults) > 1 else ''} in this session; nothing was kept", faults
        )


def ask_names(conn: Connection, session: PostedSession, hashed: bytes) -> Asked:
    """Ask for all that a post names; the bay and the vehicle first, so that they are held before anything is read that
    a correction of the bay, or another post of the same car, may be writing."""
    named = sorted({posted.slug for setup in session.setups for posted in setup.parts})
    sessions.plan_once(conn)
    sessions.hold_bay(conn, session.bay)
    return Asked(
        car=sessions.ask_car(conn, session.vehicle),
        bay=sessions.ask_posting_bay(conn, session.bay),
        parts=sessions.ask_parts(conn, named, [session.vehicle]),
        invoiced=sessions.ask_parts_by_invoice(conn, session.vehicle, session.started_at),
        kept=sessions.ask_kept(conn, session.id, session.bay, hashed),
        earlier=pairs.setups_of_tag(conn, session.vehicle),
        company=ask_company(conn, session),
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
    return Resolved(car, bay, parts, asked.invoiced(), asked.earlier(), asked.company)


def derive_all(session: PostedSession) -> tuple[dict[tuple[int, int], DerivedPull], Traces]:
    """Pack every pull's samples, and derive it from what will be read back of them: a strike and its end then bring
    back the very same figures. What rests on the names waits for `derive_by_names`."""
    kept: dict[tuple[int, int], PostedPull] = {}
    traces: dict[tuple[int, int], EncodedTrace] = {}
    for setup in session.setups:
        for pull in setup.pulls:
            place = (setup.n, pull.n)
            kept[place] = pull
            if pull.channels:
                traces[place], channels = encode_and_keep(pull.channels, pull.steps)
                kept[place] = replace(pull, channels=channels)
    return derive_by_place(kept, session), traces


def derive_by_names(
    session: PostedSession, engine: Engine, corrections: Sequence[Period]
) -> dict[tuple[int, int], DerivedPull]:
    """The pulls whose figures rest on what the post names: corrected in a standard which depends on the engine, without
    their factor; or run while the bay's figures were wrong."""
    kept: dict[tuple[int, int], PostedPull] = {}
    for setup in session.setups:
        for pull in setup.pulls:
            correction = correction_at(corrections, pull.started_at or session.started_at)
            if rests_on_engine(pull) or correction is not None:
                stored = pull
                if pull.channels:
                    stored = replace(pull, channels=encode_and_keep(pull.channels, pull.steps)[1])
                kept[setup.n, pull.n] = as_corrected(stored, correction)
    return derive_by_place(kept, session, engine)


def derive_by_place(
    kept: Mapping[tuple[int, int], PostedPull], session: PostedSession, engine: Engine | None = None
) -> dict[tuple[int, int], DerivedPull]:
    """Derive pulls together, each under the numbers it came with."""
    return dict(zip(kept, derive_pulls(list(kept.values()), session.ratio, engine), strict=True))


def around_of(
    conn: Connection, session: PostedSession, derived: Derived, found: Resolved, shop: Shop
) -> Surroundings:
    """The company that the post comes into."""
    bay = found.bay
    spread = pooled_spread(bay.spread_ss, bay.spread_df, prior_sd=PULL_SPREAD_START)
    return surroundings(
        conn,
        found.company,
        session,
        derived=derived,
        bay=bay,
        parts=found.parts,
        pull_spread=spread,
        shop=shop,
    )


def keep(
    conn: Connection,
    session: PostedSession,
    case: Case,
    traces: Traces,
    found: Resolved,
    findings: Sequence[Finding],
    hashed: bytes,
    caller: Caller,
    shop: Shop,
) -> Kept:
    """Write everything: the record as it was posted, what is derived, the pairs, the versions and the history."""
    derived = case.derived
    id = session.id or uuid5(NAMESPACE, session.bay + hashed.hex())
    with together(conn):
        written = sessions.add_session(
            conn,
            session,
            id=id,
            vehicle_id=found.car.vehicle_id,
            bay_id=found.bay.bay_id,
            parts=found.parts,
            content_hash=hashed,
            who=caller.name,
        )
        summaries = {
            setup.n: summary_of(setup, derived) for setup in case.session.setups
        }  # while the database writes
        added = written()
        states = [
            state_of(setup, setup_id, summaries[setup.n], findings, found.car, found.bay.bay_id)
            for setup, setup_id in zip(session.setups, added.setup_ids, strict=True)
        ]
        kept_pulls = pulls.add_pulls(conn, new_pulls(session, added.setup_ids, derived, traces, found))
        sessions.keep_summaries(conn, [(state.keys, state.summary) for state in states])
        sessions.add_findings(conn, added.session_id, findings)
        history.note(conn, who=caller.name, about=f"sessions/{id}", action="posted")
        paired, touched = pair_states(conn, session, id, added, states, found, shop)
        whole = WholeSession(
            new_session(session, id, found.car, added, caller.name),
            [new_setup(s.keys.setup_id, s.posted, s.summary, s.keys.doubts) for s in states],
            kept_pulls(),
            new_findings(findings),
            paired(),
        )
        # Last: until it is committed, every other post of this platform waits here.
        pairs.bump_evidence(conn, found.car.platform.platform_id, touched)
    return Kept(whole, replayed=False)


def new_pulls(
    session: PostedSession,
    setup_ids: Sequence[int],
    derived: Derived,
    traces: Traces,
    found: Resolved,
) -> list[pulls.NewPull]:
    """Every pull with the key of its setup, and the correction that its figures rest on."""

    def corrected_by(pull: PostedPull) -> int | None:
        correction = correction_at(found.bay.corrections, pull.started_at or session.started_at)
        return None if correction is None else correction.correction_id

    return [
        pulls.NewPull(
            setup_id, pull, derived[setup.n, pull.n], traces.get((setup.n, pull.n)), corrected_by(pull)
        )
        for setup, setup_id in zip(session.setups, setup_ids, strict=True)
        for pull in setup.pulls
    ]


def invoice_findings(setups: Sequence[PostedSetup], invoiced: set[str]) -> list[Finding]:
    """A part that the car's modifications hold for fitted, but no setup of the session lists."""
    listed = {posted.slug for setup in setups for posted in setup.parts}
    first = setups[0]
    if first.parts_known != "complete" or not invoiced - listed:
        return []
    names = ", ".join(sorted(invoiced - listed))
    message = f"the modifications say {names} was fitted on this day, but no setup lists it: one of the two is wrong"
    return [Finding("parts-differ-from-modifications", "doubtful", message, "/setups/0/parts")]


def pair_states(
    conn: Connection,
    session: PostedSession,
    id: UUID,
    added: sessions.AddedSession,
    states: Sequence[State],
    found: Resolved,
    shop: Shop,
) -> tuple[Later[list[SessionPair]], set[int]]:
    """Keep the pairs that new setups make with the car's others and ask for them; answers the parts they speak of too."""
    new = [car_setup_of(session, added.session_id, added.started_at, state, found.parts) for state in states]
    slots = {part.part_id: part.slots for part in found.parts.values()}
    made = pairs_of_car(
        [*found.earlier, *new], slots, touching=frozenset(added.setup_ids), windows=shop.windows()
    )
    pairs.add_pairs(conn, found.car.platform.platform_id, found.car.vehicle_id, made)
    asked = pairs_of_session(conn, id) if made else list  # most posts make none: nothing to read back
    return asked, {pair.part_id for pair in made}
