"""How a car stands among its kind by all its setups, in one sentence; the same verdict as of what is odd."""

import numpy as np

from service.answers.measured import solved_for
from service.answers.model import ModelState
from service.domain.measures import Measure
from service.stats.history.cells import CarEffects
from service.stats.history.outliers import judged_cars, may_be_odd, odd_cars
from service.stats.history.place import GROUPS, place, platform_spread
from service.store.db import Connection

ALLOWED_FOR = "its parts and the bays allowed for"


def standing_among(
    conn: Connection, vehicle_id: int, measure: Measure, standard: str, level: float, state: ModelState
) -> str | None:
    """A car's standing by all its setups; None where no verdict is possible. level: how sure, 0..1."""
    platform = state.system.platform_of(vehicle_id)
    if platform is None:
        return None
    solved = solved_for(conn, state, measure, standard)
    cars = solved.cars(platform)
    rows = np.flatnonzero((cars.vehicle_id == vehicle_id) & judged_cars(cars))
    if not len(rows):
        return None
    row, kind = int(rows[0]), state.system.catalogue.platforms[platform].name
    # Of most cars their platform alone says that they are not: only the others are looked for among all.
    among_all = odd_cars(solved.cars()) if may_be_odd(cars)[row] else []
    odd = [one for one in among_all if one.vehicle_id == vehicle_id]
    if odd:
        percent = odd[0].deviation_percent
        by = f"{abs(percent):.1f} % {'more' if percent > 0.0 else 'less'}"
        return f"By all its setups it makes {by} than other {kind} cars, {ALLOWED_FOR}: it is listed as odd."
    words = group_words(cars, row, level, solved.shop_spread())
    return f"By all its setups, {ALLOWED_FOR}, it is {words} {kind} car."


def group_words(cars: CarEffects, row: int, level: float, shop: float) -> str:
    """Against the average car of its kind, as the spread of stock cars groups them. cars: of its platform; shop: spread
    over all platforms [ln]."""
    spread = platform_spread(cars.own, cars.own_variance, shop)
    group = place(float(cars.own[row]), float(cars.own_variance[row]), spread, level).group
    return "too close to call against the average" if group == GROUPS[2] else f"{group} the average"
