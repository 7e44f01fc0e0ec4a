"""Whether engine speed stands at its usual ratio to roller speed: against this car before, and its platform.

Vocabulary: g is engine speed over roller speed. It follows from gear, final drive, tyre and roller: only readings of the
same gear in the same bay are compared, and a tyre allows for some percent. The speeds of different bays' rollers are
not comparable at all.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from service.domain.checks.case import Case, EarlierState, PullCase, Remark
from service.domain.checks.machine import HUB
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.derive import locked_ratio
from service.domain.records import PostedSetup

# All our choice.
LEAST_CARS: Final = 3
"""A platform's ratio in a gear is looked at from so many stock cars on."""
TWICE: Final = 0.08
"""How near ln g must lie to ln 2 or ln 1/2 from what is known: other tyres explain as much."""
SAME_GEAR: Final = 0.05
"""How near ln g must lie to that of another gear to name it."""
SAME_SPEED: Final = 0.2
"""How near ln of the peak's engine speed must lie to the platform's to contradict speed counted twice."""


@dataclass(frozen=True, slots=True)
class Known:
    """A speed ratio to compare with, and the earlier state where it is this car's."""

    ratio: float
    state: EarlierState | None = None

    @property
    def words(self) -> str:
        """What it is of."""
        whose = f"this car on {self.state.started_at:%Y-%m-%d}" if self.state else "the platform's stock cars"
        return f"{self.ratio:.3g} of {whose}"


def level_of_setup(case: Case, setup: PostedSetup) -> float | None:
    """Median of the pulls' g; None where none has one."""
    return case.once("speed ratio", lambda: median_level(case.pulls(setup)), setup.n)


def median_level(pulls: Sequence[PullCase]) -> float | None:
    """The same of some pulls."""
    levels = [level for level in (locked_ratio(one.figures) for one in pulls) if level is not None]
    return median(levels) if levels else None


def own_known(case: Case) -> list[Known]:
    """This car's earlier g in the declared gear in this bay, newest first."""
    gear = case.session.gear
    return [
        Known(state.speed_ratio, state)
        for state in case.around.earlier
        if gear is not None and state.gear == gear and state.bay == case.session.bay and state.speed_ratio
    ]


def platform_known(case: Case) -> list[Known]:
    """The platform's g in the declared gear."""
    reference, gear = case.around.reference, case.session.gear
    if reference is None or gear is None or gear not in reference.speed_ratio or reference.cars < LEAST_CARS:
        return []
    return [Known(reference.speed_ratio[gear])]


def compared(case: Case) -> Iterator[tuple[PostedSetup, Sequence[PullCase], float, Known]]:
    """Each setup with its pulls, its g, and what is nearest to it of this car's newest and the platform's."""
    if case.session.gear is None or not (case.around.earlier or case.around.reference):
        return
    known = [*own_known(case)[:1], *platform_known(case)]
    if not known:
        return
    for setup in case.session.setups:
        level = level_of_setup(case, setup)
        if level is not None:
            yield (
                setup,
                case.pulls(setup),
                level,
                min(known, key=lambda one: abs(math.log(level / one.ratio))),
            )


def counted_twice(case: Case, pulls: Sequence[PullCase], apart: float) -> bool:
    """Whether ln g lies a factor of 2 or 1/2 off, and the peak's engine speed does not say otherwise."""
    if abs(abs(apart) - math.log(2.0)) > TWICE:
        return False
    reference = case.around.reference
    if reference is None or not reference.power_rpm > 0.0:
        return True
    at = median(one.figures.observed.power_rpm for one in pulls)
    return not abs(math.log(at / reference.power_rpm)) < SAME_SPEED


@rule("rpm-doubled", "doubtful", "bay", "engine speed counted twice or half: a wrong pick-up setting")
def rpm_doubled(case: Case, _: Limits) -> Iterator[Remark]:
    """Engine speed that is twice or half of what this gear gives."""
    for setup, pulls, level, known in compared(case):
        apart = math.log(level / known.ratio)
        if counted_twice(case, pulls, apart):
            how = "twice" if apart > 0.0 else "half"
            yield case.remark(
                setup,
                f"engine over roller speed is {level:.3g}, {how} the {known.words} in gear {case.session.gear}: "
                f"consistent with engine speed counted {how} (power would be right, torque not); look at the pick-up's "
                "setting (a spark at every turn or at every other?) and post again",
            )


@rule(
    "wrong-gear",
    "doubtful",
    "typing",
    "another gear than the one written down",
    least=Limit(0.15, 0.1, 0.5, "share", "smallest difference between neighbouring gears"),
    most=Limit(0.6, 0.2, 2.0, "share", "largest difference between neighbouring gears"),
)
def wrong_gear(case: Case, limits: Limits) -> Iterator[Remark]:
    """A speed ratio as another gear gives it, known of the platform or a neighbour's distance away."""
    for setup, pulls, level, known in compared(case):
        apart = math.log(level / known.ratio)
        if abs(apart) < math.log1p(limits["least"]) or counted_twice(case, pulls, apart):
            continue
        named = gear_named(case, level)
        if named is None and abs(apart) > math.log1p(limits["most"]):
            continue
        which = "another gear" if named is None else f"gear {named}"
        yield Remark(
            f"engine over roller speed is {level:.3g}, {math.expm1(apart):+.0%} from the {known.words} in gear "
            f"{case.session.gear}: consistent with {which}; set `gear` right, or confirm",
            "/gear",
            setup.n,
        )


def gear_named(case: Case, level: float) -> int | None:
    """The platform's other gear whose g this is."""
    reference = case.around.reference
    others = (
        [] if reference is None else [gear for gear in reference.speed_ratio if gear != case.session.gear]
    )
    if reference is None or not others:
        return None
    nearest = min(others, key=lambda gear: abs(math.log(level / reference.speed_ratio[gear])))
    return nearest if abs(math.log(level / reference.speed_ratio[nearest])) < SAME_GEAR else None


@rule(
    "roller-speed-unit",
    "doubtful",
    "typing",
    "a roller speed in another unit than rpm, such as km/h",
    factor=Limit(1.8, 1.3, 10.0, "-", "how far off every known ratio, either way"),
    low=Limit(0.3, 0.01, 1.0, "-", "smallest engine over roller speed, where none is known"),
    high=Limit(15.0, 2.0, 100.0, "-", "largest"),
)
def roller_speed_unit(case: Case, limits: Limits) -> Iterator[Remark]:
    """Engine over roller speed that no gear gives.

    Against what is known of this car and its platform, whatever gear; beyond any machine's where nothing is.
    """
    known = known_ratios(case)
    for setup in case.session.setups:
        level = level_of_setup(case, setup)
        if level is None:
            continue
        if not known:
            if not limits["low"] <= level <= limits["high"]:
                words = f"{limits['low']:g} to {limits['high']:g} is possible"
                yield case.remark(setup, unit_words(level, words))
            continue
        nearest = min(known, key=lambda one: abs(math.log(level / one.ratio)))
        apart = math.log(level / nearest.ratio)
        if abs(apart) > math.log(limits["factor"]) and not counted_twice(case, case.pulls(setup), apart):
            yield case.remark(setup, unit_words(level, f"{math.exp(apart):.2g} times the {nearest.words}"))


def known_ratios(case: Case) -> list[Known]:
    """Every g that is known in this bay of this car and of its platform, whatever gear."""
    reference = case.around.reference
    platform = () if reference is None or reference.cars < LEAST_CARS else reference.speed_ratio.values()
    own = [state for state in case.around.earlier if state.bay == case.session.bay]
    return [
        *(Known(state.speed_ratio, state) for state in own if state.speed_ratio),
        *(Known(ratio) for ratio in platform),
    ]


def unit_words(level: float, seen: str) -> str:
    """The remark."""
    return (
        f"engine over roller speed is {level:.3g}, {seen}: consistent with km/h or another unit; send "
        "the roller's speed in rpm, or leave roller_speed out"
    )


ANOTHER_GEAR: Final = 0.15
"""From this difference on it is another gear's matter."""


@rule(
    "rpm-scale",
    "doubtful",
    "tyre or strap",
    "other tyres than written down, or an engine-speed ratio taught badly",
    tyre=Limit(0.035, 0.005, 0.15, "share", "difference that wear, pressure and straps explain"),
    hub=Limit(0.01, 0.002, 0.15, "share", "difference that is explained on hubs, where there is no tyre"),
)
def rpm_scale(case: Case, limits: Limits) -> Iterator[Remark]:
    """A speed ratio that is not this car's own, though the same tyre size and the same parts were written down."""
    hub = case.around.bay_kind == HUB
    limit = limits["hub"] if hub else limits["tyre"]
    for setup, level, known in against_itself(case):
        apart = math.log(level / known.ratio)
        if nothing_changed(case, setup, known, hub) and math.log1p(limit) < abs(apart) < math.log1p(
            ANOTHER_GEAR
        ):
            yield case.remark(
                setup,
                f"engine over roller speed is {level:.4g}, {math.expm1(apart):+.1%} from the {known.words} in this gear; "
                f"{limit:.1%} is explained with the same parts{'' if hub else ' and tyre size'}: consistent with "
                f"{'' if hub else 'other tyres or '}an engine-speed ratio taught badly (torque would be wrong by as "
                "much, power not); teach it again",
            )


@rule(
    "speed-ratio-differs",
    "note",
    "tyre or strap",
    "other tyres or another final drive",
    own=Limit(0.035, 0.005, 0.15, "share", "difference from this car's own earlier reading"),
    platform=Limit(0.06, 0.01, 0.15, "share", "difference from the platform's stock cars"),
)
def speed_ratio_differs(case: Case, limits: Limits) -> Iterator[Remark]:
    """A speed ratio that other tyres or parts may explain, if they were written down."""
    hub, compared_already = case.around.bay_kind == HUB, set()
    for setup, level, known in against_itself(case):
        compared_already.add(setup.n)
        apart = math.log(level / known.ratio)
        excused = nothing_changed(case, setup, known, hub) or tyres_changed(case, known)
        if not excused and math.log1p(limits["own"]) < abs(apart) < math.log1p(ANOTHER_GEAR):
            yield differs(case, setup, level, known)
    for known in platform_known(case):
        for setup in case.session.setups:
            level_now = None if setup.n in compared_already else level_of_setup(case, setup)
            if level_now is None:
                continue
            apart = math.log(level_now / known.ratio)
            if math.log1p(limits["platform"]) < abs(apart) < math.log1p(ANOTHER_GEAR):
                yield differs(case, setup, level_now, known)


def differs(case: Case, setup: PostedSetup, level: float, known: Known) -> Remark:
    """What there is to say of it."""
    return case.remark(
        setup,
        f"engine over roller speed is {level:.4g}, {level / known.ratio - 1.0:+.1%} from the {known.words} in this "
        "gear: consistent with other tyres or another final drive; write down `tyre_size` and the parts, or teach the "
        "engine-speed ratio again",
    )


def against_itself(case: Case) -> Iterator[tuple[PostedSetup, float, Known]]:
    """Each setup with its g and this car's own earlier one: of the same parts where there is such, else the newest."""
    earlier = own_known(case)
    if not earlier:
        return
    for setup in case.session.setups:
        level = level_of_setup(case, setup)
        if level is not None:
            yield setup, level, next((one for one in earlier if same_parts(setup, one)), earlier[0])


def same_parts(setup: PostedSetup, known: Known) -> bool:
    """Whether the earlier state had the same parts."""
    return known.state is not None and known.state.parts == frozenset(part.slug for part in setup.parts)


def tyres_changed(case: Case, known: Known) -> bool:
    """Whether another tyre size was written down then."""
    then = None if known.state is None else known.state.tyre_size
    return None not in (then, case.session.tyre_size) and then != case.session.tyre_size


def nothing_changed(case: Case, setup: PostedSetup, known: Known, hub: bool) -> bool:
    """Whether parts and tyre size are known to be the same; on hubs there is no tyre."""
    then = None if known.state is None else known.state.tyre_size
    same_tyres = then is not None and then == case.session.tyre_size
    return setup.parts_known == "complete" and same_parts(setup, known) and (hub or same_tyres)
