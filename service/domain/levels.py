"""From the level a figure is stored at to the standard that is asked for, and which figures can be compared at all."""

from collections import Counter
from collections.abc import Sequence
from typing import Protocol

from service.domain.correction import BASE_STANDARD, STANDARDS, Air, correction_factor, standard_named
from service.domain.derive import ANY_STANDARD, OBSERVED
from service.domain.engine import Engine

UNCORRECTED = "none"
"""The standard of observed figures: factor 1."""


class Levelled(Protocol):
    """Anything with a summary's level and air."""

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


def level_ratio(setup: Levelled, standard: str, engine: Engine) -> float | None:
    """What brings a setup's stored figures to the asked standard; None where that is not known."""
    air = mean_air(setup.temperature_c, setup.pressure_kpa, setup.vapour_kpa)
    return ratio_to(standard, setup.level_standard, air, engine)


def pair_ratios(sides: Sequence[Levelled], standard: str, engine: Engine) -> tuple[list[float], bool] | None:
    """(ratios, known): what brings the sides of a comparison to one level; None where nothing does.

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


def strap_down_ratios(
    setups: Sequence[Levelled], doubted: Sequence[bool], standard: str, engine: Engine
) -> list[tuple[float, bool] | None]:
    """(ratio, levelled) of each setup of one strap-down; None for one that can be compared with nothing.

    `doubted`: whether its level is doubted. A strap-down stands at the standard as a whole or not at all: where one of
    its setups cannot, they are brought to what they share, for their ratios say more than their level (our choice).
    Where they share nothing, those at the standard stay there, and of the others those of the commonest level are kept
    for each other.
    """
    alone = [level_ratio(setup, standard, engine) for setup in setups]
    known = [ratio is not None and not doubt for ratio, doubt in zip(alone, doubted, strict=True)]
    if not all(known):
        shared = pair_ratios(setups, standard, engine) if len(setups) > 1 else None
        if shared is not None:
            return [(ratio, False) for ratio in shared[0]]
    left = Counter(
        setup.level_standard for setup, at_level in zip(setups, known, strict=True) if not at_level
    )
    kept, how_many = left.most_common(1)[0] if left else (None, 0)
    return [
        (ratio or 1.0, True)
        if at_level
        else (1.0, False)
        if how_many > 1 and setup.level_standard == kept
        else None
        for setup, ratio, at_level in zip(setups, alone, known, strict=True)
    ]
