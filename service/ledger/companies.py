"""The company that several posts of one transaction come into: read once for all of them, and grown by each that is kept.

What a post finds here is what `surroundings.ask_company` would read for it, had those before it been written by then;
tests/transfer/test_same_as_posted.py holds the two against each other.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, tzinfo
from itertools import islice
from typing import TypeVar
from uuid import UUID

from service.domain.checks.case import BayPull, EarlierState, SiteAir
from service.domain.derive import ANY_STANDARD
from service.domain.records import PostedPull, PostedSession
from service.domain.reference import StockSetup
from service.domain.review import DISAGREE
from service.ledger.states import State
from service.ledger.surroundings import AskedCompany, first_and_last
from service.store import companies as store
from service.store.db import Connection, together
from service.store.many_posts import NamedBay
from service.store.sessions import RECENT_SETUPS, LockedCar, PostingBay
from service.store.surroundings import (
    FEWEST_CARS_TO_JUDGE,
    HALF_A_DAY,
    HALF_AN_HOUR,
    NEWEST_OF_BAY,
    NEWEST_PULLS,
    NEWEST_STATES,
    NEWEST_STOCK,
    BayStock,
)

Key = TypeVar("Key")
Value = TypeVar("Value")
CarAt = tuple[int, datetime]
BayAt = tuple[int, datetime]


@dataclass(frozen=True, slots=True)
class Visitor:
    """One of several posts, under its own names, with the car and the bay it names."""

    session: PostedSession
    car: LockedCar
    bay: NamedBay

    @property
    def car_at(self) -> CarAt:
        """The car and when it came."""
        return self.car.vehicle_id, self.session.started_at

    @property
    def bay_at(self) -> BayAt:
        """The bay and when."""
        return self.bay.bay_id, self.session.started_at

    @property
    def stay(self) -> store.Stay:
        """The bay, and from when to when it pulled."""
        return (self.bay.bay_id, *first_and_last(self.session))


@dataclass
class Companies:
    """What the ledger holds around some cars and bays, each list the newest first; what this transaction adds comes to it."""

    zone: tzinfo
    stock: dict[int, list[tuple[int, StockSetup]]]
    """By platform: the bay that measured it, and the stock setup."""
    bay_stock: dict[int, list[store.StockPower]]
    powers: dict[int, list[float]]
    squares: dict[int, list[float]]
    freedom: dict[int, list[int]]
    """By bay: of its setups, the sums of squares of their pulls' spread, and its degrees of freedom."""
    earlier: dict[CarAt, list[EarlierState]]
    bay_pulls: dict[BayAt, list[BayPull]]
    site_air: dict[store.Stay, list[SiteAir]]
    visits: dict[CarAt, list[tuple[str, datetime]]]
    new_states: dict[int, list[list[EarlierState]]] = field(default_factory=lambda: defaultdict(list))
    new_pulls: dict[int, list[tuple[datetime, BayPull]]] = field(default_factory=lambda: defaultdict(list))
    new_air: dict[str, list[tuple[datetime, int, SiteAir]]] = field(default_factory=lambda: defaultdict(list))
    new_visits: dict[int, list[tuple[str, datetime]]] = field(default_factory=lambda: defaultdict(list))
    middles: dict[int, float | None] = field(default_factory=dict)
    """By platform: the median of ln of its stock cars' powers, forgotten when one comes to them."""

    def posting_bay(self, bay: NamedBay) -> PostingBay:
        """The bay with the spread of its newest pulls."""
        squares, freedom = self.squares.get(bay.bay_id, ())[:RECENT_SETUPS], self.freedom.get(bay.bay_id, ())
        df = sum(freedom[:RECENT_SETUPS])
        return PostingBay(bay.bay_id, bay.altitude_m, bay.kind, sum(squares), df, bay.corrections)

    def of(self, one: Visitor) -> AskedCompany:
        """The company that a post comes into."""
        return AskedCompany(
            stock=lambda: self._stock(one),
            earlier=lambda: self._earlier(one),
            bay_pulls=lambda: self._bay_pulls(one),
            site_air=lambda: self._site_air(one),
            bay_stock=lambda: self._bay_stock(one),
            elsewhere=lambda: self._elsewhere(one),
        )

    def _stock(self, one: Visitor) -> list[StockSetup]:
        others = (
            setup
            if bay_id == one.bay.bay_id or setup.speed_ratio is None
            else replace(setup, speed_ratio=None)
            for bay_id, setup in self.stock.get(one.car.platform.platform_id, ())
            if setup.vehicle_id != one.car.vehicle_id
        )
        return list(islice(others, NEWEST_STOCK))

    def _earlier(self, one: Visitor) -> list[EarlierState]:
        vehicle_id, at = one.car_at
        newer = [
            state
            for states in reversed(self.new_states.get(vehicle_id, ()))
            for state in states
            if state.started_at < at
        ]
        every = sorted(
            [*newer, *self.earlier.get((vehicle_id, at), ())],
            key=lambda state: state.started_at,
            reverse=True,
        )
        return every[:NEWEST_STATES]

    def _bay_pulls(self, one: Visitor) -> list[BayPull]:
        bay_id, at = one.bay_at
        newer = [pull for began, pull in self.new_pulls.get(bay_id, ()) if abs(began - at) <= HALF_A_DAY]
        every = [*self.bay_pulls.get((bay_id, at), ()), *newer]
        nearest = sorted(every, key=lambda pull: abs(pull.started_at - at))[:NEWEST_PULLS]
        return sorted(nearest, key=lambda pull: pull.started_at)

    def _site_air(self, one: Visitor) -> list[SiteAir]:
        if one.bay.site is None:
            return []
        bay_id, first, last = one.stay
        newer = [
            air
            for began, other, air in self.new_air.get(one.bay.site, ())
            if other != bay_id
            and first - HALF_A_DAY <= began <= last + HALF_A_DAY
            and first - HALF_AN_HOUR <= air.at <= last + HALF_AN_HOUR
        ]
        every = [*self.site_air.get(one.stay, ()), *newer]
        return sorted(every, key=lambda air: air.at)[:NEWEST_PULLS]

    def _bay_stock(self, one: Visitor) -> list[BayStock]:
        bay_id, at = one.bay_at
        own, first, last = one.car.vehicle_id, at - HALF_A_DAY, at + HALF_A_DAY
        others = (stock for stock in self.bay_stock.get(bay_id, ()) if stock.vehicle_id != own)
        logs: dict[tuple[str, int, bool], list[float]] = {}
        for stock in islice(others, NEWEST_OF_BAY):
            key = stock.vehicle, stock.platform_id, first <= stock.started_at <= last
            logs.setdefault(key, []).append(stock.log_power)
        return [
            BayStock(vehicle, today, sum(found) / len(found) - middle)
            for (vehicle, platform_id, today), found in logs.items()
            if (middle := self._middle(platform_id)) is not None
        ]

    def _middle(self, platform_id: int) -> float | None:
        if platform_id not in self.middles:
            self.middles[platform_id] = middle_of(self.powers.get(platform_id, [])[:NEWEST_OF_BAY])
        return self.middles[platform_id]

    def _elsewhere(self, one: Visitor) -> tuple[tuple[str, datetime], ...]:
        vehicle_id, at = one.car_at
        every = [*self.visits.get((vehicle_id, at), ()), *self.new_visits.get(vehicle_id, ())]
        return tuple(
            (bay, began) for bay, began in every if bay != one.session.bay and abs(began - at) <= HALF_A_DAY
        )

    def add(self, one: Visitor, id: UUID, corrected: PostedSession, states: Sequence[State]) -> None:
        """A session that will be kept: those after it meet it. corrected: as its bay would have posted it, had it been
        right."""
        session, began = one.session, one.session.started_at.astimezone(self.zone)
        for state in states:
            self._add_state(one, began, state)
        comparable = [state for state in states if comparable_later(state)]
        if comparable:
            self.new_states[one.car.vehicle_id].append(
                [earlier_of(session, id, began, state) for state in comparable]
            )
        self.new_visits[one.car.vehicle_id].append((session.bay, began))
        for pull in (pull for setup in corrected.setups for pull in setup.pulls):
            at = began if pull.started_at is None else pull.started_at.astimezone(self.zone)
            self.new_pulls[one.bay.bay_id].append((began, bay_pull_of(session, id, at, pull)))
            if one.bay.site is not None:
                air = SiteAir(session.bay, at, pull.temperature_c, pull.pressure_kpa, pull.humidity)
                self.new_air[one.bay.site].append((began, one.bay.bay_id, air))

    def _add_state(self, one: Visitor, began: datetime, state: State) -> None:
        keys, summary, power = state.keys, state.summary, state.summary.power_kw
        if not keys.counts:
            return
        agree = (
            DISAGREE not in keys.doubts
        )  # else it neither widens its bay's spread nor stands for its level
        if agree:
            self.squares.setdefault(keys.bay_id, []).insert(0, summary.spread_ss)
            self.freedom.setdefault(keys.bay_id, []).insert(0, summary.spread_df)
        if not (keys.stock and summary.level_standard == ANY_STANDARD and power is not None and power > 0):
            return
        self.powers.setdefault(keys.platform_id, []).insert(0, power)
        self.middles.pop(keys.platform_id, None)
        if agree:
            stock = store.StockPower(
                keys.bay_id, keys.vehicle_id, one.car.tag, keys.platform_id, began, math.log(power)
            )
            self.bay_stock.setdefault(keys.bay_id, []).insert(0, stock)
        if not keys.doubts and keys.stock_checked != "unknown" and (summary.power_rpm or 0.0) > 0:
            self.stock.setdefault(keys.platform_id, []).insert(0, (keys.bay_id, stock_of(one, state)))


def comparable_later(state: State) -> bool:
    """Whether a state may stand among its car's earlier ones."""
    keys = state.keys
    return keys.counts and keys.complete and not keys.doubts and state.summary.level_standard == ANY_STANDARD


def earlier_of(session: PostedSession, id: UUID, began: datetime, state: State) -> EarlierState:
    """A state as later posts of its car see it."""
    return EarlierState(
        session=str(id),
        setup_n=state.posted.n,
        bay=session.bay,
        started_at=began,
        parts=frozenset(part.slug for part in state.posted.parts),
        gear=session.gear,
        speed_ratio=state.summary.speed_ratio,
        power_kw=state.summary.power_kw,
        torque_nm=None,
        tyre_size=session.tyre_size,
    )


def bay_pull_of(session: PostedSession, id: UUID, at: datetime, pull: PostedPull) -> BayPull:
    """A pull as later posts of its bay see it."""
    return BayPull(
        str(id), session.vehicle, at, session.sequence, pull.temperature_c, pull.pressure_kpa, pull.humidity
    )


def stock_of(one: Visitor, state: State) -> StockSetup:
    """A stock setup as later posts of its platform see it: figures that a record without a curve has."""
    power, speed = state.summary.power_kw, state.summary.power_rpm
    assert power is not None
    assert speed is not None
    return StockSetup(
        vehicle_id=one.car.vehicle_id,
        power_kw=power,
        power_rpm=speed,
        gear=one.session.gear,
        speed_ratio=state.summary.speed_ratio,
        ethanol=state.posted.ethanol,
        torque_nm=None,
    )


def middle_of(powers: Sequence[float]) -> float | None:
    """The median of the logarithms, as Postgres's percentile_cont(0.5) gives it; None for too few."""
    if len(powers) < FEWEST_CARS_TO_JUDGE:
        return None
    logs = sorted(map(math.log, powers))
    low, high = logs[(len(logs) - 1) // 2], logs[len(logs) // 2]
    return low + 0.5 * (high - low)


def gathered(conn: Connection, visitors: Sequence[Visitor]) -> Companies:
    """All that the checks hold some posts against, before the first of them is kept."""
    cars = {one.car.vehicle_id for one in visitors}
    bays, platforms = {one.bay.bay_id for one in visitors}, {one.car.platform.platform_id for one in visitors}
    car_times, bay_times = list({one.car_at for one in visitors}), list({one.bay_at for one in visitors})
    with together(conn):
        bay_stock = store.ask_bay_stock(conn, bays, cars)
        stock = store.ask_platform_stock(conn, platforms, cars)
        asked_spreads = store.ask_bay_spreads(conn, bays)
        earlier = store.ask_earlier_states(conn, car_times)
        pulls = store.ask_bay_pulls(conn, bay_times)
        air = store.ask_site_air(conn, list({one.stay for one in visitors if one.bay.site is not None}))
        visits = store.ask_visits(conn, car_times)
        in_bays, spreads = bay_stock(), asked_spreads()
        powers = store.ask_platform_powers(conn, platforms | {one.platform_id for one in in_bays})
        return Companies(
            zone=conn.info.timezone,
            bay_stock=listed((one.bay_id, one) for one in in_bays),
            stock=listed((one.platform_id, (one.bay_id, one.setup)) for one in stock()),
            squares=listed((bay_id, ss) for bay_id, ss, _ in spreads),
            freedom=listed((bay_id, df) for bay_id, _, df in spreads),
            earlier=listed(earlier()),
            bay_pulls=listed(pulls()),
            site_air=listed(air()),
            visits=listed(((car, at), (bay, began)) for car, at, bay, began in visits()),
            powers=listed(powers()),
        )


def listed(pairs: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Values by their key, in the order in which they come."""
    found: dict[Key, list[Value]] = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return found
