"""Gains and a fit for tests of what is said of them: percent in, logs out."""

import numpy as np

from service.stats.history.cells import Cell, CellColumns
from service.stats.history.fitted import Fit, Points, Spreads, Weights

FIT = Fit(
    spreads=Spreads(
        part=0.35, slot_on=0.2, part_on=0.2, interaction=0.15, bay=0.02, car=0.025, car_gain=0.2, car_floor=0.004,
        session=0.0035, setup=0.0045,
    ),
    pull_spread=0.005,
    heat={},
    inlet_c=25.0,
    ethanol=0.05,
    points=Points({}, {}, {}, {}),
    weights=Weights(),
    bay_widening=1.0,
    cars=100,
    setups=250,
    down_weighted=0,
    heat_soaked=0,
    criterion=0.0,
    converged=True,
)  # fmt: skip
"""Cars differ by a fifth of the gain above 0.4 %; the noise of a good bay."""


def gain(
    percent: float = 3.0,
    sd: float = 0.5,
    prior_sd: float = 2.0,
    elsewhere_sd: float | None = None,
    cars: int = 5,
    cars_with: int = 8,
    cars_elsewhere: int = 20,
) -> Cell:
    """A gain of so many percent (of a log), known to so many."""
    mean, variance = percent / 100.0, (sd / 100.0) ** 2
    return Cell(
        mean=mean,
        variance=variance,
        prior_variance=(prior_sd / 100.0) ** 2,
        elsewhere_variance=((elsewhere_sd or prior_sd) / 100.0) ** 2,
        car_spread_variance=FIT.spreads.car_floor**2 + FIT.spreads.car_gain**2 * (mean**2 + variance),
        cars=cars,
        cars_with=cars_with,
        cars_elsewhere=cars_elsewhere,
        entangled=(),
    )


def gain_over_knots(percents: list[float], sd: float = 0.5, cell: Cell | None = None) -> CellColumns:
    """A gain at knots, each known alike."""
    mean, one = np.array(percents) / 100.0, cell or gain(sd=sd)
    variance = np.full(len(mean), (sd / 100.0) ** 2)
    spread = FIT.spreads.car_floor**2 + FIT.spreads.car_gain**2 * (mean**2 + variance)
    return CellColumns(mean, variance, spread, np.ones(len(mean)), one)
