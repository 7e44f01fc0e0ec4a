"""Which cars, gains and setups lie apart from what the whole history says of them.

Vocabulary: a deviation is ln(value / expected), `expected` what the model says without the value itself; its score is the
deviation over sqrt(its error variance + the spread that good ones have), at weight 1 (the robust weights that keep a fit
sound would hide here what they found). The spread a fit names holds the odd ones too and is too large for the good: scores
are rescaled by their own median absolute deviation, drawn towards 1 by STEADY scores, and cars' once more within their
platform, drawn towards the shop's. In simulated shops whose platforms' spreads differ by two or three, scores over 3 are
then right 3 times in 4 and find 3 odd cars in 10; with every spread known exactly they would find 4.

A score's chance is that of a standard normal; which are believed is decided for all of a kind together, so that no larger
share than `rate` of those believed is expected to be false (Benjamini & Hochberg 1995). Why is another matter: reasons.py.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from service.stats.history.cells import CarEffects, CarGains, SetupResiduals
from service.stats.outliers import (
    discoveries,
    esd_exceeds,
    generalized_esd,
    robust_scale,
    two_sided_chance,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FALSE_SHARE: Final = 0.05  # our choice: of what is called odd, one in twenty may be ordinary
FEWEST_PEERS: Final = 8
"""No verdict beside fewer (common practice, no source)."""
STEADY: Final = 20.0
"""What the expected spread of scores weighs against their own, in scores (our choice)."""
FEWEST_PULLS: Final = 5
"""Pulls of a setup from which one can be told apart by the others alone (our choice)."""
LEAST_PULL_SPREADS: Final = 2.0
"""A pull nearer to its fellows' mean than this, in the shop's pull spreads, is not odd however alike they are."""


@dataclass(frozen=True, slots=True)
class Odd:
    """One that lies apart.

    kind: 'car', 'gain' or 'pull' (a setup's figure); the ids are those that apply, else None. deviation: from what is
    expected [ln]; score: in spreads; chance: that an ordinary one scores so far out [0..1].
    """

    kind: str
    platform_id: int | None
    vehicle_id: int | None
    setup_id: int | None
    part_id: int | None
    bay_id: int | None
    deviation: float
    score: float
    chance: float

    @property
    def deviation_percent(self) -> float:
        """How far it lies from what is expected [%]."""
        return 100.0 * float(np.expm1(self.deviation))


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores of many of one kind: NaN where no verdict is possible; chances 1 there; believed: which are odd."""

    score: Floats
    chance: Floats
    believed: Bools


def scores(
    deviation: ArrayLike,
    variance: ArrayLike,
    judged: Bools,
    group: Ints | None = None,
    rate: float = FALSE_SHARE,
) -> Scores:
    """Score deviations and decide which to believe.

    Parameters: deviation [ln], NaN where there is none; variance, of an ordinary one's deviation, its error included
    [ln^2]; judged, those on which a verdict is allowed; group, of which each has a spread of its own; rate, of false
    ones among the believed [0..1].
    """
    apart, spread = np.asarray(deviation, dtype=np.float64), np.asarray(variance, dtype=np.float64)
    allowed = judged & np.isfinite(apart) & np.isfinite(spread) & (spread > 0.0)
    found = np.full(apart.shape, np.nan)
    found[allowed] = apart[allowed] / np.sqrt(spread[allowed])
    shop = steadied_scale(found[allowed], towards=1.0)
    scale = np.full(apart.shape, shop)
    for one in () if group is None else np.unique(group[allowed]):
        own = allowed & (group == one)
        scale[own] = steadied_scale(found[own], towards=shop)
    found /= scale
    chance, believed = np.ones(apart.shape), np.zeros(apart.shape, dtype=np.bool_)
    chance[allowed] = two_sided_chance(found[allowed])
    believed[allowed] = discoveries(chance[allowed], rate)
    return Scores(found, chance, believed)


def steadied_scale(values: Floats, towards: float) -> float:
    """Robust standard deviation of scores, drawn towards what it should be; that alone under FEWEST_PEERS."""
    if values.size < FEWEST_PEERS:
        return towards
    own = robust_scale(values)
    return float(np.sqrt((values.size * own * own + STEADY * towards * towards) / (values.size + STEADY)))


def with_peers(group: Ints, known: Bools) -> Bools:
    """Whether an entry's group holds FEWEST_PEERS known entries or more."""
    _, place = np.unique(group, return_inverse=True)
    counts = np.bincount(place, weights=known)
    return np.asarray(counts[place] >= FEWEST_PEERS)


def judged_cars(cars: CarEffects) -> Bools:
    """On which cars a verdict is possible: their own level can be had, beside enough others of their platform."""
    known = np.isfinite(cars.own)
    return known & with_peers(cars.platform_id, known)


def judged_gains(gains: CarGains) -> Bools:
    """On which cars' own gains a verdict is possible: enough other cars were measured with and without the part."""
    known = np.isfinite(gains.own)
    return known & with_peers(gains.part_id, known)


def judged_setups(setups: SetupResiduals) -> Bools:
    """On which setups a verdict is possible: a car's only setup cannot be told from the car itself."""
    _, place = np.unique(setups.vehicle_id, return_inverse=True)
    return np.asarray(np.bincount(place, minlength=1)[place] >= 2)


def car_scores(cars: CarEffects, rate: float = FALSE_SHARE) -> Scores:
    """Every car's score against its platform's other cars."""
    variance = cars.own_variance + cars.nominal_variance
    return scores(cars.own, variance, judged_cars(cars), cars.platform_id, rate)


def may_be_odd(cars: CarEffects, rate: float = FALSE_SHARE) -> Bools:
    """Which of one platform's cars `odd_cars` of all platforms may name: certainly none of the others.

    No chance above `rate` is ever believed, and the platform's scale is no smaller than drawn towards a shop's of nought.
    """
    judged = judged_cars(cars) & np.isfinite(cars.own_variance)
    score = cars.own / np.sqrt(cars.own_variance + cars.nominal_variance)
    least = steadied_scale(score[judged], towards=0.0)
    return judged & (np.abs(score) >= least * float(ndtri(1.0 - rate / 2.0)))


def setup_scores(setups: SetupResiduals, rate: float = FALSE_SHARE) -> Scores:
    """Every setup's score against its car's other setups."""
    return scores(setups.residual, setups.variance, judged_setups(setups), rate=rate)


def odd_cars(cars: CarEffects, rate: float = FALSE_SHARE) -> list[Odd]:
    """Cars far from their platform's other cars, most surprising first."""
    found = car_scores(cars, rate)
    return most_surprising_first(
        Odd(
            "car",
            int(cars.platform_id[i]),
            int(cars.vehicle_id[i]),
            None,
            None,
            None,
            float(cars.own[i]),
            float(found.score[i]),
            float(found.chance[i]),
        )
        for i in np.flatnonzero(found.believed)
    )


def odd_gains(gains: CarGains, rate: float = FALSE_SHARE) -> list[Odd]:
    """Cars that gained far more or less from a part than other cars did, most surprising first."""
    variance = gains.own_variance + gains.nominal_variance
    found = scores(gains.own, variance, judged_gains(gains), rate=rate)
    return most_surprising_first(
        Odd(
            "gain",
            None,
            int(gains.vehicle_id[i]),
            None,
            int(gains.part_id[i]),
            None,
            float(gains.own[i]),
            float(found.score[i]),
            float(found.chance[i]),
        )
        for i in np.flatnonzero(found.believed)
    )


def odd_setups(setups: SetupResiduals, rate: float = FALSE_SHARE) -> list[Odd]:
    """Setups far from what the car's other setups say, most surprising first.

    Of a car's setups the furthest alone is named: a wrong one pushes the others out the other way (our choice).
    """
    found = setup_scores(setups, rate)
    return most_surprising_first(
        Odd(
            "pull",
            int(setups.platform_id[i]),
            int(setups.vehicle_id[i]),
            int(setups.setup_id[i]),
            None,
            int(setups.bay_id[i]),
            float(setups.residual[i]),
            float(found.score[i]),
            float(found.chance[i]),
        )
        for i in furthest_of_each(setups.vehicle_id, found)
    )


def furthest_of_each(group: Ints, found: Scores) -> Ints:
    """Of each group the believed entry with the largest score."""
    rows = np.flatnonzero(found.believed)
    ordered = rows[np.lexsort((-np.abs(found.score[rows]), group[rows]))]
    _, first = np.unique(group[ordered], return_index=True)
    return np.asarray(ordered[first])


def most_surprising_first(found: Iterable[Odd]) -> list[Odd]:
    """By the size of their scores."""
    return sorted(found, key=lambda one: -abs(one.score))


def may_have_pulls_apart(values: ArrayLike) -> Bools:
    """Which setups of equally many pulls `pulls_apart` may find any in, for many of them at once [g].

    Parameters: values, ln of each pull's figure [g, n]. Those it says no of have none for certain.
    """
    groups = np.asarray(values, dtype=np.float64)
    if groups.shape[1] < FEWEST_PULLS:
        return np.zeros(len(groups), dtype=np.bool_)
    return esd_exceeds(groups, most=(groups.shape[1] - 1) // 2)


def pulls_apart(values: ArrayLike, pull_spread: float) -> tuple[int, ...]:
    """Which pulls of a setup lie apart from the others, the furthest first (generalized ESD, Rosner 1983).

    Parameters: values, ln of each pull's figure; pull_spread, of the shop's pulls [ln]. None under FEWEST_PULLS.
    """
    group = np.asarray(values, dtype=np.float64)
    if group.size < FEWEST_PULLS:
        return ()
    odd = generalized_esd(group, most=(group.size - 1) // 2).outliers
    good = np.delete(group, odd).mean()
    return tuple(i for i in odd if abs(group[i] - good) > LEAST_PULL_SPREADS * pull_spread)
