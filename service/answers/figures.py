"""One figure per setup for a measure, from its summary or its mean curve."""

from collections.abc import Mapping
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from service.domain.curve import band_mean, value_at
from service.domain.measures import Measure


class Measured(Protocol):
    """Anything with a summary's peaks."""

    @property
    def setup_id(self) -> int: ...
    @property
    def power_kw(self) -> float | None: ...
    @property
    def torque_nm(self) -> float | None: ...


def stored_figure(
    setup: Measured, measure: Measure, curves: Mapping[int, NDArray[np.float64]]
) -> float | None:
    """A setup's figure at its stored level [kW or N.m]; None where it was not measured, or is no pull."""
    if measure.is_peak:
        value = setup.power_kw if measure.quantity == "power" else setup.torque_nm
    else:
        grid = curves.get(setup.setup_id)
        value = None if grid is None else float(of_curve(grid, measure))
    return value if value is not None and value > 0 else None


def of_curve(grid: NDArray[np.float64], measure: Measure) -> NDArray[np.float64]:
    """A measure other than a peak, of one curve or of many."""
    if measure.rpm is not None:
        return value_at(grid, measure.rpm, measure.quantity)
    assert measure.from_rpm is not None
    assert measure.to_rpm is not None
    return band_mean(grid, measure.from_rpm, measure.to_rpm, measure.quantity)
