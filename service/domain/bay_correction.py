"""What was found to be wrong with a bay's figures of a period, and a pull as it would have been posted without it.

The posted samples are never touched: a correction is read wherever a pull is derived, before anything else is done.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from service.domain.records import PostedPeaks, PostedPull, PostedSession

ENGINE_CHANNELS = ("torque", "power", "axle_torque")
"""The channels that a machine's factor scales: power is torque by speed."""


@dataclass(frozen=True, slots=True)
class Correction:
    """True torque and power = recorded x `factor`; true air = recorded + `temperature_k` [K], `pressure_kpa` [kPa].

    `basis` says what the figures really are ({"standard": slug or None for observed, "factor": number or None}); None
    of any: as it was posted.
    """

    correction_id: int
    factor: float | None = None
    temperature_k: float | None = None
    pressure_kpa: float | None = None
    basis: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Period:
    """A correction and the time it holds for: from `starts_at` up to, but not at, `ends_at`."""

    starts_at: datetime
    ends_at: datetime
    correction: Correction


def correction_at(periods: Sequence[Period], at: datetime) -> Correction | None:
    """The correction that holds at a moment; None where the bay's figures stand as they were posted."""
    return next((one.correction for one in periods if one.starts_at <= at < one.ends_at), None)


def as_corrected(pull: PostedPull, correction: Correction | None) -> PostedPull:
    """A pull as the bay would have posted it, had it been right; what was not recorded stays unknown."""
    if correction is None:
        return pull
    factor = 1.0 if correction.factor is None else correction.factor
    basis = {} if correction.basis is None else correction.basis
    return replace(
        pull,
        channels={
            name: values * factor if name in ENGINE_CHANNELS else values
            for name, values in pull.channels.items()
        },
        peaks=None if pull.peaks is None else scaled_peaks(pull.peaks, factor),
        temperature_c=plus(pull.temperature_c, correction.temperature_k),
        pressure_kpa=plus(pull.pressure_kpa, correction.pressure_kpa),
        basis_standard=basis.get("standard", pull.basis_standard),
        basis_factor=basis.get("factor", pull.basis_factor),
    )


def scaled_peaks(peaks: PostedPeaks, factor: float) -> PostedPeaks:
    """Peaks read by a machine whose factor was wrong; their speeds are not."""
    return replace(peaks, power_kw=times(peaks.power_kw, factor), torque_nm=times(peaks.torque_nm, factor))


def corrected_session(session: PostedSession, periods: Sequence[Period]) -> PostedSession:
    """A session with every pull as the bay would have posted it; the very same where no correction holds."""
    if not any(correction_at(periods, at) for at in times_of(session)):
        return session
    setups = (
        replace(
            setup,
            pulls=tuple(
                as_corrected(pull, correction_at(periods, pull.started_at or session.started_at))
                for pull in setup.pulls
            ),
        )
        for setup in session.setups
    )
    return replace(session, setups=tuple(setups))


def times_of(session: PostedSession) -> list[datetime]:
    """When each pull of a session began; the session's own beginning where that was not recorded."""
    return [pull.started_at or session.started_at for setup in session.setups for pull in setup.pulls]


def plus(value: float | None, offset: float | None) -> float | None:
    """A figure moved; what was not recorded stays so."""
    return value if value is None or offset is None else value + offset


def times(value: float | None, factor: float) -> float | None:
    """A figure scaled; what was not recorded stays so."""
    return None if value is None else value * factor
