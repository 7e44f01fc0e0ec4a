"""Three answers of a ledger, by which a copy of it is known to answer as it does: a typical gain, where stock cars lie, a
car's states. By the pairs and as the bays read, without the history model: its fit belongs to the one database it was made
in."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from service.answers.cache import Kept
from service.answers.car_levels import figures_of_states
from service.answers.pairs_gain import Asked
from service.answers.stock_spread import StockAsked, stock_spread
from service.answers.typical_gain import typical_gain
from service.domain.correction import BASE_STANDARD
from service.domain.measures import PEAK_POWER
from service.store import evidence
from service.store.backups import most_measured_car, most_measured_platform
from service.store.car_states import states_of_car
from service.store.db import Connection
from service.store.platforms import get_platform
from service.store.settings import shop_in_force

LEVEL: Final = 0.9
STATES_SHOWN: Final = 100
TOLERANCE: Final = 1e-9
"""Relative: sums of the same rows, added in another order (our choice)."""

Figures = dict[str, Any]


def figures(conn: Connection) -> dict[str, Figures | None]:
    """The three answers, each to the question the ledger has most measured for; None where it has nothing for one."""
    return {"typical_gain": _gain(conn), "stock_spread": _stock(conn), "car_states": _states(conn)}


def _gain(conn: Connection) -> Figures | None:
    best = evidence.list_evidence(conn, platform=None, part=None, after=None, limit=1)
    if not best:
        return None
    question = evidence.find_question(conn, best[0].platform, best[0].part, best[0].against)
    assert question is not None
    asked = Asked(PEAK_POWER, BASE_STANDARD, LEVEL, None, None, curve=True, pairs=True, model=False)
    found = typical_gain(conn, question, asked, shop_in_force(conn), Kept(0), None)
    said = found.headline
    return {
        "platform": best[0].platform,
        "part": best[0].part,
        "against": best[0].against or "without",
        "cars": found.pairs.cars,
        "pairs": found.pairs.pairs_in_all,
        "grade": found.grade,
        "percent": None if said is None else found.percent(said.mean),
        "interval_percent": None if said is None else _percents(said.interval),
        "next_car_percent": None if said is None else _percents(said.next_interval),
    }


def _percents(ends: tuple[float, float] | None) -> list[float] | None:
    return None if ends is None else [100.0 * math.expm1(end) for end in ends]


def _stock(conn: Connection) -> Figures | None:
    platform = most_measured_platform(conn)
    question = None if platform is None else evidence.find_stock_question(conn, platform)
    if question is None:
        return None
    asked = StockAsked(PEAK_POWER, BASE_STANDARD, LEVEL, None, "any", raw=True)
    spread = stock_spread(conn, question, asked, Kept(0), None).spread
    return {
        "platform": platform,
        "cars": 0 if spread is None else spread.n,
        "mean_kw": None if spread is None else spread.mean,
        "sd_kw": None if spread is None else spread.sd,
        "quantiles_kw": None if spread is None else [value for _, value in spread.quantiles],
    }


def _states(conn: Connection) -> Figures | None:
    car = most_measured_car(conn)
    platform = None if car is None else get_platform(conn, car[1])
    if car is None or platform is None:
        return None
    rows = states_of_car(conn, car[0], before=None, limit=STATES_SHOWN)
    made = figures_of_states(conn, rows, PEAK_POWER, BASE_STANDARD, platform.as_engine(), None)
    return {
        "vehicle_number": car[0],
        "states": [
            {
                "session": str(one.row.session),
                "setup": one.row.n,
                "parts": one.row.parts,
                "fitted": one.row.fitted,
                "removed": one.row.removed,
                "kw": one.mean,
                "best_kw": one.best,
            }
            for one in made
        ],
    }


def differences(one: Any, other: Any, at: str = "") -> Iterator[str]:
    """Where two sets of figures differ, in words."""
    if isinstance(one, dict) and isinstance(other, dict):
        for name in sorted({*one, *other}):
            yield from differences(one.get(name), other.get(name), f"{at}.{name}" if at else name)
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for place, (a, b) in enumerate(zip(one, other, strict=True), 1):
            yield from differences(a, b, f"{at}[{place}]")
    elif isinstance(one, float) and isinstance(other, float):
        if not math.isclose(one, other, rel_tol=TOLERANCE, abs_tol=TOLERANCE):
            yield f"{at} is {other:.9g} where it was {one:.9g}"
    elif one != other:
        yield f"{at} is {other!r} where it was {one!r}"
