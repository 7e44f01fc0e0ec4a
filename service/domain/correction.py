"""Correction standards: what an engine would have made in a standard's reference air.

``corrected = observed x factor``. One function per standard and one row in ``STANDARDS``; a new standard is one
of each. Temperatures enter as t + 273 and 298 where a standard prints them so (not 273.15 and 298.15).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

BASE_STANDARD: Final = "sae-j1349"  # in which derived figures are stored (our choice)


@dataclass(frozen=True, slots=True)
class Air:
    """The air an engine breathed: temperature [degC], absolute station pressure [kPa], vapour in it [kPa]."""

    temperature_c: float
    pressure_kpa: float
    vapour_kpa: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.vapour_kpa < self.pressure_kpa:
            raise ValueError(
                f"vapour pressure: {self.vapour_kpa:g} kPa does not fit a station pressure of "
                f"{self.pressure_kpa:g} kPa; check the pressure, its unit and the humidity"
            )
        if not self.temperature_c > -273.0:
            raise ValueError(
                f"temperature: {self.temperature_c:g} degC is below absolute zero; check its unit"
            )

    @property
    def dry_kpa(self) -> float:
        """Pressure of the dry part [kPa]."""
        return self.pressure_kpa - self.vapour_kpa


@dataclass(frozen=True, slots=True)
class Standard:
    """One correction standard; limits are None where the standard, or our knowledge of it, sets none."""

    slug: str
    name: str
    formula: str
    reference: Air | None
    factor: Callable[[Air], float]
    factor_limits: tuple[float, float] | None
    temperature_limits_c: tuple[float, float] | None
    pressure_limits_kpa: tuple[float, float] | None
    boosted: str
    source: str


def sae_j1349(air: Air) -> float:
    """1.18 (99 / dry kPa) sqrt((t + 273) / 298) - 0.18: 85 % mechanical efficiency is assumed."""
    return 1.18 * (99.0 / air.dry_kpa) * math.sqrt((air.temperature_c + 273.0) / 298.0) - 0.18


def uncorrected(_air: Air) -> float:
    """Factor 1, as a labelled policy."""
    return 1.0


STANDARDS: Final[dict[str, Standard]] = {
    standard.slug: standard
    for standard in (
        Standard(
            slug="sae-j1349",
            name="SAE J1349",
            formula="1.18 x (99 / dry kPa) x sqrt((t + 273) / 298) - 0.18, spark ignition, 85 % mechanical efficiency",
            reference=Air(25.0, 100.0, 1.0),
            factor=sae_j1349,
            factor_limits=(0.93, 1.07),
            temperature_limits_c=(15.0, 35.0),
            pressure_limits_kpa=(90.0, 105.0),
            boosted="overstates an engine whose boost control makes up for thin air; prefer ratios, or `none`",
            source="formula read second-hand (quotation labelled Jun 90); reference air second-hand (summary of "
            "SAE J1995:2014); all limits from memory: editions limit a correction to about 5-7 %, and the air to "
            "15-35 degC and 90-105 kPa dry; another form in print, the 1.2 / 0.6 power law, is `iso-1585`",
        ),
        Standard(
            slug="none",
            name="not corrected",
            formula="factor 1",
            reference=None,
            factor=uncorrected,
            factor_limits=None,
            temperature_limits_c=None,
            pressure_limits_kpa=None,
            boosted="a policy for engines whose boost control makes up for thin air; days and sites then differ by it",
            source="our choice",
        ),
    )
}


def standard_named(slug: str) -> Standard:
    """The standard of this slug."""
    try:
        return STANDARDS[slug]
    except KeyError:
        raise ValueError(f"standard: {slug!r} is not known here; use one of {', '.join(STANDARDS)}") from None


def correction_factor(slug: str, air: Air) -> float:
    """What an observed figure taken in this air is multiplied by [-]."""
    return standard_named(slug).factor(air)


def factor_within_limits(slug: str, factor: float) -> bool:
    """Whether the standard itself allows a correction of this size; True where it sets no limit."""
    limits = standard_named(slug).factor_limits
    return limits is None or limits[0] <= factor <= limits[1]


def air_within_limits(slug: str, air: Air) -> bool:
    """Whether the standard allows a test in this air at all; pressure limits are of the dry air."""
    standard = standard_named(slug)
    return _inside(air.temperature_c, standard.temperature_limits_c) and _inside(
        air.dry_kpa, standard.pressure_limits_kpa
    )


def _inside(value: float, limits: tuple[float, float] | None) -> bool:
    return limits is None or limits[0] <= value <= limits[1]
