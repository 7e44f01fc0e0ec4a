"""A kept session before the checks once more: after a change to it, what is no longer so is closed, and what is new is
said. It is held against its company as that is today, itself left out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

from service.domain.checks import Case, doubts, figure_refusals, refusals
from service.domain.checks.case import Derived
from service.domain.closing import NO_LONGER_SO, is_closed_by_ledger
from service.domain.derive import PULL_SPREAD_START, derive_pulls
from service.domain.records import Finding, PostedPart, PostedPull, PostedSession, PostedSetup
from service.ledger.again import posted_again
from service.ledger.post import invoice_findings, raise_faults
from service.ledger.surroundings import ask_company, surroundings
from service.stats.noise import pooled_spread
from service.store import marking, reading, sessions
from service.store.db import Connection, together
from service.store.settings import shop_in_force

STRIKE_ENDS = "/struck"
"""What the end of a strike would change: where a refusal of it points."""

Place = tuple[str, str, int | None, int | None]
"""What a finding is about: its code, pointer, setup and pull."""


@dataclass(frozen=True, slots=True)
class Stored:
    """A session as it stands, and as it would be posted today: struck pulls left out, struck setups not."""

    row: reading.SessionRow
    setups: list[reading.SetupRow]
    posted: PostedSession
    derived: Derived

    def counting(self) -> PostedSession:
        """What of it can count at all: without struck setups; without any where the session is struck."""
        struck = {setup.n for setup in self.setups if setup.struck is not None}
        left = tuple(setup for setup in self.posted.setups if setup.n not in struck)
        return replace(self.posted, setups=() if self.row.struck is not None else left)


def stored_session(conn: Connection, id: UUID) -> Stored:
    """The session, every pull that is not struck derived again from what was posted."""
    with together(conn):
        found = reading.ask_session(conn, id)
        setups_asked, pulls_asked = reading.setups_of_session(conn, id), reading.pulls_of_session(conn, id)
        row, setups, rows = found(), setups_asked(), pulls_asked()
    assert row is not None
    rows = [pull for pull in rows if pull.struck is None]
    channels = reading.channels_of_pulls(conn, [pull.pull_id for pull in rows])
    by_setup: dict[int, list[PostedPull]] = {setup.setup_id: [] for setup in setups}
    for pull in rows:
        by_setup[pull.setup_id].append(posted_again(pull, channels.get(pull.pull_id, {}), row.engine))
    posted = tuple(setup_again(setup, by_setup[setup.setup_id]) for setup in setups)
    session = session_again(row, posted)
    pulls = [pull for setup in posted for pull in setup.pulls]
    derived = dict(zip(places(session), derive_pulls(pulls, row.ratio, row.engine), strict=True))
    return Stored(row, setups, session, derived)


def setup_again(row: reading.SetupRow, pulls: Sequence[PostedPull]) -> PostedSetup:
    """A stored setup as it would be posted."""
    return PostedSetup(
        n=row.n,
        parts=tuple(PostedPart(fitted["part"], fitted["slot"]) for fitted in row.parts),
        parts_known=row.parts_known,
        stock_checked=row.stock_checked,
        pulls=tuple(pulls),
        label=row.label,
        ethanol=row.ethanol,
        octane=row.octane,
        octane_method=row.octane_method,
        spark_advance_deg=row.spark_advance_deg,
        lambda_probe=row.lambda_probe,
    )


def session_again(row: reading.SessionRow, setups: tuple[PostedSetup, ...]) -> PostedSession:
    """A stored strap-down as it would be posted."""
    return PostedSession(
        id=row.id,
        vehicle=row.vehicle,
        bay=row.bay,
        started_at=row.started_at,
        setups=setups,
        operator=row.operator,
        gear=row.gear,
        ratio=row.ratio,
        tyre_size=row.tyre_size,
        tyre_pressure_kpa=row.tyre_pressure_kpa,
        sequence=row.sequence,
        clock=row.clock,
    )


def look_again(
    conn: Connection,
    session: marking.HeldSession,
    who: str,
    refused_at: str | None = None,
    why: str = NO_LONGER_SO,
) -> Stored:
    """Say anew what the checks say of a session that was just changed, and answer it as it stands, to be settled by.

    What is no longer so is closed for the reason `why`. The change is refused at `refused_at`, the field that was changed, where it brings in what cannot be true (None: it
    cannot)."""
    marking.set_aside(conn, session.session_id)
    stored = stored_session(conn, session.id)
    if not stored.counting().setups:
        return stored  # what counts nowhere is left as it was said
    case, invoiced = case_again(conn, stored)
    settings = shop_in_force(conn).checks(stored.row.bay)
    if refused_at is not None:
        # Not what refuses a session: its times were held against the bay's clock, which may be what is amended.
        impossible = [one for one in refusals(case, settings) if one.pull_n is not None]
        raise_faults(
            replace(
                one, pointer=refused_at, message=f"pull {one.pull_n} of setup {one.setup_n}: {one.message}"
            )
            for one in (*impossible, *figure_refusals(case, settings))
        )
    said = [*doubts(case, settings), *invoice_findings(case.session.setups, invoiced)]
    known = reading.findings_of_session(conn, session.id)()
    revise(conn, session.session_id, case.session, known, said, who, why)
    return stored


def case_again(conn: Connection, stored: Stored) -> tuple[Case, set[str]]:
    """What of a stored session counts, as the checks would meet it today, and what its car's invoices say is fitted."""
    session, row = stored.counting(), stored.row
    named = sorted({part.slug for setup in session.setups for part in setup.parts})
    with together(conn):
        asked_car, asked_bay = sessions.ask_car(conn, row.vehicle), sessions.ask_posting_bay(conn, row.bay)
        asked_parts = sessions.ask_parts(conn, named, [row.vehicle])
        asked_invoiced = sessions.ask_parts_by_invoice(conn, row.vehicle, row.started_at)
        company = ask_company(conn, session)
        car, bay = asked_car(), asked_bay()
        assert car is not None
        assert bay is not None
        around = surroundings(
            conn,
            company,
            session,
            derived={place: stored.derived[place] for place in places(session)},
            bay=bay,
            parts=asked_parts(),
            pull_spread=pooled_spread(bay.spread_ss, bay.spread_df, prior_sd=PULL_SPREAD_START),
            shop=shop_in_force(conn),
        )
    return Case(session, row.received_at, stored.derived, car.platform, around), asked_invoiced()


def places(session: PostedSession) -> list[tuple[int, int]]:
    """Where its pulls are: the numbers of their setups and their own."""
    return [(setup.n, pull.n) for setup in session.setups for pull in setup.pulls]


def revise(
    conn: Connection,
    session_id: int,
    session: PostedSession,
    known: Sequence[reading.FindingRow],
    said: Sequence[Finding],
    who: str,
    why: str,
) -> None:
    """Close what is no longer said of what counts, and add what was not said before. What a person confirmed stays so
    for as long as the same check looks at the same place; what is about pulls that do not count is left as it is."""
    confirmed = {
        place_of(one)
        for one in known
        if one.cleared_at is not None and not is_closed_by_ledger(one.cleared_why)
    }
    standing = {(place_of(one), one.message) for one in known if one.cleared_at is None}
    made = {(place_of(one), one.message) for one in said}
    gone = [
        one
        for one in known
        if one.cleared_at is None and counts(one, session) and (place_of(one), one.message) not in made
    ]
    new = [
        one for one in said if place_of(one) not in confirmed and (place_of(one), one.message) not in standing
    ]
    marking.close_findings(conn, session_id, gone, who, why)
    sessions.add_findings(conn, session_id, new)


def place_of(finding: Any) -> Place:
    """What a finding, made or kept, is about."""
    return finding.code, finding.pointer, finding.setup_n, finding.pull_n


def counts(finding: reading.FindingRow, session: PostedSession) -> bool:
    """Whether what a finding is about is among what counts."""
    setups = [setup for setup in session.setups if finding.setup_n in (None, setup.n)]
    if finding.pull_n is None:
        return bool(setups)
    return any(
        pull.n == finding.pull_n and pull.status == "accepted" for setup in setups for pull in setup.pulls
    )
