"""Strikes, confirmations and amendments: the record stays, its mark changes, and what rests on it is derived anew."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import UUID

from service.domain.checks import (
    Case,
    doubts,
    figure_refusals,
    future_time,
    refusals,
    slot_refusals,
)
from service.domain.checks.agreement import pulls_apart
from service.domain.derive import (
    METHOD,
    PULL_SPREAD_START,
    DerivedPull,
    derive_pull,
    summarise_setup,
)
from service.domain.errors import Conflict, Fault, NotFound, Refused
from service.domain.pairing import pairs_of_car
from service.domain.records import Finding, PostedPull, PostedSession, PostedSetup
from service.domain.resources import Caller
from service.ledger.again import derive_pulls, divide_anew, posted_again
from service.ledger.post import raise_faults
from service.ledger.resources import unknown
from service.ledger.shop import shop_in_force
from service.ledger.surroundings import ask_company, surroundings
from service.stats.noise import pooled_spread
from service.store import history, marking, pairs, reading, sessions
from service.store.db import Connection


def held(conn: Connection, id: UUID) -> marking.HeldSession:
    """The session, held, or NotFound."""
    session = marking.hold_session(conn, id)
    if session is None:
        raise NotFound("session", str(id))
    return session


def strike_session(conn: Connection, id: UUID, struck: str | None, caller: Caller) -> None:
    """Strike a whole session with a reason, or take the strike back with None."""
    session = held(conn, id)
    marking.mark_session(conn, session.session_id, struck)
    settle(conn, session)
    note_strike(conn, f"sessions/{id}", struck, caller)


def strike_setup(conn: Connection, id: UUID, n: int, struck: str | None, caller: Caller) -> None:
    """Strike one setup, or take the strike back."""
    session = held(conn, id)
    if not marking.mark_setup(conn, session.session_id, n, struck):
        raise NotFound("setup", f"{n} of session {id}")
    settle(conn, session)
    note_strike(conn, f"sessions/{id}/setups/{n}", struck, caller)


def strike_pull(conn: Connection, pull_id: int, struck: str | None, caller: Caller) -> UUID:
    """Strike one pull, or take the strike back; answers its session."""
    _, id, n = pull_of(conn, pull_id)
    session = held(conn, id)
    marking.mark_pull(conn, pull_id, struck)
    settle(conn, session)
    note_strike(conn, f"sessions/{id}/setups/{n}/pulls/{pull_id}", struck, caller)
    return id


def confirm_pull(conn: Connection, pull_id: int, why: str, caller: Caller) -> UUID:
    """Clear the doubts that stand against a pull, with a reason; answers its session."""
    pull, id, n = pull_of(conn, pull_id)
    session = held(conn, id)
    codes = marking.clear_findings(conn, session.session_id, n, pull.n, caller.name, why)
    if not codes:
        words = "nothing doubtful stands against this pull; there is nothing to confirm"
        raise Conflict(words)
    settle(conn, session)
    about = f"sessions/{id}/setups/{n}/pulls/{pull_id}"
    history.note(conn, who=caller.name, about=about, action="confirmed", before={"doubts": codes}, reason=why)
    return id


def pull_of(conn: Connection, pull_id: int) -> tuple[reading.PullRow, UUID, int]:
    """A pull with its session and setup number, or NotFound."""
    found = reading.find_pull(conn, pull_id)
    if found is None:
        raise NotFound("pull", str(pull_id))
    return found


def note_strike(conn: Connection, about: str, struck: str | None, caller: Caller) -> None:
    """Write a strike or its end down."""
    action = "struck" if struck is not None else "unstruck"
    history.note(conn, who=caller.name, about=about, action=action, reason=struck)


def settle(conn: Connection, session: marking.HeldSession) -> None:
    """Derive a changed session's summaries anew, then its car's pairs, and move the versions on."""
    summarise_again(conn, session)
    pair_again(conn, session.platform_id, session.vehicle_id)
    marking.bump_session(conn, session.session_id)


def summarise_again(conn: Connection, session: marking.HeldSession) -> None:
    """Write every setup's summary from its stored pulls as they stand now."""
    row = reading.get_session(conn, session.id)
    assert row is not None
    stored = reading.pulls_of_session(conn, session.id)()
    channels = reading.channels_of_pulls(conn, [pull.pull_id for pull in stored])
    standing = marking.open_doubts(conn, session.session_id)
    spread = bay_spread(conn, row.bay)
    rows = []
    for setup in reading.setups_of_session(conn, session.id)():
        own = [pull for pull in stored if pull.setup_id == setup.setup_id]
        counted = [pull for pull in own if pull.status == "accepted" and pull.struck is None]
        posted = [posted_again(pull, channels.get(pull.pull_id, {}), row.engine) for pull in counted]
        derived: list[DerivedPull] = [derive_pull(pull, row.ratio, row.engine) for pull in posted]
        settled = settled_doubts(setup.n, len(own), posted, derived, spread)
        keys = sessions.SummaryKeys(
            setup_id=setup.setup_id,
            vehicle_id=session.vehicle_id,
            platform_id=session.platform_id,
            bay_id=session.bay_id,
            n_parts=len(setup.parts),
            stock=not setup.parts and setup.parts_known == "complete",
            complete=setup.parts_known == "complete",
            counts=bool(counted) and setup.struck is None and session_counts(conn, session.id),
            stock_checked=setup.stock_checked,
            doubts=sorted({code for n, code in standing if n in (None, setup.n)} - settled),
        )
        rows.append((keys, summarise_setup(posted, derived)))
    sessions.keep_summaries(conn, rows)


def bay_spread(conn: Connection, slug: str) -> float:
    """The bay's own pull spread (relative), as its next post would meet it."""
    bay = sessions.ask_posting_bay(conn, slug)()
    assert bay is not None
    return pooled_spread(bay.spread_ss, bay.spread_df, prior_sd=PULL_SPREAD_START)


def settled_doubts(
    n: int, of: int, posted: Sequence[PostedPull], derived: Sequence[DerivedPull], spread: float
) -> set[str]:
    """Doubts about a setup of so many pulls that are gone since some no longer count: the others agree."""
    if len(posted) == of:
        return set()
    left = PostedSetup(n=n, parts=(), parts_known="unknown", stock_checked="unknown", pulls=tuple(posted))
    figures = {(n, pull.n): of_pull for pull, of_pull in zip(posted, derived, strict=True)}
    apart, limit = pulls_apart(left, figures, spread)
    return set() if apart > limit else {"pulls-disagree"}


def session_counts(conn: Connection, id: UUID) -> bool:
    """Whether the session is not struck."""
    row = reading.get_session(conn, id)
    return row is not None and row.struck is None


def pair_again(conn: Connection, platform_id: int, vehicle_id: int) -> None:
    """Make a car's pairs anew and mark the evidence that any of them, gone or made, touches."""
    gone = pairs.drop_pairs_of_car(conn, vehicle_id)
    setups, slots = pairs.setups_of_car(conn, vehicle_id), pairs.slots_of_car(conn, vehicle_id)
    made = pairs_of_car(setups(), slots(), windows=shop_in_force(conn).windows())
    pairs.add_pairs(conn, platform_id, vehicle_id, made)
    pairs.bump_evidence(conn, platform_id, gone | {pair.part_id for pair in made})


def derive_outdated(conn: Connection) -> int:
    """Derive anew, each in a transaction of its own, the sessions that an earlier version derived; answers how many.

    Broken off, it goes on where it was. What was posted is kept raw, so nothing is lost by it.
    """
    outdated = marking.sessions_derived_before(conn, METHOD)
    for id in outdated:
        with conn.transaction():
            session = held(conn, id)
            derive_pulls(conn, id)
            settle(conn, session)
    return len(outdated)


def pair_all_again(conn: Connection) -> None:
    """Make every car's pairs anew, car by car in the order of their tags: what counts as held has changed."""
    for platform_id, vehicle_id in marking.hold_measured_cars(conn):
        pair_again(conn, platform_id, vehicle_id)


SESSION_FIELDS = ("started_at", "operator", "gear", "tyre_size", "tyre_pressure_kpa")
SETUP_FIELDS = (
    "label",
    "parts_known",
    "stock_checked",
    "ethanol",
    "octane",
    "octane_method",
    "spark_advance_deg",
    "lambda_probe",
)


def amend_session(
    conn: Connection, id: UUID, changes: Mapping[str, Any], why: str, caller: Caller, now: datetime
) -> None:
    """Amend a strap-down: another car, time, gear, tyres, operator. Both cars' pairs are made anew."""
    raise_faults(future_time(changes.get("started_at"), now))
    row = reading.get_session(conn, id)
    if row is None:
        raise NotFound("session", str(id))
    target = changes.get("vehicle", row.vehicle)
    hold_cars(conn, id, target)
    session = held(conn, id)
    car = sessions.lock_car(conn, target)
    if car is None:
        raise Refused("the ledger does not know this vehicle", [unknown(conn, "vehicle", target, "/vehicle")])
    values = {name: changes.get(name, getattr(row, name)) for name in SESSION_FIELDS}
    marking.amend_session(conn, session.session_id, {**values, "vehicle_id": car.vehicle_id})
    moved = replace(session, vehicle_id=car.vehicle_id, platform_id=car.platform.platform_id)
    if moved.vehicle_id != session.vehicle_id:
        hold_evidence(conn, session.platform_id, moved.platform_id)
        pair_again(conn, session.platform_id, session.vehicle_id)
        divide_anew(conn, id, row.engine, car.platform.engine)
    settle(conn, moved)
    note_amended(conn, f"sessions/{id}", row, changes, why, caller)


def hold_evidence(conn: Connection, *platform_ids: int) -> None:
    """Hold the evidence of several platforms in their order, so that two moves cannot wait for each other.

    Whoever marks evidence marks the platform's stock cars first, so holding that row holds the platform.
    """
    for platform_id in sorted(set(platform_ids)):
        pairs.bump_evidence(conn, platform_id, ())


def hold_cars(conn: Connection, id: UUID, target: str | None) -> None:
    """Hold a session's car and the one it may move to, before the session itself is held."""
    row = reading.get_session(conn, id)
    if row is not None:
        lock_in_order(conn, row.vehicle, target or row.vehicle)


def lock_in_order(conn: Connection, *tags: str) -> None:
    """Hold several cars in the order of their tags, so that two amendments cannot wait for each other."""
    for tag in sorted(set(tags)):
        sessions.lock_car(conn, tag)


def amend_setup(
    conn: Connection, id: UUID, n: int, changes: Mapping[str, Any], why: str, caller: Caller
) -> None:
    """Amend a setup: its label, parts, fuel, how sure its part list is."""
    session = held(conn, id)
    setup = next((s for s in reading.setups_of_session(conn, session.id)() if s.n == n), None)
    if setup is None:
        raise NotFound("setup", f"{n} of session {id}")
    if "parts" in changes:
        amend_parts(conn, setup.setup_id, changes["parts"])
    values = {name: changes.get(name, getattr(setup, name)) for name in SETUP_FIELDS}
    marking.amend_setup(conn, setup.setup_id, values)
    settle(conn, session)
    plain = {**changes, "parts": [p.slug for p in changes["parts"]]} if "parts" in changes else dict(changes)
    before = {
        **{name: getattr(setup, name) for name in SETUP_FIELDS},
        "parts": [p["part"] for p in setup.parts],
    }
    history.note(
        conn,
        who=caller.name,
        about=f"sessions/{id}/setups/{n}",
        action="amended",
        before={name: before[name] for name in plain},
        after=plain,
        reason=why,
    )


def amend_parts(conn: Connection, setup_id: int, fitted: Any) -> None:
    """Replace a setup's part list after the same checks as in a post."""
    parts = sessions.parts_named(conn, sorted({posted.slug for posted in fitted}))
    faults: list[Fault] = [
        unknown(conn, "part", posted.slug, f"/parts/{i}")
        for i, posted in enumerate(fitted)
        if posted.slug not in parts
    ]
    if faults:
        raise Refused("the setup names parts the ledger does not know; nothing was changed", faults)
    shape = PostedSetup(n=1, parts=tuple(fitted), parts_known="complete", stock_checked="unknown", pulls=())
    raise_faults(
        replace(finding, pointer=finding.pointer.removeprefix("/setups/0"))
        for finding in slot_refusals(shape, parts)
    )
    marking.amend_parts(conn, setup_id, [parts[posted.slug].part_id for posted in fitted])
    sessions.add_fitted(conn, setup_id, [(parts[posted.slug].part_id, posted.slot) for posted in fitted])


def amend_pull(conn: Connection, pull_id: int, status: str, why: str, caller: Caller) -> UUID:
    """Amend what a pull counts as: accepted, settling or rejected. Answers its session."""
    pull, id, n = pull_of(conn, pull_id)
    session = held(conn, id)
    if pull.status != "accepted" and status == "accepted":
        check_again(conn, session, n, pull)
    marking.amend_pull(conn, pull_id, status, why if status == "rejected" else pull.reason)
    settle(conn, session)
    history.note(
        conn,
        who=caller.name,
        about=f"sessions/{id}/setups/{n}/pulls/{pull_id}",
        action="amended",
        before={"status": pull.status},
        after={"status": status},
        reason=why,
    )
    return id


def check_again(conn: Connection, session: marking.HeldSession, n: int, pull: reading.PullRow) -> None:
    """The door's checks for a pull that is to count after all: refused where it is impossible, else its doubts kept."""
    row = reading.get_session(conn, session.id)
    assert row is not None
    settings = shop_in_force(conn).checks(row.bay)
    case = case_again(conn, row, n, pull)
    impossible = [*refusals(case, settings), *figure_refusals(case, settings)]
    raise_faults(replace(finding, pointer="/status") for finding in impossible)
    found = doubts(case, settings)
    keep_new_findings(conn, session, [finding for finding in found if finding.pull_n is not None])


def case_again(conn: Connection, row: reading.SessionRow, n: int, pull: reading.PullRow) -> Case:
    """A stored pull as the checks would meet it, had it been posted as accepted."""
    channels = reading.channels_of_pulls(conn, [pull.pull_id]).get(pull.pull_id, {})
    posted = replace(posted_again(pull, channels, row.engine), status="accepted")
    setup = PostedSetup(n=n, parts=(), parts_known="unknown", stock_checked="unknown", pulls=(posted,))
    shape = PostedSession(
        id=row.id, vehicle=row.vehicle, bay=row.bay, started_at=row.started_at, setups=(setup,), ratio=row.ratio,
        gear=row.gear, tyre_size=row.tyre_size, sequence=row.sequence, clock=row.clock,
    )  # fmt: skip
    derived = {(n, pull.n): derive_pull(posted, row.ratio, row.engine)}
    car, bay = sessions.lock_car(conn, row.vehicle), sessions.ask_posting_bay(conn, row.bay)()
    assert car is not None
    assert bay is not None
    around = surroundings(
        conn, ask_company(conn, shape), derived=derived, bay=bay, parts={},
        pull_spread=bay_spread(conn, row.bay), shop=shop_in_force(conn),
    )  # fmt: skip
    return Case(shape, row.received_at, derived, car.platform, around)


def keep_new_findings(conn: Connection, session: marking.HeldSession, found: Sequence[Finding]) -> None:
    """Keep what was not said of this session before, and perhaps cleared."""
    said = {(f.code, f.setup_n, f.pull_n) for f in reading.findings_of_session(conn, session.id)()}
    new = [finding for finding in found if (finding.code, finding.setup_n, finding.pull_n) not in said]
    sessions.add_findings(conn, session.session_id, new)


def note_amended(
    conn: Connection,
    about: str,
    row: reading.SessionRow,
    changes: Mapping[str, Any],
    why: str,
    caller: Caller,
) -> None:
    """Write an amendment down, from what to what."""
    before = {name: getattr(row, name) for name in changes}
    texts = [
        {name: value.isoformat() if hasattr(value, "isoformat") else value for name, value in side.items()}
        for side in (before, dict(changes))
    ]
    history.note(
        conn, who=caller.name, about=about, action="amended", before=texts[0], after=texts[1], reason=why
    )
