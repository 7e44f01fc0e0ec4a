"""The company a post comes into, asked of the ledger while the post is derived, and put together for the checks."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

import numpy as np
from numpy.typing import NDArray

from service.domain.channels import ALONG_THE_CURVE
from service.domain.checks.case import (
    BayDayCar,
    BayPull,
    Derived,
    EarlierState,
    SamePeaks,
    SiteAir,
    Surroundings,
)
from service.domain.curve import Peaks
from service.domain.derive import derive_pull
from service.domain.records import Part, PostedSession
from service.domain.reference import StockSetup, stock_reference
from service.domain.shop import Shop
from service.ledger.again import posted_again
from service.store import reading, sessions
from service.store import surroundings as store
from service.store.db import Connection, Later

CALIBRATION = "calibration"
SAME_PEAKS = 0.0005
SAME_PEAK_RPM = 25.0
"""Pulls whose peaks lie nearer than this share, and this many rpm, are looked at speed by speed: were they posted before?
(our choice)"""


@dataclass(frozen=True, slots=True)
class AskedCompany:
    """What was asked about a post's company, still on its way."""

    stock: Later[list[StockSetup]]
    earlier: Later[list[EarlierState]]
    bay_pulls: Later[list[BayPull]]
    site_air: Later[list[SiteAir]]
    bay_stock: Later[list[store.BayStock]]
    elsewhere: Later[tuple[tuple[str, datetime], ...]]
    peaks: Later[list[store.PullPeaks]]


def ask_company(conn: Connection, session: PostedSession) -> AskedCompany:
    """Ask for everything that the checks hold a post against."""
    first, last = first_and_last(session)
    posted = {name for setup in session.setups for pull in setup.pulls for name in pull.channels}
    recorded = posted.intersection(ALONG_THE_CURVE)
    return AskedCompany(
        stock=store.ask_stock_setups(conn, session.vehicle, session.bay, recorded),
        earlier=store.ask_earlier_states(conn, session.vehicle, session.started_at),
        bay_pulls=store.ask_bay_pulls(conn, session.bay, session.started_at),
        site_air=store.ask_site_air(conn, session.bay, first, last),
        bay_stock=store.ask_bay_stock(conn, session.bay, session.started_at, session.vehicle),
        elsewhere=store.ask_elsewhere(conn, session.vehicle, session.bay, session.started_at),
        peaks=store.ask_pull_peaks(conn, session.vehicle, session.bay, session.started_at, session.id),
    )


def first_and_last(session: PostedSession) -> tuple[datetime, datetime]:
    """When the first and the last thing that is known of a session happened."""
    times = [
        pull.started_at for setup in session.setups for pull in setup.pulls if pull.started_at is not None
    ]
    return min([session.started_at, *times]), max([session.started_at, *times])


def surroundings(
    conn: Connection,
    asked: AskedCompany,
    *,
    derived: Derived,
    bay: sessions.PostingBay,
    parts: Mapping[str, Part],
    pull_spread: float,
    shop: Shop,
) -> Surroundings:
    """The company, put together; a curve that may have been posted before is read and derived again."""
    bay_stock = asked.bay_stock()
    other_days = [car.residual for car in bay_stock if not car.today]
    return Surroundings(
        pull_spread=pull_spread,
        altitude_m=bay.altitude_m,
        reference=stock_reference(asked.stock()),
        earlier=tuple(asked.earlier()),
        bay_pulls=tuple(asked.bay_pulls()),
        site_air=tuple(asked.site_air()),
        bay_day=tuple(BayDayCar(car.vehicle, car.residual) for car in bay_stock if car.today),
        elsewhere=asked.elsewhere(),
        same_peaks=tuple(same_peaks(conn, asked.peaks(), derived)),
        calibrations=frozenset(slug for slug, part in parts.items() if CALIBRATION in part.slots),
        bay_kind=bay.kind,
        session_spread=shop["session_spread"],
        bay_spread=shop["bay_spread"],
        bay_level=median(other_days) if len(other_days) >= store.FEWEST_CARS_TO_JUDGE else None,
    )


def same_peaks(conn: Connection, peaks: Sequence[store.PullPeaks], derived: Derived) -> Iterator[SamePeaks]:
    """Kept pulls of the car, or of the bay's day, whose peaks are those of a posted one, with their curves."""
    found = [
        (n, pull_n, before)
        for (n, pull_n), pull in derived.items()
        for before in peaks
        if pull.grid is not None and alike(pull.observed, before)
    ]
    if not found:
        return
    curves = observed_curves(conn, sorted({before.pull_id for _, _, before in found}))
    for n, pull_n, before in found:
        if before.pull_id in curves:
            yield SamePeaks(n, pull_n, before.pull_id, before.session, before.vehicle, curves[before.pull_id])


def alike(peaks: Peaks, before: store.PullPeaks) -> bool:
    """Whether two pulls' peaks are near enough for their curves to be compared."""
    return (
        abs(peaks.power_kw - before.power_kw) < SAME_PEAKS * before.power_kw
        and abs(peaks.torque_nm - before.torque_nm) < SAME_PEAKS * before.torque_nm
        and abs(peaks.power_rpm - before.power_rpm) < SAME_PEAK_RPM
    )


def observed_curves(conn: Connection, pull_ids: Sequence[int]) -> dict[int, NDArray[np.float64]]:
    """Observed torque of stored pulls on the grid [N.m], derived again from what was posted."""
    channels = reading.channels_of_pulls(conn, list(pull_ids))
    curves: dict[int, NDArray[np.float64]] = {}
    for pull_id in pull_ids:
        found = reading.find_pull(conn, pull_id)
        session = found and reading.get_session(conn, found[1])
        if found is None or session is None:
            continue  # struck out of sight since its peaks were read
        posted = posted_again(found[0], channels.get(pull_id, {}), session.engine)
        grid = derive_pull(posted, session.ratio, session.engine).grid
        if grid is not None:
            curves[pull_id] = grid
    return curves
