"""One figure per setup for a measure and a standard, from its summary or its mean curve."""

from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from service.domain.correction import STANDARDS
from service.domain.curve import band_mean, value_at
from service.domain.engine import Engine
from service.domain.levels import mean_air, ratio_to
from service.domain.measures import Measure


class Levelled(Protocol):
    """Anything with a summary's level, air and peaks."""

    @property
    def setup_id(self) -> int: ...
    @property
    def level_standard(self) -> str | None: ...
    @property
    def factor(self) -> float | None: ...
    @property
    def temperature_c(self) -> float | None: ...
    @property
    def pressure_kpa(self) -> float | None: ...
    @property
    def vapour_kpa(self) -> float | None: ...
    @property
    def power_kw(self) -> float | None: ...
    @property
    def torque_nm(self) -> float | None: ...


def level_ratio(setup: Levelled, standard: str, engine: Engine) -> float | None:
    """What brings a setup's stored figures to the asked standard; None where that is not known."""
    air = mean_air(setup.temperature_c, setup.pressure_kpa, setup.vapour_kpa)
    return ratio_to(standard, setup.level_standard, air, engine)


def pair_ratios(sides: Sequence[Levelled], standard: str, engine: Engine) -> tuple[list[float], bool] | None:
    """(ratios, known): what brings the sides of a pair to one level; None where nothing does.

    `known` says that it is the asked standard's. Else the sides are brought to the standard one of them stands in, or
    back to observed figures, or are left as they were all posted alike: enough for a ratio inside one session.
    """
    for wanted in (
        standard,
        *sorted({side.level_standard for side in sides if side.level_standard in STANDARDS}),
    ):
        ratios = [level_ratio(side, str(wanted), engine) for side in sides]
        if all(ratio is not None for ratio in ratios):
            return [float(ratio or 1.0) for ratio in ratios], wanted == standard
    if all(side.factor for side in sides):
        return [1.0 / float(side.factor or 1.0) for side in sides], False
    if len({side.level_standard for side in sides}) == 1:
        return [1.0] * len(sides), False
    return None


def stored_figure(
    setup: Levelled, measure: Measure, curves: Mapping[int, NDArray[np.float64]]
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
