"""How well the shop's bays repeat and agree, in the terms of ISO 5725, from the fit of the whole history.

Repeatability s_r is of one pull; reproducibility s_R of one pull in another setup, strap-down and bay:

    s_R^2 = s_r^2 + s_setup^2 + s_session^2 + s_bay^2

before the bays' levels are taken out, and without s_bay^2 but with what is not known of the levels after. The balanced
table of the standard does not fit a shop's history (other cars in each bay): the model's variances take its place. For a
planned study, the same cars in every bay, it does: service/stats/iso5725.py.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.history import History, Ints
from service.stats.history.cells import BayLevel
from service.stats.history.fitted import Fit
from service.stats.iso5725 import LIMIT_FACTOR, Crossed, Precision, crossed, precision
from service.stats.noise import pooled_spread

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BayNoise:
    """Precision of the shop's figures [ln, standard deviations of one pull].

    reproducibility: across bays as they read; levelled: with the bays' levels taken out. The limits are what two single
    pulls keep within 95 times in 100.
    """

    repeatability: float
    intermediate: float
    reproducibility: float
    levelled: float

    @property
    def repeatability_limit(self) -> float:
        """Of two pulls of one setup."""
        return LIMIT_FACTOR * self.repeatability

    @property
    def reproducibility_limit(self) -> float:
        """Of pulls in two bays as they read."""
        return LIMIT_FACTOR * self.reproducibility

    @property
    def levelled_limit(self) -> float:
        """Of pulls in two bays with their levels taken out."""
        return LIMIT_FACTOR * self.levelled


def shop_noise(fit: Fit, levels: Sequence[BayLevel]) -> BayNoise:
    """Precision over all bays. `intermediate`: another strap-down in the same bay."""
    within = fit.pull_spread**2 + fit.spreads.setup**2 + fit.spreads.session**2
    left = float(np.mean([one.variance for one in levels])) if levels else 0.0
    return BayNoise(
        repeatability=fit.pull_spread,
        intermediate=math.sqrt(within),
        reproducibility=math.sqrt(within + fit.spreads.bay**2),
        levelled=math.sqrt(within + min(left, fit.spreads.bay**2)),
    )


def repeatability_by_bay(history: History, shop: float) -> Mapping[int, float]:
    """Spread of one pull about its setup's mean in each bay [ln], drawn a little towards the shop's where pulls are few."""
    bays, place = np.unique(history.bay_id, return_inverse=True)
    ss = np.bincount(place, weights=np.nan_to_num(history.spread_ss), minlength=len(bays))
    df = np.bincount(place, weights=history.spread_df, minlength=len(bays))
    return {
        int(bay): pooled_spread(float(squares), float(free), prior_sd=shop)
        for bay, squares, free in zip(bays, ss, df, strict=True)
    }


def round_robin(bay_id: Ints, vehicle_id: Ints, value: Floats) -> Precision | Crossed | None:
    """Precision by a planned study: the same cars measured in every bay; None where these readings are none.

    Readings [ln], one row each. One car: ISO 5725-2, equally many repeats or not. Several cars, each equally often in
    every bay: the two-way analysis. Two or more bays and repeats are needed.
    """
    bays, in_bay = np.unique(bay_id, return_inverse=True)
    cars, of_car = np.unique(vehicle_id, return_inverse=True)
    if len(bays) < 2:
        return None
    counts = np.zeros((len(bays), len(cars)), dtype=np.int64)
    np.add.at(counts, (in_bay, of_car), 1)
    if len(cars) == 1:
        return precision([value[in_bay == i] for i in range(len(bays))]) if counts.max() > 1 else None
    if counts.min() != counts.max() or counts.min() < 2:
        return None
    order = np.lexsort((of_car, in_bay))
    return crossed(value[order].reshape(len(bays), len(cars), int(counts.min())))
