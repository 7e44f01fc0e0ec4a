"""A factor with all that belongs beside it: what it was made of, whether the standard allows it, what to beware of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.domain.air import density_altitude_m, standard_pressure_kpa
from service.domain.correction import Air, EngineNotRecordedError, Made, Standard, inside, standard_named
from service.domain.engine import Engine
from service.domain.units import from_si, symbol

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
    slug: str, air: Air, engine: Engine | None = None, altitude_m: float | None = None, units: str = "si"
) -> FactorSheet:
    """A standard's factor and all about it; raises EngineNotRecordedError where it needs more of the engine.

    Figures are SI; `units` is the unit system of its words.
    """
    standard = standard_named(slug)
    made = standard.make(air, engine)
    if made is None:
        raise EngineNotRecordedError(slug, standard.missing(engine))
    limits = limits_of(standard, air, engine, made.factor)
    station = None if altitude_m is None else station_at(altitude_m, air.pressure_kpa, units)
    return FactorSheet(
        standard=standard,
        air=air,
        engine=engine,
        made=made,
        limits=limits,
        density_altitude_m=density_altitude_m(air.temperature_c, air.pressure_kpa, air.vapour_kpa),
        station=station,
        warnings=tuple(warnings(standard, engine, limits, station, units)),
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


def station_at(altitude_m: float, pressure_kpa: float, units: str = "si") -> Station:
    """How a pressure [kPa] stands to the standard atmosphere's at an altitude [m], said in `units`."""
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
        reading=station_reading(altitude_m, standard, difference, fits, near_sea_level, units),
    )


def station_reading(
    altitude_m: float, standard: float, difference: float, fits: bool, near_sea_level: bool, units: str
) -> str:
    """What a station's pressure says, in words."""
    usual = f"{said(standard, 'pressure', units)} is usual at {altitude_m:.0f} m"
    if fits and near_sea_level:
        return f"fits: {usual}; so low down a figure reduced to sea level cannot be told from a station's"
    if fits:
        return f"fits: {usual}"
    # pressures of every system begin at nought, so a difference is turned like a pressure
    size = f"{from_si(abs(difference), 'pressure', units):.2g} {symbol('pressure', units)}"
    apart = f"{size} {'above' if difference > 0 else 'below'} what the altitude makes likely: {usual}"
    if near_sea_level:
        return f"{apart}; it looks like the weather report's figure, which is reduced to sea level: read the station's own"
    return f"{apart}; check the altitude, the instrument and its unit"


def said(value: float, quantity: str | None, units: str) -> str:
    """A figure with its unit, to what an instrument shows."""
    if quantity is None:
        return f"{value:.4g}"
    return f"{from_si(value, quantity, units):.4g} {symbol(quantity, units)}"


WORDS: Final[dict[str, tuple[str, str | None]]] = {
    "factor": ("the factor", None),
    "temperature": ("the air temperature", "temperature"),
    "pressure": ("the station pressure", "pressure"),
    "dry_pressure": ("the dry pressure", "pressure"),
}
"""What a limit is about: in words, and its quantity."""
BOOSTED_DIESEL: Final = (
    "boosted engine: one whose boost control makes up for thin air is corrected twice by the diesel's form"
)
"""A proposal of 2014 to amend UN R85 takes that out (read second-hand)."""


def warnings(
    standard: Standard,
    engine: Engine | None,
    limits: tuple[Limit, ...],
    station: Station | None,
    units: str,
) -> list[str]:
    """What a reader of the factor must know, gravest first."""
    words = [limit_words(limit, standard, units) for limit in limits if not limit.inside]
    if station is not None and not station.fits:
        words.append(f"station pressure: {station.reading}")
    if engine is None or standard.pressure is None:
        return words
    diesel_form = engine.ignition == "compression" and standard.engine_rule is not None
    if engine.is_boosted:
        words.append(BOOSTED_DIESEL if diesel_form else f"boosted engine: {standard.boosted}")
    if engine.ignition == "compression" and not diesel_form:
        words.append(
            "the form is for spark ignition: a diesel engine's power is only roughly corrected by it"
        )
    if engine.ignition == "compression" and standard.slug == "jis-d1001":
        words.append(
            "JIS D 1001's form for compression ignition is taken to be ISO 1585's of 1992; not confirmed"
        )
    return words


def limit_words(limit: Limit, standard: Standard, units: str) -> str:
    """That a limit is not kept."""
    what, quantity = WORDS[limit.what]
    assert limit.low is not None
    assert limit.high is not None
    low = said(limit.low, quantity, units).partition(" ")[0]
    return (
        f"{what} {said(limit.value, quantity, units)} is outside {low}..{said(limit.high, quantity, units)}, which "
        f"{standard.name} allows: the corrected level is doubtful"
    )
