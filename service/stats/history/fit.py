"""Fitting the history model: spreads by restricted likelihood, weights and linearisation in turn.

One round seeks the spreads at the present weights and points, solves the model, and takes new weights and points from the
solution. Where the cars of a platform agree on a part that differs from its like, it is the part that ends unlike others,
whichever is weighed first: over simulated shops a start that keeps cars and setups at weight 1 for a round ends in the same
gains (half of them within 0.01 of their error, the errors and coverage of all alike), so there is none.

The gain M (1 + a)(1 + eta)(1 + delta) is fitted as (1 + eta0)(M + |M| a) + main (eta - eta0) + delta', main = M (1 + a),
delta' a shift with prior standard deviation part_on x main (1 + eta0). The sizes |M|, main and the scale of delta' are held
at the last round's values while the means move: a slot's mean stays an average of its parts and a part's an average
of its platforms. The joint mode of the outright product would lie a factor 1 + spread^2 too high. The sizes are
roots of expected squares (fitted.Point.size): an ill-known gain is not taken for a small one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from service.domain.history import Catalogue, History
from service.stats.history.assembly import Assembly, assemble, by_platform, designs_of, reduced_anew, usable
from service.stats.history.contrast import Contrast, View, only
from service.stats.history.design import (
    ETHANOL_UNIT,
    INLET_UNIT_C,
    PlatformDesign,
    has_tune,
    usual_conditions,
)
from service.stats.history.effects import cars_of, shop_spread_of
from service.stats.history.fitted import Fit, Point, Points, Weights
from service.stats.history.layout import (
    ETHANOL_KEY,
    Border,
    Gain,
    Key,
    border_prior,
    inlet_key,
    part_key,
    slot_key,
    slot_on_key,
)
from service.stats.history.spreads import CENTRE, sought
from service.stats.history.values import pull_noise, setup_values
from service.stats.history.weights import as_deviations, refreshed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
AnyKey = TypeVar("AnyKey")

ROUNDS: Final = 6  # after five, spreads and weights move by less than 2 % (measured; our choice)
FALLEN: Final = 0.5  # a setup below this weight counts as down-weighted


def fit(history: History, catalogue: Catalogue, *, seed: int = 0, most_cars: int = 1500) -> Fit:
    """Fit spreads, weights and linearisation to the whole history.

    Parameters: history, every setup that counts; catalogue, what its ids mean; seed, of the draw of cars that the
    spreads are estimated from where there are more than `most_cars`. Never raises on a poor history and never
    returns a NaN: what the history cannot say stays near its prior.
    """
    history = usable(history)
    now = starting_fit(history, catalogue)
    if not len(history):
        return now
    whole, some = by_platform(history), _drawn(history, seed, most_cars)
    drawn = whole if some is history else by_platform(some)
    for _ in range(ROUNDS):
        designs, border = designs_of(drawn, catalogue, now)
        now = _with_spreads(now, designs, border)
        if drawn is whole:  # designs do not rest on the spreads
            solved = reduced_anew(designs, border, catalogue, now)
        else:
            solved = assemble(whole, catalogue, now)
        anew = replace(now, points=points_of(solved), weights=refreshed(solved))
        now = _with_conditions(anew, solved, history)
    found = replace(
        now,
        spreads=as_deviations(now.spreads),
        down_weighted=int((now.weights.setup.values < FALLEN).sum()),
        criterion=float(solved.solution.criterion[0]),
    )
    return replace(found, shop_spread=shop_spread_of(cars_of(assemble(whole, catalogue, found)), found))


def starting_fit(history: History, catalogue: Catalogue) -> Fit:
    """What is known before the model: the noise of pulls, and everything else at its prior."""
    noise = pull_noise(history, catalogue)
    inlet_c, ethanol = usual_conditions(history, catalogue)
    return Fit(
        spreads=CENTRE,
        pull_spread=noise.spread,
        heat=noise.heat,
        inlet_c=inlet_c,
        ethanol=ethanol,
        points=Points({}, {}, {}, {}),
        weights=Weights(),
        bay_widening=_bay_widening(len(np.unique(history.vehicle_id))),
        cars=len(np.unique(history.vehicle_id)),
        setups=len(history),
        down_weighted=0,
        heat_soaked=int(setup_values(history, catalogue, noise).heat_soaked.sum()),
        criterion=0.0,
        converged=True,
    )


def _bay_widening(cars: int) -> float:
    """By how much a bay's variance is wider because the spreads are estimates.

    Twenty sigma points of the ten log spreads widen it by 1.02, 1.1 and 1.24 at 600, 120 and 25 cars (own computation).
    """
    return 1.0 + 12.0 / (20.0 + cars)


def _with_conditions(now: Fit, solved: Assembly, history: History) -> Fit:
    """The fit with what unrecorded air and fuel may cost: expected square of their effect times their variance."""
    tuned = has_tune(history, solved.catalogue)
    inlet = _variance(history.inlet_c) / INLET_UNIT_C**2
    ethanol = _variance(history.ethanol[tuned]) / ETHANOL_UNIT**2
    aspirations = {design.aspiration for design in solved.designs}
    return replace(
        now,
        inlet_unrecorded={name: inlet * _square(solved, inlet_key(name)) for name in sorted(aspirations)},
        ethanol_unrecorded=ethanol * _square(solved, ETHANOL_KEY),
    )


def _variance(values: Floats) -> float:
    """Of what was recorded; 0 where nothing was."""
    recorded = values[np.isfinite(values)]
    return float(recorded.var()) if len(recorded) else 0.0


def _square(solved: Assembly, key: Key) -> float:
    """Expected square of an effect of the border."""
    place = solved.border.place[key]
    vector = np.zeros((1, len(solved.border)))
    vector[0, place] = 1.0
    variance = float(solved.solution.border_covariance(vector)[0, 0])
    return float(solved.solution.border[place, 0]) ** 2 + variance


def points_of(solved: Assembly) -> Points:
    """Where a solution says the gains are."""
    slot: dict[tuple[str, str], Point] = {}
    part: dict[tuple[int, str], Point] = {}
    slot_on: dict[tuple[str, int], float] = {}
    cell: dict[tuple[int, int], Point] = {}
    for design in solved.designs:
        view, parts = solved.view(design.platform), design.parts.tolist()
        aspiration, platform = design.aspiration, design.platform
        slots = [gain.slot for gain in design.fitted.gains]
        cell |= _points_at(view, {(p, platform): view.gain(p) for p in parts})
        mains = zip(parts, design.fitted.gains, strict=True)
        asked_parts = {(p, aspiration): _main(gain, p, aspiration) for p, gain in mains}
        part |= _points_at(view, {key: c for key, c in asked_parts.items() if key not in part})
        asked_slots = {(s, aspiration): only(slot_key(s, aspiration)) for s in slots}
        slot |= _points_at(view, {key: c for key, c in asked_slots.items() if key not in slot})
        own = solved.solution.local[solved.block_of[platform]][:, 0]
        slot_on |= {(s, platform): float(own[design.local_place[slot_on_key(s)]]) for s in slots}
    return Points(slot, part, slot_on, cell)


def _main(gain: Gain, part: int, aspiration: str) -> Contrast:
    """A part's gain on the mean platform: M + |M| a."""
    return Contrast({slot_key(gain.slot, aspiration): 1.0, part_key(part): gain.scale})


def _points_at(view: View, contrasts: Mapping[AnyKey, Contrast]) -> dict[AnyKey, Point]:
    """Mean and variance of each."""
    if not contrasts:
        return {}
    means, covariance = view.moments(list(contrasts.values()))
    moments = zip(contrasts, means[:, 0].tolist(), np.diagonal(covariance).tolist(), strict=True)
    return {key: Point(mean, variance) for key, mean, variance in moments}


def _drawn(history: History, seed: int, most_cars: int) -> History:
    """All cars, or as many as the spreads are estimated from."""
    cars = np.unique(history.vehicle_id)
    if len(cars) <= most_cars:
        return history
    chosen = np.random.default_rng(seed).choice(cars, size=most_cars, replace=False)
    return history.take(np.flatnonzero(np.isin(history.vehicle_id, chosen)))


def _with_spreads(now: Fit, designs: Sequence[PlatformDesign], border: Border) -> Fit:
    """The fit with its spreads sought at the points and weights of these designs."""
    spreads, converged = sought(
        [design.block for design in designs], border_prior(border, now.weights), now.spreads
    )
    return replace(now, spreads=spreads, converged=converged)
