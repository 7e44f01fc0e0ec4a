"""From the level a figure is stored at to the standard that is asked for, and which figures can be compared at all."""

from service.domain.correction import BASE_STANDARD, STANDARDS, Air, correction_factor, standard_named
from service.domain.derive import ANY_STANDARD, OBSERVED
from service.domain.engine import Engine

UNCORRECTED = "none"
"""The standard of observed figures: factor 1."""


def ratio_to(
    standard: str, level_standard: str | None, air: Air | None, engine: Engine | None = None
) -> float | None:
    """What a stored figure must be multiplied with to stand in `standard`; None where that cannot be known.

    A figure at level `any` is corrected to the base standard and its mean air is known, so any other factor follows:
    the factors are so nearly straight over the drift inside one setup that taking them at its mean air is exact to
    1e-6. The base standard needs no engine; one that needs more of it than is known has no factor, and so no ratio.
    A figure at another standard's level without its air stands in that standard only, an observed one in `none`.
    """
    if level_standard == ANY_STANDARD and air is not None:
        if standard == BASE_STANDARD:
            return 1.0
        factor = standard_named(standard).factor(air, engine)
        return None if factor is None else factor / correction_factor(BASE_STANDARD, air)
    if level_standard == OBSERVED:
        return 1.0 if standard == UNCORRECTED else None
    return 1.0 if level_standard == standard else None


def stands_in(level_standard: str | None) -> str | None:
    """The standard in which a figure is stored: the base standard for one that can be brought to any."""
    return BASE_STANDARD if level_standard == ANY_STANDARD else level_standard


def footing_shared(a: str | None, a_observed: bool, b: str | None, b_observed: bool) -> bool:
    """Whether two figures of one strap-down can be divided by each other.

    Given each one's level and whether its observed figure is known. Two figures of the same level can be, whatever it
    is; one that can be brought to any standard, with one that stands in a standard; and any two observed ones.
    """
    if a_observed and b_observed:
        return True
    if a == b:
        return a is not None
    return ANY_STANDARD in (a, b) and (a in STANDARDS or b in STANDARDS)


def mean_air(temperature_c: float | None, pressure_kpa: float | None, vapour_kpa: float | None) -> Air | None:
    """The air of a setup, or None where a part of it is not known."""
    if temperature_c is None or pressure_kpa is None or vapour_kpa is None:
        return None
    return Air(temperature_c, pressure_kpa, vapour_kpa)
