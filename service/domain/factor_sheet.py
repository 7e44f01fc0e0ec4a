"""A factor with all that belongs beside it: what it was made of, whether the standard allows it, what to beware of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.domain.air import density_altitude_m, standard_pressure_kpa
from service.domain.correction import Air, EngineNotRecordedError, Made, Standard, inside, standard_named
from service.domain.engine import Engine

STATION_TOLERANCE_KPA: Final = 4.0
"""A station's pressure lies this near to its altitude's standard value in nearly all weather (common practice, no
source)."""
SEA_LEVEL_KPA: Final = 101.325  # ISO 2533


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a standard and how this air stands to it; `what` is factor [-], temperature [degC], dry_pressure or
    pressure [kPa]. Low and high are None where no limit is known; then it counts as inside."""

    what: str
    value: float
    low: float | None
    high: float | None
    inside: bool


@dataclass(frozen=True, slots=True)
class Station:
    """Whether a pressure can be that of a station at an altitude [m]: the altitude's standard value, how far from it
    [kPa], and whether it looks like the weather report's figure, which is reduced to sea level."""

    altitude_m: float
    standard_kpa: float
    difference_kpa: float
    fits: bool
    looks_like_sea_level: bool
    reading: str


@dataclass(frozen=True, slots=True)
class FactorSheet:
    """One standard's factor in one air for one engine."""

    standard: Standard
    air: Air
    engine: Engine | None
    made: Made
    limits: tuple[Limit, ...]
    density_altitude_m: float
    station: Station | None
    warnings: tuple[str, ...]

    @property
    def allowed(self) -> bool:
        """Whether every limit known of the standard is kept."""
        return all(limit.inside for limit in self.limits)


def factor_sheet(
    slug: str, air: Air, engine: Engine | None = None, altitude_m: float | None = None
) -> FactorSheet:
    """A standard's factor and all about it; raises EngineNotRecordedError where it needs more of the engine."""
    standard = standard_named(slug)
    made = standard.make(air, engine)
    if made is None:
        raise EngineNotRecordedError(slug, standard.missing(engine))
    limits = limits_of(standard, air, engine, made.factor)
    station = None if altitude_m is None else station_at(altitude_m, air.pressure_kpa)
    return FactorSheet(
        standard=standard,
        air=air,
        engine=engine,
        made=made,
        limits=limits,
        density_altitude_m=density_altitude_m(air.temperature_c, air.pressure_kpa, air.vapour_kpa),
        station=station,
        warnings=tuple(warnings(standard, engine, limits, station)),
    )


def limits_of(standard: Standard, air: Air, engine: Engine | None, factor: float) -> tuple[Limit, ...]:
    """The three limits of a standard for this engine, and how factor, temperature and pressure stand to them."""
    known = standard.limits(engine)
    kind = "pressure" if standard.pressure == "total" else "dry_pressure"
    return (
        limit_of("factor", factor, known.factor),
        limit_of("temperature", air.temperature_c, known.temperature_c),
        limit_of(kind, standard.pressure_of(air), known.pressure_kpa),
    )


def limit_of(what: str, value: float, limits: tuple[float, float] | None) -> Limit:
    """One value against its limits, both included."""
    low, high = limits or (None, None)
    return Limit(what, value, low, high, inside(value, limits))


def station_at(altitude_m: float, pressure_kpa: float) -> Station:
    """How a pressure [kPa] stands to the standard atmosphere's at an altitude [m]."""
    standard = standard_pressure_kpa(altitude_m)
    difference = pressure_kpa - standard
    fits = abs(difference) <= STATION_TOLERANCE_KPA
    near_sea_level = abs(pressure_kpa - SEA_LEVEL_KPA) <= STATION_TOLERANCE_KPA
    return Station(
        altitude_m=altitude_m,
        standard_kpa=standard,
        difference_kpa=difference,
        fits=fits,
        looks_like_sea_level=near_sea_level and not fits,
        reading=station_reading(altitude_m, standard, difference, fits, near_sea_level),
    )


def station_reading(
    altitude_m: float, standard: float, difference: float, fits: bool, near_sea_level: bool
) -> str:
    """What a station's pressure says, in words."""
    usual = f"{standard:.1f} kPa is usual at {altitude_m:.0f} m"
    if fits and near_sea_level:
        return f"fits: {usual}; so low down a figure reduced to sea level cannot be told from a station's"
    if fits:
        return f"fits: {usual}"
    apart = f"{abs(difference):.1f} kPa {'above' if difference > 0 else 'below'} what the altitude makes likely: {usual}"
    if near_sea_level:
        return f"{apart}; it looks like the weather report's figure, which is reduced to sea level: read the station's own"
    return f"{apart}; check the altitude, the instrument and its unit"


WORDS: Final = {
    "factor": ("the factor", ""),
    "temperature": ("the air temperature", " degC"),
    "pressure": ("the station pressure", " kPa"),
    "dry_pressure": ("the dry pressure", " kPa"),
}


def warnings(
    standard: Standard, engine: Engine | None, limits: tuple[Limit, ...], station: Station | None
) -> list[str]:
    """What a reader of the factor must know, gravest first."""
    said = [
        f"{WORDS[limit.what][0]} {limit.value:.4g}{WORDS[limit.what][1]} is outside {limit.low:g}..{limit.high:g}"
        f"{WORDS[limit.what][1]}, which {standard.name} allows: the corrected level is doubtful"
        for limit in limits
        if not limit.inside
    ]
    if station is not None and not station.fits:
        said.append(f"station pressure: {station.reading}")
    if engine is None or standard.pressure is None:
        return said
    if engine.is_boosted:
        said.append(f"boosted engine: {standard.boosted}")
    if engine.ignition == "compression" and standard.engine_rule is None:
        said.append("the form is for spark ignition: a diesel engine's power is only roughly corrected by it")
    if engine.ignition == "compression" and standard.slug == "jis-d1001":
        said.append(
            "JIS D 1001's form for compression ignition is taken to be ISO 1585's of 1992; not confirmed"
        )
    return said
