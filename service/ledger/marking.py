"""Strikes, confirmations and amendments: the record stays, its mark changes, and what rests on it is derived anew."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import UUID

from service.domain.checks import future_time, slot_refusals
from service.domain.closing import NO_LONGER_SO
from service.domain.derive import METHOD
from service.domain.errors import Conflict, Fault, NotFound, Refused
from service.domain.pairing import pairs_of_car
from service.domain.records import PostedSetup
from service.domain.resources import Caller
from service.ledger.again import correct_pulls, derive_session, divide_anew
from service.ledger.checked_again import STRIKE_ENDS, Stored, look_again, stored_session
from service.ledger.post import raise_faults
from service.ledger.resources import unknown
from service.ledger.states import accepted_pulls, summary_of
from service.store import history, marking, pairs, reading, sessions
from service.store.bay_corrections import hold_bay_of_session
from service.store.car_changes import note_cars
from service.store.db import Connection
from service.store.settings import shop_in_force
from service.store.vehicles import own_tag


def held(conn: Connection, id: UUID) -> marking.HeldSession:
    """The session, held, or NotFound."""
    session = marking.hold_session(conn, id)
    if session is None:
        raise NotFound("session", str(id))
    return session


def strike_session(
    conn: Connection, id: UUID, struck: str | None, caller: Caller, back: str | None = None
) -> None:
    """Strike a whole session with a reason, or take the strike back with None, and with the reason `back` if any."""
    session = held(conn, id)
    marking.mark_session(conn, session.session_id, struck)
    settle(conn, session, look_after_strike(conn, session, struck, caller))
    note_strike(conn, f"sessions/{id}", struck, back, caller)


def strike_setup(
    conn: Connection, id: UUID, n: int, struck: str | None, caller: Caller, back: str | None = None
) -> None:
    """Strike one setup, or take the strike back."""
    session = held(conn, id)
    if not marking.mark_setup(conn, session.session_id, n, struck):
        raise NotFound("setup", f"{n} of session {id}")
    settle(conn, session, look_after_strike(conn, session, struck, caller))
    note_strike(conn, f"sessions/{id}/setups/{n}", struck, back, caller)


def strike_pull(
    conn: Connection, pull_id: int, struck: str | None, caller: Caller, back: str | None = None
) -> UUID:
    """Strike one pull, or take the strike back; answers its session."""
    _, id, n = pull_of(conn, pull_id)
    session = held(conn, id)
    marking.mark_pull(conn, pull_id, struck)
    settle(conn, session, look_after_strike(conn, session, struck, caller))
    note_strike(conn, f"sessions/{id}/setups/{n}/pulls/{pull_id}", struck, back, caller)
    return id


def look_after_strike(
    conn: Connection, session: marking.HeldSession, struck: str | None, caller: Caller
) -> Stored:
    """Look at a session again without what was struck, or with what is struck no more: refused where that is a copy."""
    return look_again(conn, session, caller.name, STRIKE_ENDS if struck is None else None)


def confirm_pull(conn: Connection, pull_id: int, why: str, caller: Caller) -> UUID:
    """Clear the doubts that stand against a pull, with a reason; answers its session."""
    pull, id, n = pull_of(conn, pull_id)
    session = held(conn, id)
    codes = marking.clear_findings(conn, session.session_id, n, pull.n, caller.name, why)
    if not codes:
        words = "nothing doubtful stands against this pull; there is nothing to confirm"
        raise Conflict(words)
    settle(conn, session, stored_session(conn, id))
    about = f"sessions/{id}/setups/{n}/pulls/{pull_id}"
    history.note(conn, who=caller.name, about=about, action="confirmed", before={"doubts": codes}, reason=why)
    return id


def unconfirm_pull(conn: Connection, pull_id: int, why: str, caller: Caller) -> UUID:
    """Let the doubts stand again that somebody confirmed away from a pull; answers its session."""
    pull, id, n = pull_of(conn, pull_id)
    session = held(conn, id)
    codes = marking.reopen_findings(conn, session.session_id, n, pull.n, NO_LONGER_SO)
    if not codes:
        raise Conflict("nothing was confirmed of this pull; there is nothing to take back")
    settle(conn, session, stored_session(conn, id))
    about = f"sessions/{id}/setups/{n}/pulls/{pull_id}"
    history.note(
        conn, who=caller.name, about=about, action="unconfirmed", after={"doubts": codes}, reason=why
    )
    return id


def pull_of(conn: Connection, pull_id: int) -> tuple[reading.PullRow, UUID, int]:
    """A pull with its session and setup number, or NotFound."""
    found = reading.find_pull(conn, pull_id)
    if found is None:
        raise NotFound("pull", str(pull_id))
    return found


def note_strike(conn: Connection, about: str, struck: str | None, back: str | None, caller: Caller) -> None:
    """Write a strike or its end down."""
    action, why = ("struck", struck) if struck is not None else ("unstruck", back)
    history.note(conn, who=caller.name, about=about, action=action, reason=why)


def settle(conn: Connection, session: marking.HeldSession, stored: Stored) -> None:
    """Derive a changed session's summaries anew from how it stands, then its car's pairs, and move the versions on."""
    summarise_again(conn, session, stored)
    pair_again(conn, session.platform_id, session.vehicle_id)
    marking.bump_session(conn, session.session_id)


def summarise_again(conn: Connection, session: marking.HeldSession, stored: Stored) -> None:
    """Write every setup's summary from its stored pulls as they stand now."""
    standing = marking.open_doubts(conn, session.session_id)
    rows = []
    for setup, posted in zip(stored.setups, stored.posted.setups, strict=True):
        keys = sessions.SummaryKeys(
            setup_id=setup.setup_id,
            vehicle_id=session.vehicle_id,
            platform_id=session.platform_id,
            bay_id=session.bay_id,
            n_parts=len(setup.parts),
            stock=not setup.parts and setup.parts_known == "complete",
            complete=setup.parts_known == "complete",
            counts=bool(accepted_pulls(posted)) and setup.struck is None and stored.row.struck is None,
            stock_checked=setup.stock_checked,
            doubts=sorted({code for n, code in standing if n in (None, setup.n)}),
        )
        rows.append((keys, summary_of(posted, stored.derived)))
    sessions.keep_summaries(conn, rows)


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
            derive_session(conn, id)
            settle(conn, session, stored_session(conn, id))
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
    target = own_tag(conn, changes.get("vehicle", row.vehicle))
    changes = {**changes, "vehicle": target} if "vehicle" in changes else changes
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
        note_cars(conn, [session.vehicle_id])  # the car it moves to is told with its summaries
        divide_anew(conn, id, row.engine, car.platform.engine)
    if "started_at" in changes:
        correct_pulls(conn, id)
    moving = next((f"/{name}" for name in ("vehicle", "started_at") if name in changes), None)
    settle(conn, moved, look_again(conn, moved, caller.name, moving))
    note_amended(conn, f"sessions/{id}", row, changes, why, caller)


def hold_evidence(conn: Connection, *platform_ids: int) -> None:
    """Hold the evidence of several platforms in their order, so that two moves cannot wait for each other.

    Whoever marks evidence marks the platform's stock cars first, so holding that row holds the platform.
    """
    for platform_id in sorted(set(platform_ids)):
        pairs.bump_evidence(conn, platform_id, ())


def hold_cars(conn: Connection, id: UUID, target: str | None) -> None:
    """Hold a session's bay, its car and the one it may move to, before the session itself is held."""
    hold_bay_of_session(conn, id)
    row = reading.get_session(conn, id)
    if row is not None:
        lock_in_order(conn, row.vehicle, own_tag(conn, target or row.vehicle))


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
    settle(conn, session, look_again(conn, session, caller.name))
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


STATE_FIELDS = ("label", "parts_known", "stock_checked")
"""What is said of a setup's state beside its parts."""


def swap_setups(conn: Connection, id: UUID, pair: tuple[int, int], why: str, caller: Caller) -> None:
    """Swap what two setups of a session say of their states: label, parts and how well these are known."""
    if pair[0] == pair[1]:
        words = f"setup {pair[0]} with itself is no swap; name two setups"
        raise Refused(words, [Fault("/setups", words)])
    session = held(conn, id)
    setups = {s.n: s for s in reading.setups_of_session(conn, session.id)()}
    missing = next((n for n in pair if n not in setups), None)
    if missing is not None:
        raise NotFound("setup", f"{missing} of session {id}")
    fitted = sessions.parts_named(conn, sorted({p["part"] for n in pair for p in setups[n].parts}))
    for n, other in (pair, pair[::-1]):
        amended, taken = setups[n], setups[other]
        kept = {name: getattr(amended, name) for name in SETUP_FIELDS}
        said = {name: getattr(taken, name) for name in STATE_FIELDS}
        marking.amend_setup(conn, amended.setup_id, {**kept, **said})
        marking.amend_parts(conn, amended.setup_id, [fitted[p["part"]].part_id for p in taken.parts])
        sessions.add_fitted(
            conn, amended.setup_id, [(fitted[p["part"]].part_id, p["slot"]) for p in taken.parts]
        )
    settle(conn, session, look_again(conn, session, caller.name))
    for n, other in (pair, pair[::-1]):
        history.note(
            conn,
            who=caller.name,
            about=f"sessions/{id}/setups/{n}",
            action="amended",
            before=state_said(setups[n]),
            after=state_said(setups[other]),
            reason=why,
        )


def state_said(setup: reading.SetupRow) -> dict[str, Any]:
    """What a setup says of its state, as the history keeps it."""
    return {
        **{name: getattr(setup, name) for name in STATE_FIELDS},
        "parts": [p["part"] for p in setup.parts],
    }


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
    marking.amend_pull(conn, pull_id, status, why if status == "rejected" else pull.reason)
    counts_now = pull.status != "accepted" and status == "accepted"
    settle(conn, session, look_again(conn, session, caller.name, "/status" if counts_now else None))
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
