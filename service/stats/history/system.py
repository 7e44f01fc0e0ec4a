"""The solved history: asked for gains, bays, cars and setups; a changed car is put in without solving all anew.

Given the fit, statistics add over cars, so a changed car touches its platform's block and the border only: the other
platforms' reduced blocks are shared between the old system and the new.
"""

import math
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Final

import numpy as np
from scipy.sparse import csr_array

from service.domain.history import Catalogue, Floats, History, Ints
from service.stats.history.asked import (
    build_contrast,
    cell,
    entangled_with,
    gain_contrast,
    of_pairs,
    pair_contrasts,
    split_contrast,
)
from service.stats.history.assembly import Assembly, assemble, by_platform, usable
from service.stats.history.baylevels import BayLevels, bay_levels
from service.stats.history.cells import (
    BayLevel,
    CarEffects,
    CarGains,
    Cell,
    CellColumns,
    Interaction,
    SetupResiduals,
)
from service.stats.history.changed import with_cars
from service.stats.history.contrast import Contrast, View, only
from service.stats.history.counting import (
    cars_showing,
    cars_that_tell,
    cars_with,
    cars_with_all,
    companions,
)
from service.stats.history.design import INLET_UNIT_C, PlatformDesign
from service.stats.history.effects import Cars, cars_of, gains_and_setups, shares_of_car, shop_spread_of
from service.stats.history.fitted import Fit
from service.stats.history.layout import LEVEL_KEY, inlet_key, pair_key, prior_of
from service.stats.history.others import Solved, solved_for
from service.stats.mixed.against import against

NO_BESIDE: Final[Mapping[int, float]] = {}


class System:
    """Immutable to its readers: every method only reads; `replaced` makes another that shares what did not change."""

    def __init__(self, assembly: Assembly) -> None:
        self._assembly = assembly

    @property
    def fit(self) -> Fit:
        """The fit it stands on."""
        return self._assembly.fit

    @property
    def catalogue(self) -> Catalogue:
        """What its ids mean."""
        return self._assembly.catalogue

    @cached_property
    def setup_ids(self) -> Ints:
        """Ids of its rows, in its order; rows without a value are not in."""
        ids = [design.history.setup_id for design in self._assembly.designs]
        return np.concatenate([np.empty(0, dtype=np.int64), *ids])

    def __len__(self) -> int:
        """Setups in it."""
        return sum(len(design.car) for design in self._assembly.designs)

    def replaced(self, vehicle_ids: Ints, history: History, catalogue: Catalogue) -> "System":
        """The system with these cars' setups as they are in `history` (cars not in it: gone), at the same fit.

        A catalogue whose platforms, parts or bay events changed for what is here already needs `build`.
        """
        return System(with_cars(self._assembly, vehicle_ids, history, catalogue))

    def has(self, part: int) -> bool:
        """Whether any car was measured with the part."""
        return self.cars_with(part) > 0

    def cars_with(self, part: int, platform: int | None = None) -> int:
        """Cars measured with the part, on one platform or anywhere."""
        if platform is None:
            return self._cars_by_part.get(part, 0)
        return sum(cars_with(design, part) for design in self._designs_on(platform))

    @cached_property
    def _cars_by_part(self) -> Mapping[int, int]:
        """Cars measured with each part, on any platform."""
        counts: dict[int, int] = {}
        for design in self._assembly.designs:
            for part, cars in zip(design.parts.tolist(), design.part_cars.tolist(), strict=True):
                counts[part] = counts.get(part, 0) + cars
        return counts

    def gain(
        self, part: int, platform: int, against: int = 0, beside: Mapping[int, float] | None = None
    ) -> Cell:
        """Typical gain of a part on a platform, against stock or another part, next to other parts.

        beside: parts by the share of cars [0..1] that have it fitted too (`companions`); {} or None is on its own.
        """
        view = self._assembly.view(platform)
        asked = gain_contrast(view, part, against, beside or NO_BESIDE)
        wanted = {part: 1.0, against: -1.0} if against else {part: 1.0}
        others = () if view.design is None else tuple(companions(view.design, part))
        return self._cell(view, asked, [part], wanted, entangled_with(view, part, others))

    def build_of(self, platform: int, parts: Sequence[int], beside: Sequence[int] = ()) -> Cell:
        """Typical gain of all these parts together against stock, or on a car that has others, with interactions."""
        view = self._assembly.view(platform)
        return self._cell(view, build_contrast(view, parts, beside), parts, dict.fromkeys(parts, 1.0), ())

    def beyond_their_sum(self, platform: int, parts: Sequence[int]) -> Floats:
        """What each two of these parts give together beyond their sum [k, k]."""
        view = self._assembly.view(platform)
        return of_pairs(len(parts), lambda: view.means(pair_contrasts(view, parts))[:, 0])

    def cars_with_all(self, platform: int, parts: Sequence[int]) -> int:
        """Cars of a platform measured with all these parts fitted at once."""
        return sum(cars_with_all(design, parts) for design in self._designs_on(platform))

    def joint(self, platform: int, parts: Sequence[int]) -> tuple[Floats, Floats]:
        """Means [k] and covariance [k, k] of these parts' typical gains, each on its own."""
        view = self._assembly.view(platform)
        means, covariance = view.moments([view.gain(part) for part in parts])
        return means[:, 0], covariance

    def companions(self, part: int, platform: int) -> Mapping[int, float]:
        """What else is fitted where this part is, by the share of its cars (anywhere, where none here has it)."""
        designs = [d for d in self._designs_on(platform) if cars_with(d, part)] or self._assembly.designs
        cars = sum(cars_with(design, part) for design in designs)
        counts: dict[int, int] = {}
        for design in designs:
            for other, count in companions(design, part).items():
                counts[other] = counts.get(other, 0) + count
        return {other: count / cars for other, count in counts.items()}

    def interaction(self, slot_a: str, slot_b: str) -> Interaction:
        """How the parts of two slots (keys as in PartFacts.slot) add up."""
        place = self._assembly.border.place.get(pair_key(slot_a, slot_b))
        cars = sum(cars_showing(design, slot_a, slot_b) for design in self._assembly.designs)
        if place is None:
            index, scale = prior_of("pair")
            return Interaction(slot_a, slot_b, 0.0, float(self._assembly.theta[index] * scale), cars)
        vector = np.zeros((1, len(self._assembly.border)))
        vector[0, place] = 1.0
        variance = float(self._assembly.solution.border_covariance(vector)[0, 0])
        mean = float(self._assembly.solution.border[place, 0])
        return Interaction(slot_a, slot_b, mean, variance, cars)

    def interactions(self) -> list[Interaction]:
        """Every pair of slots that some car had both of."""
        return list(self._interactions)

    @cached_property
    def _interactions(self) -> tuple[Interaction, ...]:
        pairs = sorted((str(key[1]), str(key[-1])) for key in self._assembly.border.keys if key[0] == "pair")
        found = [self.interaction(a, b) for a, b in pairs]
        return tuple(one for one in found if one.cars)

    def levels(self, platform: int) -> float:
        """Typical stock level of a platform at the common bay level, ln(value).

        NaN where no setup of the platform stands at the asked standard: its level is not known.
        """
        view = self._assembly.view(platform)
        if view.design is None or not view.design.history.levelled.any():
            return math.nan
        return float(view.means([self.level()])[0, 0]) + view.design.centre

    def inlet_effect(self, aspiration: str) -> float:
        """What is taken out for inlet air [ln / degC]; 0 where nobody recorded it."""
        place = self._assembly.border.place.get(inlet_key(aspiration))
        return 0.0 if place is None else float(self._assembly.solution.border[place, 0]) / INLET_UNIT_C

    @cached_property
    def bays(self) -> list[BayLevel]:
        """Every bay, a row for each stretch between its recorded events, centred so that the bays' mean is 0."""
        return self.bay_stretches.levels(self._assembly.solution, self.fit.bay_widening)

    def cars(self, platform: int | None = None) -> CarEffects:
        """Every car against its platform; where one is given, its cars alone, for a fraction of the work."""
        return self._cars.all if platform is None else self._cars.on(platform)

    def car_gains(self) -> CarGains:
        """Every car's own gain from each of its parts against the typical one."""
        return self._gains_and_setups[0]

    def setups(self) -> SetupResiduals:
        """Every setup against what all others say of it, in the order of `setup_ids`."""
        return self._gains_and_setups[1]

    def columns_against(self, columns: csr_array, starts: Ints) -> tuple[Floats, list[Floats]]:
        """What the setups say of columns [n, k] that the model does not have, in the order of `setup_ids`.

        Returns their score D'Py [k] and the information D'PD of each group of columns, starts[i] to starts[i + 1]: added to
        the model without a prior they are estimated by information^-1 score, with covariance information^-1.
        """
        return against(self._assembly.solution, columns, starts)

    def platform_of(self, vehicle: int) -> int | None:
        """The platform of a car; None where no setup of it is in the history."""
        for design in self._assembly.designs:
            at = int(np.searchsorted(design.vehicles, vehicle))
            if at < len(design.vehicles) and design.vehicles[at] == vehicle:
                return design.platform
        return None

    def car_gain(self, vehicle: int, part: int) -> Cell:
        """What a part gave this very car: typical gain and the car's own. Raises KeyError for a car not in it."""
        means, covariance = self.car_shares(vehicle, [part])
        typical = self.gain(part, self._platform_of(vehicle))
        variance = float(covariance[0, 0])
        prior = typical.variance + typical.car_spread_variance
        return Cell(
            mean=float(means[0]),
            variance=variance,
            prior_variance=max(prior, variance),
            elsewhere_variance=max(prior, variance),
            car_spread_variance=0.0,
            cars=typical.cars,
            cars_with=typical.cars_with,
            cars_elsewhere=typical.cars_elsewhere,
            entangled=typical.entangled,
        )

    def car_shares(self, vehicle: int, parts: Sequence[int]) -> tuple[Floats, Floats]:
        """What each of these parts gave this very car: means [k] and covariance [k, k] (a joint change, divided).

        Each has half of its interactions with the others. Raises KeyError for a car or part that was not measured.
        """
        platform = self._platform_of(vehicle)
        view = self._assembly.view(platform)
        contrasts = [split_contrast(view, part, parts) for part in parts]
        means, covariance = shares_of_car(self._assembly, vehicle, parts, contrasts)
        return means, covariance

    def solve_for(self, setup_ids: Ints, values: Floats) -> "Others":
        """The same matrix with other values: ln of other measures, or of a curve's knots.

        setup_ids [n]; values [n, r], NaN where not had (columns that lack the same rows share their work). Setups that
        are not here are passed over; those that are here but not given have no value.
        """
        order = np.argsort(setup_ids, kind="stable")
        ordered = setup_ids[order]
        given = np.full((len(self), values.shape[1]), np.nan)
        at = np.minimum(np.searchsorted(ordered, self.setup_ids), max(0, len(ordered) - 1))
        if len(ordered):
            known = ordered[at] == self.setup_ids
            given[known] = values[order[at[known]]]
        return Others(self, solved_for(self._assembly, given))

    @cached_property
    def bay_stretches(self) -> BayLevels:
        """The stretches between recorded events that its setups fall into."""
        return bay_levels(self._assembly.designs, self._assembly.border, self.catalogue)

    def level(self) -> Contrast:
        """A platform's typical stock level at the mean of all bays."""
        return only(LEVEL_KEY).plus(self.bay_stretches.mean())

    @cached_property
    def _cars(self) -> Cars:
        return cars_of(self._assembly)

    @cached_property
    def _gains_and_setups(self) -> tuple[CarGains, SetupResiduals]:
        return gains_and_setups(self._assembly)

    @cached_property
    def shop_spread(self) -> float:
        """Spread of true levels between cars of one platform, over all platforms [ln]: the fit's, as its other spreads."""
        kept = self.fit.shop_spread
        return shop_spread_of(self._cars, self.fit) if kept is None else kept

    def _designs_on(self, platform: int) -> tuple[PlatformDesign, ...]:
        block = self._assembly.block_of.get(platform)
        return () if block is None else (self._assembly.designs[block],)

    def _platform_of(self, vehicle: int) -> int:
        platform = self.platform_of(vehicle)
        if platform is None:
            raise KeyError(f"vehicle: {vehicle} has no setup in the history")
        return platform

    def _cell(
        self,
        view: View,
        asked: Contrast,
        parts: Sequence[int],
        wanted: Mapping[int, float],
        entangled: tuple[int, ...],
    ) -> Cell:
        here = [cars_with(view.design, part) if view.design is not None else 0 for part in parts]
        away = [self.cars_with(part) - count for part, count in zip(parts, here, strict=True)]
        direct = cars_that_tell(view.design, wanted) if view.design is not None else 0
        counts = (direct, min(here, default=0), min(away, default=0))
        return cell(view, asked, parts, list(wanted), counts, entangled)


class Others:
    """Other measures of the same history, asked like the system; arrays over the r columns."""

    def __init__(self, system: System, solved: Solved) -> None:
        self._system, self._solved = system, solved
        self._assembly = solved.assembly

    @property
    def scale(self) -> Floats:
        """Residual variance of each column relative to the fit's own measure [r]."""
        return self._solved.scale

    @property
    def correlation(self) -> Floats:
        """Of the residuals between the columns [r, r], for simultaneous bands."""
        return self._solved.correlation

    def gain(
        self, part: int, platform: int, against: int = 0, beside: Mapping[int, float] | None = None
    ) -> CellColumns:
        """As System.gain."""
        view = self._assembly.view(platform)
        asked = gain_contrast(view, part, against, beside or NO_BESIDE)
        wanted = [part, against] if against else [part]
        return self._solved.columns(view, asked, wanted, self._system.gain(part, platform, against, beside))

    def build_of(self, platform: int, parts: Sequence[int], beside: Sequence[int] = ()) -> CellColumns:
        """As System.build_of."""
        view = self._assembly.view(platform)
        asked = build_contrast(view, parts, beside)
        return self._solved.columns(view, asked, parts, self._system.build_of(platform, parts, beside))

    def beyond_their_sum(self, platform: int, parts: Sequence[int]) -> Floats:
        """As System.beyond_their_sum, of the first column."""
        view = self._assembly.view(platform)
        return of_pairs(len(parts), lambda: self._solved.means(platform, pair_contrasts(view, parts))[:, 0])

    def joint(self, platform: int, parts: Sequence[int]) -> tuple[Floats, Floats]:
        """Means [k, r] and covariance [k, k, r]."""
        view = self._assembly.view(platform)
        return self._solved.moments(platform, [view.gain(part) for part in parts])

    def levels(self, platform: int) -> Floats:
        """As System.levels [r]."""
        design = self._assembly.view(platform).design
        if design is None or not design.history.levelled.any():
            return np.full(len(self.scale), np.nan)
        means = self._solved.means(platform, [self._system.level()])
        return np.asarray(means[0] + design.centre)

    def cars(self, platform: int | None = None) -> CarEffects:
        """As System.cars, of the first column, in its cars that have a value."""
        return self._solved.cars.all if platform is None else self._solved.cars.on(platform)

    @cached_property
    def shop_spread(self) -> float:
        """As System.shop_spread, of the first column, from its own cars: `scale` says how noisy a measure is, not how far
        cars lie apart in it."""
        return shop_spread_of(self._solved.cars, self._system.fit)

    def cars_at(self, part: int, platform: int) -> Ints:
        """Cars of the platform measured with the part that have a value in each column [r]."""
        return self._solved.cars_at(part, platform)


def build(fit: Fit, history: History, catalogue: Catalogue) -> System:
    """The system of a whole history at a fit."""
    return System(assemble(by_platform(usable(history)), catalogue, fit))
