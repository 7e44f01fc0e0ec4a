"""Stored pulls as they were posted, and those divided out anew whose correction rests on an engine that changed."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.derive import air_of, derive_pulls, divided_out, rests_on_engine
from service.domain.engine import Engine
from service.domain.records import PostedPeaks, PostedPull
from service.store import marking, reading
from service.store.db import Connection


def posted_again(row: reading.PullRow, channels: Mapping[str, Any], engine: Engine) -> PostedPull:
    """A stored pull as it was posted: the record is kept raw, so it can be derived again at any time.

    `engine` is the one by which its row was divided out.
    """
    pull = PostedPull(
        n=row.n,
        started_at=row.started_at,
        temperature_c=row.temperature_c,
        pressure_kpa=row.pressure_kpa,
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
        basis_standard=row.basis_standard,
        basis_factor=row.basis_factor,
        status=row.status,
        best_of=row.best_of,
        channels=dict(channels),
    )
    if channels:
        return pull
    # The row holds what was observed; a peaks-only record is derived again from what was posted.
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
