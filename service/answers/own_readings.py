"""How a car reads now against its own earlier readings, in figures and in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.answers.car_levels import StateFigures, figures_of_states
from service.answers.model import ModelState
from service.answers.pairs_gain import shop_spreads
from service.domain.correction import STANDARDS
from service.domain.engine import Engine
from service.domain.measures import Measure
from service.domain.shop import Shop
from service.stats import own_readings as own
from service.stats.noise import PRIOR_SD
from service.stats.pairs import Spreads
from service.store.car_states import StateRow, states_of_car
from service.store.db import Connection

MOST_STATES = 500
"""A car's newest setups that are held against each other (our choice: decades of visits)."""
MOST_STEPS = 50
"""Changes of state that are listed, the newest (our choice)."""


@dataclass(frozen=True, slots=True)
class OwnReadings:
    """The answer, in SI. `newest`: the newest setup that is not struck; `now`: the newest that has a figure.

    `first`: against the car's first stock reading where there is one (`first_is_stock`), else against its first.
    `in_state`: now against each earlier visit in the same state, oldest first. `left_out`: setups by why.
    """

    figures: Mapping[int, StateFigures]
    newest: StateFigures | None
    now: StateFigures | None
    first: own.Change | None
    first_is_stock: bool
    in_state: tuple[own.Change, ...]
    fall: own.Fall | None
    returned: own.Change | None
    steps: tuple[own.Change, ...]
    told_apart: float
    level: float
    left_out: Mapping[str, int]
    setups: int
    sessions: int

    def of(self, reading: own.Reading) -> StateFigures:
        """The setup behind a reading."""
        return self.figures[reading.key]


def own_readings(
    conn: Connection,
    vehicle_id: int,
    measure: Measure,
    standard: str,
    engine: Engine,
    level: float,
    state: ModelState | None,
    shop: Shop,
    bay: str | None = None,
) -> OwnReadings:
    """Hold a car's readings in one measure and standard against each other; `bay`: as `states_of_car` takes it."""
    rows = states_of_car(conn, vehicle_id, before=None, limit=MOST_STATES, bay=bay)[::-1]
    every = figures_of_states(conn, rows, measure, standard, engine, state)
    usable, left_out = sorted_out(every, standard)
    readings = [reading_of(one) for one in usable]
    noise = noise_of(state, shop)
    now = readings[-1] if readings else None
    first, is_stock = first_against(readings, noise, level)
    counted = [one for one in every if one.row.struck is None]
    return OwnReadings(
        figures={one.row.setup_id: one for one in every},
        newest=counted[-1] if counted else None,
        now=usable[-1] if usable else None,
        first=first,
        first_is_stock=is_stock,
        in_state=tuple(own.change(one, now, noise, level) for one in own.same_state(readings, now))
        if now
        else (),
        fall=own.fall(readings, now, noise, level) if now else None,
        returned=own.returned(readings, noise, level),
        steps=tuple(own.steps(readings, noise, level)[-MOST_STEPS:]),
        told_apart=own.told_apart(noise, level),
        level=level,
        left_out=left_out,
        setups=len(rows),
        sessions=len({row.session_id for row in rows}),
    )


def sorted_out(every: Sequence[StateFigures], standard: str) -> tuple[list[StateFigures], dict[str, int]]:
    """The setups whose figures can be held against each other, and how many cannot, by why."""
    usable, left_out = [], dict[str, int]()
    for one in every:
        why = why_not(one, standard)
        if why is None:
            usable.append(one)
        else:
            left_out[why] = left_out.get(why, 0) + 1
    return usable, left_out


def why_not(one: StateFigures, standard: str) -> str | None:
    """Why a setup's figure is not held against others; None where it is."""
    if one.row.struck is not None:
        return "struck"
    if one.row.doubts:
        return "doubts stand against the pulls, not confirmed"
    if one.mean is None:
        return "without this measure"
    return None if one.brought else f"not known in {STANDARDS[standard].name}"


def reading_of(one: StateFigures) -> own.Reading:
    """A setup as a reading."""
    row: StateRow = one.row
    assert one.mean is not None
    return own.Reading(
        key=row.setup_id,
        session=row.session_id,
        bay=row.bay_id,
        value=one.mean,
        pulls=row.pulls,
        parts=frozenset(row.parts),
        complete=row.parts_known == "complete",
        best_of=row.best_of,
        offset=one.offset,
        offset_variance=one.offset_variance,
    )


def noise_of(state: ModelState | None, shop: Shop) -> Spreads:
    """The shop's own noise: as the history model found it, else as the settings say."""
    if state is None:
        return shop_spreads(PRIOR_SD, shop)
    fit = state.system.fit
    return Spreads(fit.pull_spread, fit.spreads.setup, fit.spreads.session, fit.spreads.bay)


def first_against(
    readings: Sequence[own.Reading], noise: Spreads, level: float
) -> tuple[own.Change | None, bool]:
    """Now against the first stock reading, else against the first one; whether it is stock."""
    if len(readings) < 2:
        return None, False
    stock = [one for one in readings[:-1] if one.complete and not one.parts]
    begin = stock[0] if stock else readings[0]
    return own.change(begin, readings[-1], noise, level), bool(stock)
