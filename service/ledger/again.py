"""Stored pulls as they were posted, and those divided out anew whose correction rests on an engine that changed."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.bay_correction import Correction, Period, as_corrected, correction_at
from service.domain.derive import air_of, derive_pulls, divided_out, rests_on_engine
from service.domain.engine import Engine
from service.domain.records import PostedPeaks, PostedPull
from service.store import bay_corrections, marking, reading
from service.store.db import Connection


def posted_again(row: reading.PullRow, channels: Mapping[str, Any], engine: Engine) -> PostedPull:
    """A stored pull as its bay would have posted it, had it been right: to be derived again, or to be checked.

    `engine` is the one by which its row was divided out.
    """
    return as_corrected(as_posted(row, channels, engine), correction_of(row))


def correction_of(row: reading.PullRow) -> Correction | None:
    """What a stored pull's derived figures were corrected by; None where by nothing."""
    if row.correction is None:
        return None
    return Correction(**{name: value for name, value in row.correction.items() if name != "recorded"})


def as_posted(row: reading.PullRow, channels: Mapping[str, Any], engine: Engine) -> PostedPull:
    """A stored pull as it was posted: the record is kept raw, so it can be derived again at any time."""
    recorded = {} if row.correction is None else row.correction["recorded"]
    pull = PostedPull(
        n=row.n,
        started_at=row.started_at,
        temperature_c=recorded.get("temperature_c", row.temperature_c),
        pressure_kpa=recorded.get("pressure_kpa", row.pressure_kpa),
        humidity=row.humidity,
        dew_point_c=row.dew_point_c,
        coolant_c=row.coolant_c,
        oil_c=row.oil_c,
        inlet_c=row.inlet_c,
        inlet_end_c=row.inlet_end_c,
        test=row.test,
        ramp_rpm_s=row.ramp_rpm_s,
        smoothing=row.smoothing,
        source=row.source,
        basis_standard=recorded.get("basis_standard", row.basis_standard),
        basis_factor=recorded.get("basis_factor", row.basis_factor),
        status=row.status,
        best_of=row.best_of,
        channels=dict(channels),
    )
    if channels:
        return pull
    if row.posted_power_kw is not None or row.posted_torque_nm is not None:
        power, torque = row.posted_power_kw, row.posted_torque_nm
        return replace(pull, peaks=PostedPeaks(power, row.power_rpm, torque, row.torque_rpm))
    # Kept before its peaks were kept as posted, and never corrected since: the row holds what was observed.
    scale = divided_out(pull, air_of(pull), engine) or 1.0
    power = None if row.power_kw is None else row.power_kw * scale
    torque = None if row.torque_nm is None else row.torque_nm * scale
    return replace(pull, peaks=PostedPeaks(power, row.power_rpm, torque, row.torque_rpm))


def divide_anew(conn: Connection, id: UUID, was: Engine, engine: Engine) -> bool:
    """Divide out again, by its engine as it is known now, what of a session's pulls was divided out by the former one.

    Answers whether there was any. The caller holds the car, and settles the session afterwards.
    """
    row = reading.get_session(conn, id)
    assert row is not None
    resting = [(key, pull) for key, pull in posted_pulls(conn, id, was) if rests_on_engine(pull)]
    keep_derived(conn, resting, row.ratio, engine)
    return bool(resting)


def derive_session(conn: Connection, id: UUID) -> None:
    """Derive every pull of a session again from what was posted. The caller holds the car, and settles the session."""
    row = reading.get_session(conn, id)
    assert row is not None
    keep_derived(conn, posted_pulls(conn, id, row.engine), row.ratio, row.engine)


def posted_pulls(conn: Connection, id: UUID, engine: Engine) -> list[tuple[int, PostedPull]]:
    """Every pull of a session as it was posted, with its key; `engine` is the one by which they were divided out."""
    pulls = reading.pulls_of_session(conn, id)()
    channels = reading.channels_of_pulls(conn, [pull.pull_id for pull in pulls])
    return [(pull.pull_id, posted_again(pull, channels.get(pull.pull_id, {}), engine)) for pull in pulls]


def correct_pulls(conn: Connection, id: UUID) -> None:
    """Derive anew those of a session's pulls for which another correction holds than their figures rest on. The caller
    holds the bay and the car, and settles the session."""
    session = reading.get_session(conn, id)
    assert session is not None
    periods = bay_corrections.periods_of_bay(conn, session.bay)
    moved = moved_pulls(reading.pulls_of_session(conn, id)(), session, periods)
    channels = reading.channels_of_pulls(conn, [pull.pull_id for pull, _ in moved])
    posted = [as_posted(pull, channels.get(pull.pull_id, {}), session.engine) for pull, _ in moved]
    right = [
        (pull.pull_id, as_corrected(recorded, correction))
        for (pull, correction), recorded in zip(moved, posted, strict=True)
    ]
    keep_derived(conn, right, session.ratio, session.engine)
    bay_corrections.mark_pulls(
        conn,
        [
            (pull.pull_id, None if correction is None else correction.correction_id, *peaks_of(recorded))
            for (pull, correction), recorded in zip(moved, posted, strict=True)
        ],
    )


def peaks_of(pull: PostedPull) -> tuple[float | None, float | None]:
    """Power [kW] and torque [N.m] of a record without a curve."""
    return (None, None) if pull.peaks is None else (pull.peaks.power_kw, pull.peaks.torque_nm)


def moved_pulls(
    pulls: Sequence[reading.PullRow], session: reading.SessionRow, periods: Sequence[Period]
) -> list[tuple[reading.PullRow, Correction | None]]:
    """Each pull for which another correction holds than its figures rest on, with that."""
    held = [(pull, correction_at(periods, pull.started_at or session.started_at)) for pull in pulls]
    return [(pull, correction) for pull, correction in held if correction != correction_of(pull)]


def pull_grids(
    conn: Connection,
    pulls: Sequence[reading.PullRow],
    level: str | None,
    ratio: float | None,
    engine: Engine,
) -> list[tuple[reading.PullRow, NDArray[np.float64]]]:
    """Each of these pulls that has a curve at this level (derive.py), with it on the grid [N.m]."""
    channels = reading.channels_of_pulls(conn, [pull.pull_id for pull in pulls])
    posted = [posted_again(pull, channels.get(pull.pull_id, {}), engine) for pull in pulls]
    return [
        (pull, derived.grid * (derived.factor or 1.0))
        for pull, derived in zip(pulls, derive_pulls(posted, ratio, engine), strict=True)
        if derived.grid is not None and derived.level == level
    ]


def keep_derived(
    conn: Connection, posted: Sequence[tuple[int, PostedPull]], ratio: float | None, engine: Engine
) -> None:
    """Derive pulls, each with its key, and write what they come to."""
    derived = derive_pulls([pull for _, pull in posted], ratio, engine)
    keys = [key for key, _ in posted]
    marking.keep_observed(conn, list(zip(keys, derived, strict=True)))


def hold_cars(conn: Connection, platform_id: int) -> Sequence[UUID]:
    """Hold every car of a platform; answers the sessions with pulls that were corrected by its engine.

    A post holds its car first, so none of this platform's can be half kept meanwhile.
    """
    marking.hold_cars_of_platform(conn, platform_id)
    return marking.sessions_resting_on_engine(conn, platform_id)
