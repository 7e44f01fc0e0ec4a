"""What a car came for: stock figure, one part, two parts after another, a bundle, a swap, a removal."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from seed.effects import Effects
from seed.parts import BUNDLES, CLEAN_PAIRS, LONG_JOBS, PART, SWAPS, fits_beside
from seed.shop import Platform

CARS_PLANNED_FOR = 400  # the counts in parts.py are for a shop of this size
BACK_AGAIN_HOURS = 2.0  # a part that is off again this fast is measured A-B-A
BACK_AGAIN_SHARE = 0.55
ORDINARY = frozenset(
    ("stock", "bays", "modified", "bundle", "visits")
)  # kinds that old paper records were kept of


@dataclass(frozen=True)
class State:
    """A car in one state: what is fitted, accepted pulls, settling pulls before them, hours of work before."""

    label: str
    parts: tuple[str, ...]
    pulls: int
    settling: int = 0
    work_hours: float = 0.0


@dataclass(frozen=True)
class Visit:
    """One strap-down: its states in order, how long after the last one, and whether in another bay."""

    states: tuple[State, ...]
    days_later: int = 0
    other_bay: bool = False


@dataclass(frozen=True)
class Job:
    """All a car came for."""

    kind: str
    visits: tuple[Visit, ...]


def jobs_of(platform: Platform, cars: int, effects: Effects, rng: np.random.Generator) -> list[Job]:
    """One job per car of a platform: first what the plan of evidence asks for, then what walks in."""
    wanted = max(1, round(platform.share * cars))
    share = cars / CARS_PLANNED_FOR
    planned = [
        *_clean_pairs(platform, share, rng),
        *_long_jobs(platform, share, rng),
        *_swaps(platform, share, rng),
        *_bundles(platform, share, rng),
    ]
    planned = planned[:wanted]
    return planned + [_walk_in(platform, effects, rng) for _ in range(wanted - len(planned))]


def _pulls(rng: np.random.Generator) -> int:
    """Accepted pulls of one state: three or four as a rule, now and then two."""
    return int(rng.choice((2, 3, 4), p=(0.06, 0.52, 0.42)))


def _settling(rng: np.random.Generator) -> int:
    return int(rng.random() < 0.4)


def _first(parts: tuple[str, ...], rng: np.random.Generator) -> State:
    return State("as found" if parts else "stock", parts, _pulls(rng), _settling(rng))


def _next(parts: tuple[str, ...], hours: float, rng: np.random.Generator, label: str | None = None) -> State:
    return State(
        label or "with " + ", ".join(PART[part].name for part in parts), parts, _pulls(rng), 0, hours
    )


def _often(count: float, rng: np.random.Generator) -> int:
    """A count scaled to the shop's size; the broken rest is drawn."""
    return int(count) + int(rng.random() < count - int(count))


def _clean_pairs(platform: Platform, share: float, rng: np.random.Generator) -> list[Job]:
    """Cars with a comparison of one part inside one session; some go on to a second part, some back to stock."""
    asked = [part for part, count in CLEAN_PAIRS[platform.slug].items() for _ in range(round(count * share))]
    rng.shuffle(asked)
    jobs = []
    while asked:
        part = asked.pop()
        second = next((other for other in asked[-4:] if fits_beside(other, (part,))), None)
        if second and rng.random() < 0.22:
            asked.remove(second)
            jobs.append(_steps(part, second, rng))
        elif rng.random() < 0.12:
            jobs.append(_removal(part, rng))
        else:
            jobs.append(_one_part(part, rng))
    return jobs


def _one_part(part: str, rng: np.random.Generator) -> Job:
    hours = PART[part].hours
    states = [_first((), rng), _next((part,), hours, rng)]
    if hours <= BACK_AGAIN_HOURS and rng.random() < BACK_AGAIN_SHARE:
        states.append(_next((), hours, rng, "stock again"))
        return Job("aba", (Visit(tuple(states)),))
    return Job("ab", (Visit(tuple(states)),))


def _steps(part: str, second: str, rng: np.random.Generator) -> Job:
    both = tuple(sorted((part, second)))
    states = (_first((), rng), _next((part,), PART[part].hours, rng), _next(both, PART[second].hours, rng))
    return Job("steps", (Visit(states),))


def _removal(part: str, rng: np.random.Generator) -> Job:
    """Fitted on one day, taken off on another, measured both times."""
    hours, away = PART[part].hours, int(rng.integers(60, 320))
    first = Visit((_first((), rng), _next((part,), hours, rng)))
    last = Visit((_first((part,), rng), _next((), hours, rng, "stock again")), days_later=away)
    return Job("removal", (first, last))


def _long_jobs(platform: Platform, share: float, rng: np.random.Generator) -> Iterator[Job]:
    """Work of several days: before and after are two strap-downs, sometimes in two bays."""
    for part in LONG_JOBS[platform.slug]:
        for _ in range(_often(share, rng)):
            after = Visit((_first((part,), rng),), int(rng.integers(2, 9)), bool(rng.random() < 0.2))
            yield Job("long", (Visit((_first((), rng),)), after))


def _swaps(platform: Platform, share: float, rng: np.random.Generator) -> Iterator[Job]:
    """One part against another of its slot, on one car; half of the cars were stock first."""
    for old, new in SWAPS[platform.slug]:
        for _ in range(_often(2.0 * share, rng)):
            hours = PART[new].hours + 0.5
            swapped = _next((new,), hours, rng)
            if rng.random() < 0.5:
                yield Job("swap", (Visit((_first((old,), rng), swapped)),))
            else:
                yield Job("swap", (Visit((_first((), rng), _next((old,), PART[old].hours, rng), swapped)),))


def _bundles(platform: Platform, share: float, rng: np.random.Generator) -> Iterator[Job]:
    """Several parts at once: same day where the work allows, else another day."""
    for parts in BUNDLES[platform.slug]:
        fitted, hours = tuple(sorted(parts)), sum(PART[part].hours for part in parts)
        for _ in range(_often(2.0 * share, rng)):
            if hours <= 5.0:
                yield Job("bundle", (Visit((_first((), rng), _next(fitted, hours, rng))),))
            else:
                after = Visit((_first(fitted, rng),), int(rng.integers(2, 20)), bool(rng.random() < 0.25))
                yield Job("bundle", (Visit((_first((), rng),)), after))


def _walk_in(platform: Platform, effects: Effects, rng: np.random.Generator) -> Job:
    """What comes without a plan: mostly one stock figure."""
    dice = float(rng.random())
    if dice < 0.66:
        return Job("stock", (Visit((_first((), rng),)),))
    if dice < 0.80:
        later = int(rng.choice((0, 1, 14, 45)))
        visits = [Visit((_first((), rng),)), Visit((_first((), rng),), later, other_bay=True)]
        if rng.random() < 0.4:
            visits.append(Visit((_first((), rng),), int(rng.integers(20, 200)), other_bay=True))
        return Job("bays", tuple(visits))
    if dice < 0.92:
        return Job("modified", (Visit((_first(_some_parts(platform, effects, rng), rng),)),))
    part = _some_parts(platform, effects, rng)[:1]
    after = Visit((_first(part, rng),), int(rng.integers(5, 90)), bool(rng.random() < 0.35))
    return Job("visits", (Visit((_first((), rng),)), after))


def _some_parts(platform: Platform, effects: Effects, rng: np.random.Generator) -> tuple[str, ...]:
    """One to three parts that fit the platform and each other; quick work is commoner."""
    able = [part for part in PART.values() if effects.fits(platform.slug, part.slug) and part.hours < 9.0]
    weights = np.array([1.0 / (1.0 + part.hours) for part in able])
    fitted: tuple[str, ...] = ()
    for pick in rng.choice(len(able), 3, replace=False, p=weights / weights.sum())[: int(rng.integers(1, 4))]:
        if fits_beside(able[pick].slug, fitted):
            fitted = (*fitted, able[pick].slug)
    return tuple(sorted(fitted))
