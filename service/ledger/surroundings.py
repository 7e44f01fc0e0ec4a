"""The company a post comes into, asked of the ledger while the post is derived, and put together for the checks."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

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
from service.domain.curve import GRID_RPM, Peaks, smooth_many
from service.domain.derive import observed_trace
from service.domain.records import Part, PostedSession
from service.domain.reference import StockSetup, stock_reference
from service.domain.shop import Shop
from service.ledger.again import posted_again
from service.store import sessions
from service.store import surroundings as store
from service.store.db import Connection, Later

CALIBRATION = "calibration"


@dataclass(frozen=True, slots=True)
class AskedCompany:
    """What was asked about a post's company, still on its way."""

    stock: Later[list[StockSetup]]
    earlier: Later[list[EarlierState]]
    bay_pulls: Later[list[BayPull]]
    site_air: Later[list[SiteAir]]
    bay_stock: Later[list[store.BayStock]]
    elsewhere: Later[tuple[tuple[str, datetime], ...]]


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
    session: PostedSession,
    *,
    derived: Derived,
    bay: sessions.PostingBay,
    parts: Mapping[str, Part],
    pull_spread: float,
    shop: Shop,
) -> Surroundings:
    """The company, put together; a curve that may have been posted before is read and drawn again."""
    peaks = peaks_of(derived)
    alike = store.ask_alike_pulls(conn, session, peaks) if peaks else list
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
        same_peaks=tuple(same_peaks(alike())),
        calibrations=frozenset(slug for slug, part in parts.items() if CALIBRATION in part.slots),
        bay_kind=bay.kind,
        session_spread=shop["session_spread"],
        bay_spread=shop["bay_spread"],
        bay_level=median(other_days) if len(other_days) >= store.FEWEST_CARS_TO_JUDGE else None,
    )


def peaks_of(derived: Derived) -> dict[tuple[int, int], Peaks]:
    """The observed peaks of the pulls that have a curve."""
    return {place: pull.observed for place, pull in derived.items() if pull.grid is not None}


def same_peaks(alike: Sequence[store.AlikePull]) -> Iterator[SamePeaks]:
    """Kept pulls of the car, or of the bay's day, whose peaks are those of a posted one, with their observed curves drawn
    again from what was posted."""
    posted = [posted_again(one.pull, one.channels, one.engine) for one in alike]
    traces = [observed_trace(pull, one.ratio, one.engine) for pull, one in zip(posted, alike, strict=True)]
    grids = smooth_many(traces, [GRID_RPM] * len(traces))  # without peaks, which take most of deriving
    for one, grid in zip(alike, grids, strict=True):
        yield SamePeaks(one.setup_n, one.pull_n, one.pull.pull_id, one.session, one.vehicle, grid)
