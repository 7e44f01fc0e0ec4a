"""The spreads by restricted likelihood, each with a weak prior that a small shop cannot lose it to.

A normal prior on the logarithm of every standard deviation (cf. Chung et al. 2013, from memory), wide enough for an
easy shop and a hard one.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.stats.history.fitted import SPREAD_NAMES, Spreads
from service.stats.mixed.block import Block, Prior
from service.stats.mixed.reml import fit_reml

Floats = NDArray[np.float64]

# Centres [relative or ln] and the standard deviation of their logarithms; our choice.
CENTRE: Final = Spreads(
    part=0.35,
    slot_on=0.20,
    part_on=0.25,
    interaction=0.15,
    bay=0.022,
    car=0.025,
    car_gain=0.25,
    car_floor=0.004,
    session=0.004,
    setup=0.004,
)
LOG_SD: Final = 0.6
GRADIENT: Final = (
    0.3  # of -2 log-likelihood by log sds: leaves a spread known to a few percent, and rounds follow
)
MOST_STEPS: Final = 15  # of the search in one round, our choice

_CENTRES: Final[Floats] = np.log([getattr(CENTRE, name) for name in SPREAD_NAMES])


def sought(blocks: Sequence[Block], border_prior: Prior, start: Spreads) -> tuple[Spreads, bool]:
    """The spreads that maximise restricted likelihood times prior, and whether the search ended of itself."""
    weak = (_CENTRES, np.full(len(_CENTRES), LOG_SD))
    found = fit_reml(blocks, border_prior, logs(start), weak, None, GRADIENT, MOST_STEPS)
    return Spreads(*np.sqrt(found.theta).tolist()), found.converged


def logs(spreads: Spreads) -> Floats:
    """Log standard deviations in the order of SPREAD_NAMES."""
    return np.log([getattr(spreads, name) for name in SPREAD_NAMES])
