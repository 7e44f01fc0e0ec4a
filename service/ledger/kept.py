"""A kept session whole: read from the ledger, or known from having just been written."""

from collections.abc import Iterable
from uuid import UUID

from service.domain.derive import SetupSummary
from service.domain.errors import NotFound
from service.domain.records import Finding, PostedSession, PostedSetup
from service.store import reading
from service.store.db import Connection, together
from service.store.sessions import AddedSession, LockedCar


def whole_session(conn: Connection, id: UUID) -> reading.WholeSession:
    """The session, or NotFound."""
    with together(conn):
        found = reading.ask_session(conn, id)
        setups, pulls = reading.setups_of_session(conn, id), reading.pulls_of_session(conn, id)
        findings, pairs = reading.findings_of_session(conn, id), reading.pairs_of_session(conn, id)
        session = found()
        if session is None:
            raise NotFound("session", str(id))
        return reading.WholeSession(session, setups(), pulls(), findings(), pairs())


# The rows of a session just written, so that a post need not wait to read them back. They must be what reading gives:
# tests/api/test_post_session.py holds a post's answer against GET, byte for byte.


def new_session(
    posted: PostedSession, id: UUID, car: LockedCar, added: AddedSession, who: str
) -> reading.SessionRow:
    """The strap-down."""
    return reading.SessionRow(
        session_id=added.session_id,
        id=id,
        vehicle=car.tag,
        platform=car.platform_slug,
        ignition=car.platform.ignition,
        aspiration=car.platform.aspiration,
        charge_cooling=car.platform.charge_cooling,
        fuel_per_cycle=car.platform.fuel_per_cycle,
        boost_ratio=car.platform.boost_ratio,
        bay=posted.bay,
        started_at=added.started_at,
        operator=posted.operator,
        gear=posted.gear,
        ratio=posted.ratio,
        tyre_size=posted.tyre_size,
        tyre_pressure_kpa=posted.tyre_pressure_kpa,
        sequence=posted.sequence,
        clock=added.clock,
        received_at=added.received_at,
        posted_by=who,
        struck=None,
        version=1,
    )


def new_setup(
    setup_id: int, posted: PostedSetup, summary: SetupSummary, doubts: list[str]
) -> reading.SetupRow:
    """A state of the car with its summary."""
    fitted = sorted(posted.parts, key=lambda part: part.slug)
    return reading.SetupRow(
        setup_id=setup_id,
        n=posted.n,
        label=posted.label,
        parts=[{"part": part.slug, "slot": part.slot} for part in fitted],
        parts_known=posted.parts_known,
        stock_checked=posted.stock_checked,
        ethanol=posted.ethanol,
        octane=posted.octane,
        octane_method=posted.octane_method,
        spark_advance_deg=posted.spark_advance_deg,
        lambda_probe=posted.lambda_probe,
        struck=None,
        pulls=summary.pulls,
        best_of=summary.best_of,
        level_standard=summary.level_standard,
        factor=summary.factor,
        temperature_c=summary.temperature_c,
        pressure_kpa=summary.pressure_kpa,
        vapour_kpa=summary.vapour_kpa,
        power_kw=summary.power_kw,
        power_rpm=summary.power_rpm,
        power_best_kw=summary.power_best_kw,
        power_spread=summary.power_spread,
        torque_nm=summary.torque_nm,
        torque_rpm=summary.torque_rpm,
        torque_best_nm=summary.torque_best_nm,
        torque_spread=summary.torque_spread,
        doubts=doubts,
    )


def new_findings(findings: Iterable[Finding]) -> list[reading.FindingRow]:
    """What the checks said, of which nothing is cleared yet."""
    return [
        reading.FindingRow(f.code, f.level, f.message, f.pointer, f.setup_n, f.pull_n, None, None, None)
        for f in findings
    ]
