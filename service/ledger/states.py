"""The states of a session being written: each as it was posted, where it belongs, and what its pulls say together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.checks.case import Derived
from service.domain.derive import SetupSummary, summarise_setup
from service.domain.pairing import CarSetup
from service.domain.records import Finding, Part, PostedPull, PostedSession, PostedSetup
from service.store import sessions


@dataclass(frozen=True, slots=True)
class State:
    """A setup being written: as posted, where it belongs, and what its pulls say together."""

    posted: PostedSetup
    keys: sessions.SummaryKeys
    summary: SetupSummary


def accepted_pulls(setup: PostedSetup) -> list[PostedPull]:
    """The pulls that count."""
    return [pull for pull in setup.pulls if pull.status == "accepted"]


def summary_of(setup: PostedSetup, derived: Derived) -> SetupSummary:
    """A setup's summary over its accepted pulls."""
    accepted = accepted_pulls(setup)
    return summarise_setup(accepted, [derived[setup.n, pull.n] for pull in accepted])


def state_of(
    setup: PostedSetup,
    setup_id: int,
    summary: SetupSummary,
    findings: Sequence[Finding],
    car: sessions.LockedCar,
    bay_id: int,
) -> State:
    """A setup with its summary, and where that belongs."""
    keys = sessions.SummaryKeys(
        setup_id=setup_id,
        vehicle_id=car.vehicle_id,
        platform_id=car.platform.platform_id,
        bay_id=bay_id,
        n_parts=len(setup.parts),
        stock=not setup.parts and setup.parts_known == "complete",
        complete=setup.parts_known == "complete",
        counts=bool(accepted_pulls(setup)),
        stock_checked=setup.stock_checked,
        doubts=sorted({f.code for f in findings if f.level == "doubtful" and f.setup_n in (None, setup.n)}),
    )
    return State(setup, keys, summary)


def car_setup_of(
    session: PostedSession, session_id: int, started_at: datetime, state: State, parts: Mapping[str, Part]
) -> CarSetup:
    """A new setup as pairing sees it, the same as `setups_of_car` will read it."""
    setup, summary = state.posted, state.summary
    return CarSetup(
        setup_id=state.keys.setup_id,
        session_id=session_id,
        n=setup.n,
        bay_id=state.keys.bay_id,
        started_at=started_at,
        part_ids=frozenset(parts[posted.slug].part_id for posted in setup.parts),
        parts_known=setup.parts_known,
        counts=state.keys.counts,
        peaks_only=summary.best_of is not None,
        level_standard=summary.level_standard,
        observed_known=summary.factor is not None,
        doubts=tuple(state.keys.doubts),
        coolant_c=summary.coolant_c,
        oil_c=summary.oil_c,
        inlet_c=summary.inlet_c,
        ethanol=setup.ethanol,
        lambda_mean=summary.lambda_mean,
        spark_advance_deg=setup.spark_advance_deg,
        map_max_kpa=summary.map_max_kpa,
        ramp_rpm_s=summary.ramp_rpm_s,
        temperature_c=summary.temperature_c,
        pressure_kpa=summary.pressure_kpa,
        tyre_pressure_kpa=session.tyre_pressure_kpa,
        tyre_size=session.tyre_size,
        gear=session.gear,
        ratio=session.ratio,
    )
