"""From the level a figure is stored at to the standard that is asked for."""

from service.domain.correction import BASE_STANDARD, Air, correction_factor
from service.domain.derive import ANY_STANDARD


def ratio_to(standard: str, level_standard: str | None, air: Air | None) -> float | None:
    """What a stored figure must be multiplied with to stand in `standard`; None where that cannot be known.

    A figure at level `any` is corrected to the base standard and its mean air is known, so any other factor follows:
    the factors are so nearly straight over the drift inside one setup that taking them at its mean air is exact to
    1e-6. A figure at another standard's level without its air stands in that standard only.
    """
    if level_standard == ANY_STANDARD and air is not None:
        if standard == BASE_STANDARD:
            return 1.0
        return correction_factor(standard, air) / correction_factor(BASE_STANDARD, air)
    return 1.0 if level_standard == standard else None


def mean_air(temperature_c: float | None, pressure_kpa: float | None, vapour_kpa: float | None) -> Air | None:
    """The air of a setup, or None where a part of it is not known."""
    if temperature_c is None or pressure_kpa is None or vapour_kpa is None:
        return None
    return Air(temperature_c, pressure_kpa, vapour_kpa)
