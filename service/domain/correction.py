"""Correction standards: what an engine would have made in a standard's reference air.

``corrected = observed x factor``. One function per standard and one row in ``STANDARDS``; a new standard is one of
each. Temperatures enter as t + 273 and 298 where a standard prints them so (not 273.15 and 298.15). Three standards
need to know the engine; where what they need was not recorded there is no factor: `Standard.factor` gives None,
`correction_factor` raises and says what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from service.domain import engine as engines
from service.domain.engine import Engine, EngineRule

BASE_STANDARD: Final = "sae-j1349"
"""In which derived figures are stored (our choice): it needs no engine, so stored figures never depend on one."""
J607_PRESSURE_KPA: Final = 101.3207481  # 29.92 inHg, conventional (0 degC)
DIN_PRESSURE_KPA: Final = 101.3  # 1013 mbar
DRY_PRESSURE_KPA: Final = 99.0  # of the common reference air: 100 kPa of which 1 kPa is vapour


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


REFERENCE_AIR: Final = Air(25.0, 100.0, 1.0)
"""298 K and 99 kPa dry: SAE J1349, ISO 1585, UN R85 and JIS D 1001."""


@dataclass(frozen=True, slots=True)
class Made:
    """A factor and what it was made of.

    theta: the air's absolute temperature over the reference's [-]; delta: the reference's pressure over the air's [-];
    fa, fm: atmospheric and engine factor of a compression-ignition form [-]; q_c: corrected fuel flow [mg per litre and
    cycle]. None where the formula has no such part.
    """

    factor: float
    theta: float | None = None
    delta: float | None = None
    fa: float | None = None
    fm: float | None = None
    q_c: float | None = None


Formula = Callable[[Air, Engine | None], Made | None]


@dataclass(frozen=True, slots=True)
class Limits:
    """Between what a standard allows a correction: factor [-], air temperature [degC], pressure [kPa] of the kind its
    formula takes; None where the standard, or our knowledge of it, sets none."""

    factor: tuple[float, float] | None = None
    temperature_c: tuple[float, float] | None = None
    pressure_kpa: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Standard:
    """One correction standard. `pressure` says which the formula takes: `dry`, `total`, or None for none at all.

    `spark` and `compression` are the limits for engines of that ignition; `engine_rule` is there where the factor
    depends on the engine.
    """

    slug: str
    name: str
    formula: str
    reference: Air | None
    make: Formula
    pressure: str | None
    boosted: str
    source: str
    spark: Limits = Limits()
    compression: Limits = Limits()
    engine_rule: EngineRule | None = None

    def factor(self, air: Air, engine: Engine | None = None) -> float | None:
        """What an observed figure is multiplied by [-]; None where what it needs of the engine was not recorded."""
        made = self.make(air, engine)
        return None if made is None else made.factor

    def missing(self, engine: Engine | None) -> tuple[str, ...]:
        """The fields of the engine that it needs and that were not recorded; () where it can be computed."""
        return () if self.engine_rule is None else self.engine_rule.missing(engine)

    def limits(self, engine: Engine | None = None) -> Limits:
        """The limits for this engine; those for spark ignition where the ignition is not known."""
        return self.compression if engine is not None and engine.ignition == "compression" else self.spark

    @property
    def factor_limits(self) -> tuple[float, float] | None:
        """Limits of the factor for spark ignition [-]."""
        return self.spark.factor

    def pressure_of(self, air: Air) -> float:
        """The pressure that its formula and its limits are about [kPa]."""
        return air.pressure_kpa if self.pressure == "total" else air.dry_kpa


class EngineNotRecordedError(ValueError):
    """A standard needs to know more of the engine than was recorded; `missing` names the fields."""

    def __init__(self, slug: str, missing: tuple[str, ...]) -> None:
        self.missing = missing
        is_not, it = ("is not", "it") if len(missing) == 1 else ("are not", "them")
        super().__init__(
            f"standard: {slug} needs {' and '.join(missing)} of this engine, which {is_not} recorded; record {it}, or use "
            f"a standard that does not depend on the engine: {', '.join(engine_free())}"
        )


def theta_of(air: Air, reference_k: float = 298.0) -> float:
    """(t + 273) over the reference temperature [-], as the standards print it."""
    return (air.temperature_c + 273.0) / reference_k


def sae_j1349(air: Air, _engine: Engine | None = None) -> Made:
    """1.18 (99 / dry kPa) sqrt((t + 273) / 298) - 0.18: 85 % mechanical efficiency is assumed.

    Formula read second-hand. Factor 0.93..1.07, 15..35 degC, 90..105 kPa dry: from memory. Boosted: overstates.
    """
    theta, delta = theta_of(air), DRY_PRESSURE_KPA / air.dry_kpa
    return Made(1.18 * delta * math.sqrt(theta) - 0.18, theta, delta)


def sae_j607(air: Air, _engine: Engine | None = None) -> Made:
    """(29.92 inHg / dry) sqrt((tF + 459.67) / 519.67): 60 degF, dry air; an old one for small engines, withdrawn.

    Read second-hand, where 459.7 and 519.7 stand; 29.92 inHg is taken as conventional, 101.3207481 kPa. No limits known.
    """
    theta = (air.temperature_c * 1.8 + 32.0 + 459.67) / 519.67
    delta = J607_PRESSURE_KPA / air.dry_kpa
    return Made(delta * math.sqrt(theta), theta, delta)


def din_70020(air: Air, _engine: Engine | None = None) -> Made:
    """(1013 / total mbar) sqrt((t + 273) / 293): the TOTAL station pressure; vapour plays no part.

    From memory; secondary sources disagree whether the pressure is dry. No limits known.
    """
    theta, delta = theta_of(air, 293.0), DIN_PRESSURE_KPA / air.pressure_kpa
    return Made(delta * math.sqrt(theta), theta, delta)


def power_law(air: Air) -> Made:
    """(99 / dry kPa)^1.2 ((t + 273) / 298)^0.6: the spark-ignition form of ISO 1585, UN R85 and JIS D 1001.

    The exponents were read second-hand, 0.93..1.07 and 288..308 K are from memory.
    """
    theta, delta = theta_of(air), DRY_PRESSURE_KPA / air.dry_kpa
    return Made(math.pow(delta, 1.2) * math.pow(theta, 0.6), theta, delta)


def atmospheric_factor(air: Air, engine: Engine, rule: EngineRule) -> float:
    """fa [-] of compression ignition; its three forms are from memory (that there are three: read second-hand).

    Natural or mechanically charged: delta theta^0.7. Turbocharged: delta^0.7 theta^1.5, and by a standard that goes by
    the cooling delta^0.7 theta^0.7 where the charge is cooled by liquid.
    """
    theta, delta = theta_of(air), DRY_PRESSURE_KPA / air.dry_kpa
    if engine.aspiration != "turbo":
        return delta * math.pow(theta, 0.7)
    by_liquid = rule.by_cooling and engine.charge_cooling == "liquid"
    return math.pow(delta, 0.7) * math.pow(theta, 0.7 if by_liquid else 1.5)


def by_ignition(air: Air, engine: Engine | None, rule: EngineRule) -> Made | None:
    """The power law for spark ignition, fa^fm for compression ignition; None where the rule needs what is unknown."""
    if engine is None or rule.missing(engine):
        return None
    if engine.ignition == "spark":
        return power_law(air)
    q_c = engine.corrected_fuel
    assert q_c is not None
    fa, fm = atmospheric_factor(air, engine, rule), rule.factor(q_c)
    return Made(math.pow(fa, fm), theta_of(air), DRY_PRESSURE_KPA / air.dry_kpa, fa, fm, q_c)


def iso_1585(air: Air, engine: Engine | None) -> Made | None:
    """ISO 1585:1992: power law (spark); fa^fm, fm over 37.2..65 and a liquid-cooled form (compression).

    Limits from memory: 0.93..1.07, 15..35 degC (spark); 0.9..1.1 (read second-hand), 10..40 degC, 80..110 kPa dry
    (compression). Boosted spark-ignition engines are outside it, from memory.
    """
    return by_ignition(air, engine, engines.ISO_1585)


def un_r85(air: Air, engine: Engine | None) -> Made | None:
    """UN R85 annex 5: power law (spark); fa^fm, fm over 40..65 (compression, par. 5.4.2.2, read second-hand).

    Limits as ISO 1585's here.
    """
    return by_ignition(air, engine, engines.UN_R85)


def jis_d1001(air: Air, engine: Engine | None) -> Made | None:
    """JIS D 1001: power law (spark, read second-hand); for compression ignition taken to be ISO 1585's, from memory."""
    return by_ignition(air, engine, engines.JIS_D_1001)


def uncorrected(_air: Air, _engine: Engine | None = None) -> Made:
    """Factor 1, as a labelled policy."""
    return Made(1.0)


_COMMON_AIR: Final = "25 degC and 99 kPa dry (100 kPa total): read second-hand"
_J1349: Final = Limits((0.93, 1.07), (15.0, 35.0), (90.0, 105.0))
_SPARK: Final = Limits((0.93, 1.07), (15.0, 35.0))
_COMPRESSION: Final = Limits((0.9, 1.1), (10.0, 40.0), (80.0, 110.0))
_LIMITS_READ: Final = (
    "factor 0.93..1.07 and 288..308 K (spark) from memory; 0.9..1.1 (compression) read second-hand, 283..313 K and "
    "80..110 kPa dry from memory"
)
_POWER_LAW: Final = "spark ignition: (99 / dry kPa)^1.2 x ((t + 273) / 298)^0.6"
_FA: Final = (
    "fa = (99 / dry kPa) x ((t + 273) / 298)^0.7 natural or mechanically charged, (99 / dry kPa)^0.7 x ((t + 273) / "
    "298)^1.5 turbocharged"
)
_FA_LIQUID: Final = (
    f"{_FA}, (99 / dry kPa)^0.7 x ((t + 273) / 298)^0.7 turbocharged with the charge cooled by liquid"
)
_FM: Final = "fm = 0.036 q_c - 1.14"
_OVERSTATES: Final = (
    "overstates an engine whose boost control makes up for thin air; prefer ratios, or `none`"
)
_BOOSTED_DIESEL: Final = (
    "turbocharged compression ignition has a form of its own; an engine whose boost control makes up for thin air is "
    "still corrected twice (a proposal of 2014 to amend UN R85 takes that out, read second-hand)"
)

STANDARDS: Final[dict[str, Standard]] = {
    standard.slug: standard
    for standard in (
        Standard(
            slug="sae-j1349",
            name="SAE J1349",
            formula="1.18 x (99 / dry kPa) x sqrt((t + 273) / 298) - 0.18, spark ignition, 85 % mechanical efficiency",
            reference=REFERENCE_AIR,
            make=sae_j1349,
            pressure="dry",
            spark=_J1349,
            compression=_J1349,
            boosted=_OVERSTATES,
            source="formula read second-hand (quotation labelled Jun 90); reference air second-hand (summary of "
            "SAE J1995:2014); all limits from memory: editions limit a correction to about 5-7 %, and the air to "
            "15-35 degC and 90-105 kPa dry; another form in print, the 1.2 / 0.6 power law, is `iso-1585`",
        ),
        Standard(
            slug="iso-1585",
            name="ISO 1585",
            formula=f"{_POWER_LAW}; compression ignition: fa^fm, {_FA_LIQUID}; {_FM} for q_c from 37.2 to 65 "
            "mg/(litre.cycle), 0.2 below, 1.2 above (1992 edition)",
            reference=REFERENCE_AIR,
            make=iso_1585,
            pressure="dry",
            spark=_SPARK,
            compression=_COMPRESSION,
            boosted=f"boosted spark-ignition engines are outside it (from memory): the factor then {_OVERSTATES}; "
            f"{_BOOSTED_DIESEL}",
            source=f"exponents and reference air read second-hand ({_COMMON_AIR}); the three forms of fa from memory "
            f"(that there are three: second-hand); q_c 37.2..65 second-hand, 0.2 below from memory; {_LIMITS_READ}",
            engine_rule=engines.ISO_1585,
        ),
        Standard(
            slug="sae-j607",
            name="SAE J607",
            formula="(29.92 inHg / dry inHg) x sqrt((degF + 459.67) / 519.67)",
            reference=Air((60.0 - 32.0) / 1.8, J607_PRESSURE_KPA, 0.0),
            make=sae_j607,
            pressure="dry",
            boosted=_OVERSTATES,
            source="read second-hand (a text of 1995, with 459.7 and 519.7); reference air 60 degF, 29.92 inHg, dry; "
            "29.92 inHg taken as conventional inches of 0 degC, 101.3207481 kPa (our choice); no limits known; made for "
            "small engines and withdrawn",
        ),
        Standard(
            slug="din-70020",
            name="DIN 70020",
            formula="(1013 / total mbar) x sqrt((t + 273) / 293), part 6",
            reference=Air(20.0, DIN_PRESSURE_KPA, 0.0),
            make=din_70020,
            pressure="total",
            boosted=_OVERSTATES,
            source="formula and reference air from memory; secondary sources disagree whether the pressure is dry, which "
            "on a hot humid day is 4.9 %: total pressure is our choice; no limits known",
        ),
        Standard(
            slug="un-r85",
            name="UN Regulation 85",
            formula=f"annex 5: {_POWER_LAW}; compression ignition: fa^fm, {_FA}; {_FM} (par. 5.4.2.2) for q_c from 40 to "
            "65 mg/(litre.cycle), 0.3 below, 1.2 above",
            reference=REFERENCE_AIR,
            make=un_r85,
            pressure="dry",
            spark=_SPARK,
            compression=_COMPRESSION,
            boosted=f"boosted spark ignition: the same power law, which {_OVERSTATES}; {_BOOSTED_DIESEL}",
            source=f"fm read second-hand (revision 1, quoted in a test fixture); {_COMMON_AIR}; the power law's form and "
            f"the forms of fa from memory; {_LIMITS_READ}",
            engine_rule=engines.UN_R85,
        ),
        Standard(
            slug="jis-d1001",
            name="JIS D 1001",
            formula=f"{_POWER_LAW}; compression ignition taken to be ISO 1585's of 1992: fa^fm, {_FA_LIQUID}; {_FM} for "
            "q_c from 37.2 to 65 mg/(litre.cycle), 0.2 below, 1.2 above",
            reference=REFERENCE_AIR,
            make=jis_d1001,
            pressure="dry",
            spark=_SPARK,
            compression=_COMPRESSION,
            boosted=f"boosted spark ignition: the same power law, which {_OVERSTATES}; {_BOOSTED_DIESEL}",
            source="spark ignition read second-hand (a handbook says its exponents are ISO's); the whole form for "
            "compression ignition from memory, taken to be that of ISO 1585:1992 and not confirmed; limits as there, "
            "from memory",
            engine_rule=engines.JIS_D_1001,
        ),
        Standard(
            slug="none",
            name="not corrected",
            formula="factor 1",
            reference=None,
            make=uncorrected,
            pressure=None,
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


def engine_free() -> tuple[str, ...]:
    """The standards that do not depend on the engine."""
    return tuple(slug for slug, standard in STANDARDS.items() if standard.engine_rule is None)


def correction_factor(slug: str, air: Air, engine: Engine | None = None) -> float:
    """What an observed figure taken in this air is multiplied by [-].

    Raises EngineNotRecordedError where the standard needs to know more of the engine.
    """
    factor = standard_named(slug).factor(air, engine)
    if factor is None:
        raise EngineNotRecordedError(slug, standard_named(slug).missing(engine))
    return factor


def inside(value: float, limits: tuple[float, float] | None) -> bool:
    """Whether a value lies between limits, both included; True without any."""
    return limits is None or limits[0] <= value <= limits[1]
