"""Keeping the pulls of a posted session: their scalars, and their samples as they were sent."""

from collections.abc import Sequence
from dataclasses import dataclass

from psycopg.rows import class_row

from service.domain.codec import EncodedTrace
from service.domain.derive import DerivedPull
from service.domain.records import PostedPull
from service.store.db import Connection, Later, as_json, records
from service.store.reading import OF_A_BAY, PullRow
from service.store.reading import PULL_COLUMNS as READ_BACK
from service.store.sessions import known

PULL_COLUMNS = (
    "setup_id", "n", "started_at", "temperature_c", "pressure_kpa", "humidity", "dew_point_c", "vapour_kpa",
    "coolant_c", "oil_c", "inlet_c", "inlet_end_c", "test", "ramp_rpm_s", "smoothing", "source", "basis_standard",
    "basis_factor", "status", "reason", "best_of", "power_kw", "power_rpm", "torque_nm", "torque_rpm", "rpm_from",
    "rpm_to", "factor", "lambda_mean", "map_max_kpa", "correction_id", "posted_power_kw", "posted_torque_nm",
)  # fmt: skip
ADD_PULLS = f"""
    WITH added AS (
        INSERT INTO pull {records("pull", PULL_COLUMNS)}
        RETURNING *
    ), raw AS (
        INSERT INTO pull_raw (pull_id, enc, channels, steps, samples, raw)
        SELECT pull_id, enc, channels, steps, samples, raw
        FROM   json_to_recordset(%s) AS posted (setup_id bigint, n smallint, enc smallint, channels text[],
                                                steps double precision[], samples integer, raw bytea)
               JOIN added USING (setup_id, n)
    )
    SELECT {READ_BACK} FROM added AS pull {OF_A_BAY} ORDER BY setup_id, n
"""  # noqa: S608


def pull_row(new: "NewPull") -> dict[str, object]:
    """One pull's scalars, by column."""
    setup_id, pull, derived = new.setup_id, new.posted, new.derived
    return {
        "setup_id": setup_id,
        "n": pull.n,
        "started_at": pull.started_at,
        "temperature_c": pull.temperature_c,
        "pressure_kpa": pull.pressure_kpa,
        "humidity": pull.humidity,
        "dew_point_c": pull.dew_point_c,
        "vapour_kpa": derived.vapour_kpa,
        "coolant_c": pull.coolant_c,
        "oil_c": pull.oil_c,
        "inlet_c": pull.inlet_c,
        "inlet_end_c": pull.inlet_end_c,
        "test": pull.test,
        "ramp_rpm_s": pull.ramp_rpm_s,
        "smoothing": pull.smoothing,
        "source": pull.source,
        "basis_standard": pull.basis_standard,
        "basis_factor": pull.basis_factor,
        "status": pull.status,
        "reason": pull.reason,
        "best_of": pull.best_of,
        "power_kw": known(derived.observed.power_kw),
        "power_rpm": known(derived.observed.power_rpm),
        "torque_nm": known(derived.observed.torque_nm),
        "torque_rpm": known(derived.observed.torque_rpm),
        "rpm_from": derived.rpm_from,
        "rpm_to": derived.rpm_to,
        "factor": derived.factor,
        "lambda_mean": derived.lambda_mean,
        "map_max_kpa": derived.map_max_kpa,
        "correction_id": new.correction_id,
        "posted_power_kw": pull.peaks and pull.peaks.power_kw,
        "posted_torque_nm": pull.peaks and pull.peaks.torque_nm,
    }


@dataclass(frozen=True, slots=True)
class NewPull:
    """A pull to be kept: as it was posted, what it comes to, and its samples as they are stored."""

    setup_id: int
    posted: PostedPull
    derived: DerivedPull
    trace: EncodedTrace | None
    correction_id: int | None = None


def add_pulls(conn: Connection, pulls: Sequence[NewPull]) -> Later[list[PullRow]]:
    """Insert the scalars and the raw samples of several pulls; answers them as they will be read back."""
    rows = as_json(pull_row(pull) for pull in pulls)
    raws = as_json(
        raw_row(pull.setup_id, pull.posted.n, pull.trace) for pull in pulls if pull.trace is not None
    )
    return conn.cursor(row_factory=class_row(PullRow)).execute(ADD_PULLS, (rows, raws)).fetchall


def raw_row(setup_id: int, n: int, trace: EncodedTrace) -> dict[str, object]:
    """The raw channels of a pull as one compressed value, and where the pull stands."""
    return {
        "setup_id": setup_id,
        "n": n,
        "enc": trace.enc,
        "channels": trace.names,
        "steps": ["NaN" if step is None else step for step in trace.steps],
        "samples": trace.samples,
        "raw": trace.raw,
    }
