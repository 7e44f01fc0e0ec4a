"""Estimating the history model from all that is committed, and keeping it, whole or not at all."""

import time
from dataclasses import asdict, dataclass
from datetime import datetime

from service.answers.model import PEAK
from service.answers.packed import METHOD, pack
from service.stats.history.fit import fit
from service.store import fits, settings
from service.store.car_changes import mark_now
from service.store.db import Connection
from service.store.past import catalogue, past, reading_once
from service.worker.need import why_refit


@dataclass(frozen=True, slots=True)
class Outcome:
    """What estimating came to; `fit_id` None where nothing counts yet that it could rest on."""

    fit_id: int | None
    cars: int
    setups: int
    seconds: float


def refit(conn: Connection) -> Outcome:
    """Estimate from one moment of the ledger and keep it. The caller sees to it that nobody else does (`estimating`)."""
    began = time.monotonic()
    with reading_once(conn):
        as_of, mark, wishes = this_moment(conn), mark_now(conn), fits.open_wishes(conn)
        standard = shop_standard(conn)
        history, meaning = past(conn, PEAK, standard).history, catalogue(conn)
    fit_id = None
    cars = len(set(history.vehicle_id.tolist()))
    found = fit(history, meaning) if cars else None
    took = time.monotonic() - began
    with conn.transaction():
        if found is not None:
            fit_id = fits.keep_fit(
                conn,
                as_of=as_of,
                measure=PEAK.name,
                standard=standard,
                method=METHOD,
                cars=cars,
                setups=len(history),
                mark=mark,
                packed=pack(found),
                notes={"seconds": round(took, 1), "spreads": asdict(found.spreads)},
            )
        fits.grant_wishes(conn, wishes)
    return Outcome(fit_id, cars, len(history), took)


def refit_if_needed(conn: Connection, lock: Connection) -> Outcome | None:
    """The same where it is needed; None where it is not, or where another one is at it. lock: a second connection."""
    with fits.estimating(lock) as free:
        if free and why_refit(standing_now(conn)) is not None:
            return refit(conn)
    return None


def refit_now(conn: Connection, lock: Connection, who: str) -> Outcome | None:
    """The same, waiting for another one that is at it; None where that one knew all that is committed now."""
    wish = fits.ask_refit(conn, who)
    while True:
        with fits.estimating(lock) as free:
            if free:
                return None if fits.is_granted(conn, wish.wish_id) else refit(conn)
        time.sleep(LOOK_S)


LOOK_S = 0.5
"""How often who waits for another one looks whether he is done (our choice)."""


def standing_now(conn: Connection) -> fits.Standing:
    """How the fit of the shop's own standard stands."""
    return fits.standing(conn, PEAK.name, shop_standard(conn), METHOD)


def shop_standard(conn: Connection) -> str:
    """The standard that the shop answers in."""
    return str(settings.shop_in_force(conn)["standard"])


def this_moment(conn: Connection) -> datetime:
    """When the transaction began, by the database's clock: all that was committed before is in its snapshot."""
    row = conn.execute("SELECT now()").fetchone()
    assert row is not None
    moment: datetime = row[0]
    return moment
