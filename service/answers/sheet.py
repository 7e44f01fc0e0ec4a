"""A customer's sheet: one car, one test, with everything that a reader needs to judge the figure (ISO/IEC 17025:2017,
7.8.2.1, is the model).

A sheet is not kept. It is made from the ledger as it stands, and its version is counted from the ledger's own history: 1
and one more for every strike, amendment and confirmation of its sessions, and for every change of what it prints of the
car. So a printed sheet can be found and told from a later one. Pooled figures, the bay's spread and the shop's windows
move with every post; they are not counted but carry the moment up to which they hold (`as_of`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from service.answers.bay_agreement import same_state
from service.answers.cache import Kept
from service.answers.model import ModelState
from service.answers.pairs_gain import Asked, shop_spreads
from service.answers.review import LEVEL as POOLED_LEVEL
from service.answers.review import session_review
from service.answers.sheet_gain import Compared, Held, compare_states
from service.answers.sheet_states import Grid, State, state_of
from service.answers.typical_gain import TypicalGain, typical_gain
from service.answers.without_gain import WithoutGain, without_gain
from service.domain.history import day_number, moment_of
from service.domain.measures import PEAK_POWER
from service.domain.resources import Platform, Vehicle
from service.domain.review import Review, SetupReview
from service.domain.sheet_number import SheetNumber, number_of
from service.domain.shop import Shop
from service.stats.history.check_car import CheckReading, check_readings
from service.store import evidence, sheets
from service.store.curves import curve_of_setup, curves_of_setups
from service.store.db import Connection
from service.store.history import HistoryRow
from service.store.pairs import setups_of_tag
from service.store.past import past_of
from service.store.platforms import get_platform
from service.store.reading import SetupRow, WholeSession
from service.store.review import ReviewedPair, pair_between
from service.store.vehicles import get_vehicle

PRINTED: Final = ("tag", "platform", "model_year")
"""What a sheet prints of its car. The odometer is the one of the test: a later reading belongs to a later visit."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """A setup of a session."""

    record: WholeSession
    setup: SetupRow


@dataclass(frozen=True, slots=True)
class BayCheck:
    """The last reading of a check car in a bay before a test, and on which day."""

    vehicle: str
    at: datetime
    reading: CheckReading


@dataclass(frozen=True, slots=True)
class InBay:
    """The bay of a state with its last check; None where no check car was read there before."""

    bay: sheets.SheetBay
    check: BayCheck | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole sheet in SI; a None: a sheet of one state, which is `b`. changes: those behind its version, oldest first;
    without_gain: how many cars of the pooled comparisons gained nothing."""

    number: SheetNumber
    standard: str
    changes: Sequence[HistoryRow]
    car: Vehicle
    platform: Platform
    odometer_km: float | None
    a: State | None
    b: State
    bays: Mapping[str, InBay]
    review: SetupReview
    compared: Compared | None
    question: evidence.Question | None
    pooled: TypicalGain | None
    without_gain: WithoutGain | None

    @property
    def version(self) -> int:
        """1 and one more for every change."""
        return 1 + len(self.changes)

    @property
    def changed_at(self) -> datetime:
        """When its newest version came to be."""
        return self.changes[-1].at if self.changes else self.b.session.received_at

    @property
    def amended_pulls(self) -> frozenset[int]:
        """Keys of the pulls that were given another status after they were posted."""
        about = (one.about.split("/") for one in self.changes if one.action == "amended")
        return frozenset(int(steps[-1]) for steps in about if steps[-2] == "pulls")

    @property
    def states(self) -> list[State]:
        """A where there is one, and B."""
        return [self.b] if self.a is None else [self.a, self.b]


def make_sheet(
    conn: Connection,
    before: Chosen | None,
    after: Chosen,
    standard: str,
    shop: Shop,
    kept: Kept,
    state: ModelState | None,
) -> Sheet:
    """Join a sheet about one setup, or about two of one car."""
    chosen = [one for one in (before, after) if one is not None]
    session = after.record.session
    parts = sheets.parts_of_setups(conn, [one.setup.setup_id for one in chosen])
    states = [
        state_of(
            one.record,
            one.setup,
            parts,
            curve_of_setup(conn, one.record.session.id, one.setup.n),
            standard,
        )
        for one in chosen
    ]
    a, b = states[0] if before is not None else None, states[-1]
    car, platform = get_vehicle(conn, session.vehicle), get_platform(conn, session.platform)
    assert car is not None
    assert platform is not None
    review = session_review(conn, after.record, standard, shop, kept)
    pair = None if before is None else pair_between(conn, before.setup.setup_id, after.setup.setup_id)
    question, pooled = pooled_answer(conn, pair, session.platform, standard, shop, kept, state)
    return Sheet(
        number=number_of(
            (session.id, after.setup.n),
            None if before is None else (before.record.session.id, before.setup.n),
        ),
        standard=standard,
        changes=sheets.changes_of(conn, sorted({one.record.session.id for one in chosen}), list(PRINTED)),
        car=car,
        platform=platform,
        odometer_km=sheets.odometer_then(conn, car.vehicle_id, session.id),
        a=a,
        b=b,
        bays={one.session.bay: in_bay(conn, one, standard) for one in states},
        review=next(one for one in review.setups if one.n == after.setup.n),
        compared=None if a is None else held_against(conn, a, b, after, pair, review, standard, shop),
        question=question,
        pooled=pooled,
        without_gain=None if pooled is None else without_gain(pooled),
    )


def held_against(
    conn: Connection,
    a: State,
    b: State,
    after: Chosen,
    pair: ReviewedPair | None,
    review: Review,
    standard: str,
    shop: Shop,
) -> Compared:
    """B held against A, with the bay's own pull spread and the shop's other spreads, as the review has it."""
    setups = {one.setup_id: one for one in setups_of_tag(conn, b.session.vehicle)()}
    held = Held(
        before=setups[a.setup.setup_id],
        after=setups[b.setup.setup_id],
        pair=pair,
        numbers={one.setup_id: one.n for one in after.record.setups},
    )
    sides = {a.setup.setup_id, b.setup.setup_id}
    if pair is not None and pair.row.again is not None:
        sides.add(pair.row.again.setup_id)
    curves: dict[int, Grid] = curves_of_setups(conn, sides)
    spreads = shop_spreads(review.pull_spread, shop)
    return compare_states(a, b, held, curves, spreads, standard, shop.windows())


def in_bay(conn: Connection, state: State, standard: str) -> InBay:
    """The bay of a state as it was at the test."""
    at = state.session.started_at
    bay = sheets.bay_at(conn, state.session.bay, at)
    return InBay(bay, last_check(conn, bay.bay_id, at, standard))


def last_check(conn: Connection, bay_id: int, before: datetime, standard: str) -> BayCheck | None:
    """The newest reading of any check car in a bay before a moment, judged by those before it."""
    cars = sheets.check_cars(conn)
    if not cars:
        return None
    history = past_of(conn, PEAK_POWER, standard, list(cars)).history
    events, moment = sheets.events_of_bay(conn, bay_id), day_number(before)
    found = []
    for vehicle_id, tag in cars.items():
        rows = same_state(history, vehicle_id)
        rows = rows[(history.bay_id[rows] == bay_id) & (history.at[rows] < moment)]
        if len(rows):
            readings = check_readings(history.at[rows], history.value[rows], events)
            at = moment_of(float(np.max(history.at[rows])))
            found.append(BayCheck(tag, at, readings[-1]))
    return max(found, key=lambda one: one.at, default=None)


def pooled_answer(
    conn: Connection,
    pair: ReviewedPair | None,
    platform: str,
    standard: str,
    shop: Shop,
    kept: Kept,
    state: ModelState | None,
) -> tuple[evidence.Question | None, TypicalGain | None]:
    """What the whole history says of the part that was changed; nothing where more than one thing was."""
    if pair is None:
        return None, None
    question = evidence.find_question(conn, platform, pair.part, pair.against)
    if question is None:
        return None, None
    asked = Asked(PEAK_POWER, standard, POOLED_LEVEL, None, None, curve=False, pairs=True)
    return question, typical_gain(conn, question, asked, shop, kept, state)
