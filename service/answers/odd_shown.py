"""An odd one as it is shown: where it stands, what was to be expected, and what the recorded conditions explain of it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import fmean
from typing import TypeVar

import numpy as np

from service.answers.measured import Solved
from service.answers.model import PEAK, ModelState
from service.domain.history import Catalogue
from service.stats.history.cells import SetupResiduals
from service.stats.history.outliers import Odd
from service.stats.history.reasons import Conditions, EngineFacts, Reason, reasons
from service.stats.history.system import System
from service.store.db import Connection
from service.store.model_questions import SetupPlace, UsualConditions, setups_of_cars, usual_conditions
from service.store.past import past_of

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Where:
    """Where an odd one stands: session by its address, bay None where there were several; of a bay itself only the bay."""

    at: datetime
    bay: str | None
    vehicle: str | None = None
    platform: str | None = None
    session: str | None = None


ORDINARY = 1.96
"""Spreads within which 19 of 20 ordinary ones lie (normal law)."""
KINDS = {"car": "cars", "gain": "gains", "bay": "bays"}
"""What an odd one was looked for among; a pull among the setups or the single pulls."""


@dataclass(frozen=True, slots=True)
class OddOne:
    """One that lies apart. value and expected [kW or N.m], in percent where `in_percent`; deviation [%].

    subject: its kind of car, part or bay by name; record: the setup to be looked at, beside: the one it was held against;
    everywhere: whether power and torque lie off on the same side, None where that was not asked.
    """

    kind: str
    where: Where
    deviation_percent: float
    score: float
    reasons: tuple[Reason, ...]
    value: float | None
    expected: float | None
    subject: str = ""
    in_percent: bool = False
    setup: int | None = None
    pull: int | None = None
    part: str | None = None
    record: SetupPlace | None = None
    beside: SetupPlace | None = None
    everywhere: bool | None = None

    @property
    def among(self) -> str:
        """The kind it was looked for among: cars, gains, setups, pulls or bays."""
        return KINDS.get(self.kind) or ("setups" if self.pull is None else "pulls")

    @property
    def reach(self) -> float:
        """How far from what is expected 19 of 20 ordinary ones lie [ln]."""
        return ORDINARY * math.log1p(self.deviation_percent / 100.0) / self.score

    @property
    def ordinary(self) -> tuple[float, float] | None:
        """Between which values 19 of 20 ordinary ones lie, like `value`; None where no value was to be expected."""
        if self.expected is None:
            return None
        if self.in_percent:
            middle = math.log1p(self.expected / 100.0)
            return 100.0 * math.expm1(middle - self.reach), 100.0 * math.expm1(middle + self.reach)
        return self.expected * math.exp(-self.reach), self.expected * math.exp(self.reach)


@dataclass(frozen=True, slots=True)
class Company:
    """What odd ones are shown beside: their cars' setups, what is usual for their platforms, setups' figures [kW], and
    what every car's torque is off by [ln], where cars are judged by their power, and parts' typical gains on a kind of car
    (slug) [ln]."""

    state: ModelState
    setups: Mapping[int, Sequence[SetupPlace]]
    usual: Mapping[str, UsualConditions]
    figures: Mapping[int, float]
    heat_soaked: frozenset[int]
    lone_bays: frozenset[str]
    other_peak: Mapping[int, float]
    typical: Mapping[tuple[str, int], float]


def company_of(
    conn: Connection, state: ModelState, standard: str, odd: Sequence[Odd], other_peak: Mapping[int, float]
) -> Company:
    """Read what these are shown beside."""
    cars = {one.vehicle_id for one in odd if one.vehicle_id is not None}
    setups = setups_of_cars(conn, cars)
    platforms = {own[0].platform for own in setups.values()}
    residuals: SetupResiduals = state.system.setups()
    bays = state.system.catalogue.bays
    compared = {level.bay_id for level in state.system.bays if level.identifiable}
    return Company(
        state=state,
        setups=setups,
        usual=usual_conditions(conn, platforms),
        figures=figures_of(conn, standard, {one.vehicle_id for one in odd if one.setup_id is not None}),
        heat_soaked=frozenset(residuals.setup_id[residuals.heat_soaked].tolist()),
        lone_bays=frozenset(bay.slug for key, bay in bays.items() if key not in compared),
        other_peak=other_peak,
        typical=typical_gains(state.system, odd, setups),
    )


def typical_gains(
    system: System, odd: Sequence[Odd], setups: Mapping[int, Sequence[SetupPlace]]
) -> dict[tuple[str, int], float]:
    """The typical gain [ln] of each part that is odd on a car, by the car's platform (slug); a platform's at once."""
    asked: dict[str, set[int]] = {}
    for one in odd:
        own = setups.get(one.vehicle_id or 0, ())
        if one.part_id is not None and own:
            asked.setdefault(own[0].platform, set()).add(one.part_id)
    platforms = {facts.slug: key for key, facts in system.catalogue.platforms.items()}
    found: dict[tuple[str, int], float] = {}
    for slug, parts in asked.items():
        means, _ = system.joint(platforms[slug], sorted(parts))
        found |= {(slug, part): float(mean) for part, mean in zip(sorted(parts), means, strict=True)}
    return found


def figures_of(conn: Connection, standard: str, cars: set[int | None]) -> dict[int, float]:
    """The figure of each setup of these cars, as the model reads it [kW]."""
    history = past_of(conn, PEAK, standard, frozenset(car for car in cars if car is not None)).history
    return {
        int(setup): float(np.exp(value))
        for setup, value in zip(history.setup_id, history.value, strict=True)
        if np.isfinite(value)
    }


def shown_odd(one: Odd, company: Company, solved: Solved) -> OddOne | None:
    """An odd one with its place, its figures and its reasons; None where its setups have gone since."""
    own = company.setups.get(one.vehicle_id or 0, ())
    if one.setup_id is not None:
        return shown_setup(one, [s for s in own if s.setup_id == one.setup_id], own, company)
    if one.part_id is not None:
        return shown_gain(one, own, company)
    return shown_car(one, own, company, solved)


def shown_car(one: Odd, own: Sequence[SetupPlace], company: Company, solved: Solved) -> OddOne | None:
    """A car far from its platform's others."""
    if not own or one.platform_id is None:
        return None
    typical = solved.stock(one.platform_id)
    usual = conditions_usual(company.usual[own[0].platform])
    alone = frozenset(setup.bay for setup in own) <= company.lone_bays
    stock = [setup for setup in own if not setup.part_ids]
    return OddOne(
        kind=one.kind,
        where=place_of(own),
        subject=company.state.system.catalogue.platforms[one.platform_id].name,
        record=(stock or own)[-1],
        everywhere=is_everywhere(one.deviation, company.other_peak.get(one.vehicle_id or 0)),
        value=None if typical is None else typical * (1.0 + one.deviation_percent / 100.0),
        expected=typical,
        deviation_percent=one.deviation_percent,
        score=one.score,
        reasons=(*in_lone_bays(own, alone), *explained(one, own, usual, company)),
    )


EVERYWHERE = 0.5
"""Share of the one peak's deviation that the other has where a whole curve is off (our choice)."""


def is_everywhere(deviation: float, other: float | None) -> bool | None:
    """Whether the other peak lies off on the same side [ln]; None where it is not known."""
    return None if other is None else other * math.copysign(1.0, deviation) >= EVERYWHERE * abs(deviation)


def in_lone_bays(own: Sequence[SetupPlace], alone: bool) -> tuple[Reason, ...]:
    """That a car was only measured where no other bay can be compared with."""
    if not alone:
        return ()
    named = " and ".join(sorted({setup.bay for setup in own}))
    words = (
        f"it was measured in {named} only, which shares no car with another bay: the bay's level may be meant"
    )
    return (Reason("bay-not-compared", words, None),)


def shown_gain(one: Odd, own: Sequence[SetupPlace], company: Company) -> OddOne | None:
    """What a part did on one car, against what it does on others."""
    with_, without = parted(own, lambda setup: one.part_id in setup.part_ids)
    if not with_ or not without or one.part_id is None:
        return None
    system, part = company.state.system, one.part_id
    record, beside = nearest_two(with_, without)
    typical = company.typical[own[0].platform, part]
    return OddOne(
        kind=one.kind,
        where=place_of(with_),
        subject=system.catalogue.parts[part].name,
        setup=with_[-1].n if len(with_) == 1 else None,
        part=system.catalogue.parts[part].slug,
        record=record,
        beside=beside,
        value=100.0 * float(np.expm1(typical + one.deviation)),
        expected=100.0 * float(np.expm1(typical)),
        in_percent=True,
        deviation_percent=one.deviation_percent,
        score=one.score,
        reasons=explained(one, with_, conditions_of(without), company),
    )


def nearest_two(with_: Sequence[SetupPlace], without: Sequence[SetupPlace]) -> tuple[SetupPlace, SetupPlace]:
    """Of two kinds of a car's setups those that differ by the fewest parts, then the nearest in time."""
    both = [(one, other) for one in with_ for other in without]
    return min(both, key=lambda two: (differing(*two), abs(two[0].started_at - two[1].started_at)))


def differing(one: SetupPlace, other: SetupPlace) -> int:
    """By how many parts two setups differ."""
    return len(set(one.part_ids) ^ set(other.part_ids))


def shown_setup(
    one: Odd, it: Sequence[SetupPlace], own: Sequence[SetupPlace], company: Company
) -> OddOne | None:
    """One setup against the car's others."""
    if not it:
        return None
    others = [setup for setup in own if setup.setup_id != one.setup_id]
    usual = conditions_of(others) if others else conditions_usual(company.usual[it[0].platform])
    value = company.figures.get(it[0].setup_id)
    soaked: tuple[Reason, ...] = ()
    if it[0].setup_id in company.heat_soaked:
        soaked = (
            Reason(
                "heat-soak", "its power fell from pull to pull, consistent with parts that grew hot", None
            ),
        )
    return OddOne(
        kind=one.kind,
        where=place_of(it),
        setup=it[0].n,
        record=it[0],
        beside=nearest_two(it, others)[1] if others else None,
        value=value,
        expected=None if value is None else value / (1.0 + one.deviation_percent / 100.0),
        deviation_percent=one.deviation_percent,
        score=one.score,
        reasons=(*soaked, *explained(one, it, usual, company)),
    )


def place_of(setups: Sequence[SetupPlace]) -> Where:
    """Where some setups of one car stand: the newest's session, and the bay where all were in one."""
    newest, bays = setups[-1], {setup.bay for setup in setups}
    return Where(
        at=newest.started_at,
        bay=bays.pop() if len(bays) == 1 else None,
        vehicle=newest.vehicle,
        platform=newest.platform,
        session=f"/v1/sessions/{newest.session}",
    )


def explained(
    one: Odd, setups: Sequence[SetupPlace], usual: Conditions, company: Company
) -> tuple[Reason, ...]:
    """What the recorded conditions of these setups explain of a deviation. The model has taken some of it out already: of
    inlet air its own estimate, of ethanol all that it does with a calibration."""
    kind, system = company.usual[setups[0].platform], company.state.system
    untuned = [setup for setup in setups if not has_calibration(setup, system.catalogue)]
    here = replace(conditions_of(setups), ethanol=mean_of(untuned, lambda setup: setup.ethanol))
    taken_out = 0.0
    if here.inlet_c is not None and usual.inlet_c is not None:
        taken_out = system.inlet_effect(kind.aspiration) * (here.inlet_c - usual.inlet_c)
    engine = EngineFacts(kind.aspiration != "natural", kind.ignition == "spark")
    return reasons(one.deviation, here, usual, engine, taken_out)


def has_calibration(setup: SetupPlace, catalogue: Catalogue) -> bool:
    """Whether one of its parts is a calibration; a part newer than what is known of parts counts as none."""
    return any(part in catalogue.parts and catalogue.parts[part].is_tune for part in setup.part_ids)


def conditions_of(setups: Sequence[SetupPlace]) -> Conditions:
    """What some setups were measured in: the means of what was recorded."""
    return Conditions(
        inlet_c=mean_of(setups, lambda setup: setup.inlet_c),
        lambda_mean=mean_of(setups, lambda setup: setup.lambda_mean),
        map_kpa=mean_of(setups, lambda setup: setup.map_max_kpa),
        ethanol=mean_of(setups, lambda setup: setup.ethanol),
        factor=mean_of(setups, lambda setup: setup.factor),
    )


def conditions_usual(usual: UsualConditions) -> Conditions:
    """What is usual for a platform."""
    return Conditions(usual.inlet_c, usual.lambda_mean, usual.map_max_kpa, usual.ethanol)


def mean_of(among: Sequence[T], read: Callable[[T], float | None]) -> float | None:
    """Mean of what was recorded; None where nothing was."""
    known = [value for one in among if (value := read(one)) is not None]
    return fmean(known) if known else None


def parted(
    setups: Sequence[SetupPlace], which: Callable[[SetupPlace], bool]
) -> tuple[list[SetupPlace], list[SetupPlace]]:
    """Those for which it holds, and the others."""
    return [setup for setup in setups if which(setup)], [setup for setup in setups if not which(setup)]
