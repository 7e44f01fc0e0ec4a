"""Standards and correction factors as documents."""

from dataclasses import asdict
from typing import Any

from marshmallow import Schema, fields

from service.domain.correction import STANDARDS, Air, Limits, Standard
from service.domain.engine import Engine
from service.domain.factor_sheet import FactorSheet, Limit, Station
from service.domain.units import SYSTEMS
from service.schemas import correction_meanings as meanings
from service.schemas.base import Document
from service.schemas.fields import Word, shown
from service.schemas.meanings import described

QUANTITY_OF_LIMIT = {"temperature": "temperature", "pressure": "pressure", "dry_pressure": "pressure"}
"""Which limits are quantities of a unit system; the factor is not."""
FACTOR_DIGITS = 9


@described(meanings.LIMITS)
class LimitsDocument(Schema):
    """Between what a standard allows a correction, for one kind of ignition."""

    factor = fields.List(fields.Float(), allow_none=True)
    temperature = fields.List(fields.Float(), allow_none=True)
    pressure = fields.List(fields.Float(), allow_none=True)


@described(meanings.REFERENCE)
class ReferenceDocument(Schema):
    """A standard's reference air, in which its factor is 1."""

    temperature = fields.Float()
    pressure = fields.Float()
    vapour_pressure = fields.Float()


@described(meanings.STANDARD)
class StandardDocument(Document):
    """A correction standard, with where each thing about it was read."""

    slug = fields.String()
    name = fields.String()
    formula = fields.String()
    reference = fields.Nested(ReferenceDocument, allow_none=True)
    pressure = fields.String(allow_none=True)
    needs_engine = fields.Boolean()
    limits_spark = fields.Nested(LimitsDocument)
    limits_compression = fields.Nested(LimitsDocument)
    boosted = fields.String()
    source = fields.String()
    units = Word(*SYSTEMS)


@described(
    {
        "ignition": "`spark` or `compression`; null = not said.",
        "aspiration": "How it breathes; null = not said.",
        "charge_cooling": "How the charge is cooled: `none`, by `air` or by `liquid`; null = not said.",
        "fuel_per_cycle": "Fuel at full load [mg per litre and cycle]; null = not said.",
        "boost_ratio": "Absolute boost pressure over the ambient one; null = not said.",
    }
)
class FactorEngine(Document):
    """An engine as the standards ask for it."""

    ignition = fields.String(allow_none=True)
    aspiration = fields.String(allow_none=True)
    charge_cooling = fields.String(allow_none=True)
    fuel_per_cycle = fields.Float(allow_none=True)
    boost_ratio = fields.Float(allow_none=True)


@described(meanings.MADE_OF)
class MadeOfDocument(Schema):
    """Each ingredient of a factor with its value."""

    temperature = fields.Float()
    pressure = fields.Float()
    vapour_pressure = fields.Float()
    dry_pressure = fields.Float()
    theta = fields.Float(allow_none=True)
    delta = fields.Float(allow_none=True)
    fa = fields.Float(allow_none=True)
    fm = fields.Float(allow_none=True)
    q_c = fields.Float(allow_none=True)
    engine = fields.Nested(FactorEngine, allow_none=True)


@described(meanings.LIMIT)
class LimitDocument(Schema):
    """One limit, and how this air stands to it."""

    what = fields.String()
    value = fields.Float()
    low = fields.Float(allow_none=True)
    high = fields.Float(allow_none=True)
    inside = fields.Boolean()


@described(meanings.STATION)
class StationDocument(Schema):
    """Whether the pressure can be that of a station at the altitude."""

    altitude_m = fields.Float()
    standard_pressure = fields.Float()
    difference = fields.Float()
    fits = fields.Boolean()
    looks_like_sea_level = fields.Boolean()
    reading = fields.String()


@described(meanings.OTHER_FACTOR)
class OtherFactorDocument(Schema):
    """Another standard's factor in the same air."""

    standard = fields.String()
    factor = fields.Float(allow_none=True)
    missing = fields.List(fields.String())


@described(meanings.CORRECTION_FACTOR)
class CorrectionFactor(Document):
    """A correction factor, what it was made of, and whether the standard allows it."""

    units = Word(*SYSTEMS)
    standard = fields.String()
    name = fields.String()
    formula = fields.String()
    factor = fields.Float()
    made_of = fields.Nested(MadeOfDocument)
    limits = fields.List(fields.Nested(LimitDocument))
    allowed = fields.Boolean()
    warnings = fields.List(fields.String())
    density_altitude_m = fields.Float()
    station = fields.Nested(StationDocument, allow_none=True)
    every_standard = fields.List(fields.Nested(OtherFactorDocument))


def standard_document(standard: Standard, units: str) -> dict[str, Any]:
    """A row of the table in a unit system."""
    reference = standard.reference
    return {
        "slug": standard.slug,
        "name": standard.name,
        "formula": standard.formula,
        "reference": None if reference is None else air_document(reference, units),
        "pressure": standard.pressure,
        "needs_engine": standard.engine_rule is not None,
        "limits_spark": limits_document(standard.spark, units),
        "limits_compression": limits_document(standard.compression, units),
        "boosted": standard.boosted,
        "source": standard.source,
        "units": units,
    }


def limits_document(limits: Limits, units: str) -> dict[str, Any]:
    """A standard's limits in a unit system."""

    def ends(pair: tuple[float, float] | None, quantity: str) -> list[float | None] | None:
        return None if pair is None else [shown(end, quantity, units) for end in pair]

    return {
        "factor": None if limits.factor is None else list(limits.factor),
        "temperature": ends(limits.temperature_c, "temperature"),
        "pressure": ends(limits.pressure_kpa, "pressure"),
    }


def air_document(air: Air, units: str) -> dict[str, Any]:
    """An air in a unit system."""
    return {
        "temperature": shown(air.temperature_c, "temperature", units),
        "pressure": shown(air.pressure_kpa, "pressure", units),
        "vapour_pressure": shown(air.vapour_kpa, "pressure", units),
    }


def factor_document(sheet: FactorSheet, units: str) -> dict[str, Any]:
    """A factor with all about it, in a unit system."""
    return {
        "units": units,
        "standard": sheet.standard.slug,
        "name": sheet.standard.name,
        "formula": sheet.standard.formula,
        "factor": digits(sheet.made.factor),
        "made_of": made_of_document(sheet, units),
        "limits": [limit_document(limit, units) for limit in sheet.limits],
        "allowed": sheet.allowed,
        "warnings": list(sheet.warnings),
        "density_altitude_m": round(sheet.density_altitude_m, 1),
        "station": None if sheet.station is None else station_document(sheet.station, units),
        "every_standard": [every_document(other, sheet.air, sheet.engine) for other in STANDARDS.values()],
    }


def made_of_document(sheet: FactorSheet, units: str) -> dict[str, Any]:
    """Each ingredient with its value; null where the formula has no such part."""
    made = sheet.made
    parts = {name: digits(getattr(made, name)) for name in ("theta", "delta", "fa", "fm", "q_c")}
    engine = None if sheet.engine is None else asdict(sheet.engine)
    return {
        **air_document(sheet.air, units),
        "dry_pressure": shown(sheet.air.dry_kpa, "pressure", units),
        **parts,
        "engine": engine,
    }


def limit_document(limit: Limit, units: str) -> dict[str, Any]:
    """A limit in a unit system."""
    quantity = QUANTITY_OF_LIMIT.get(limit.what)
    ends = {"value": limit.value, "low": limit.low, "high": limit.high}
    figures = {
        name: digits(end) if quantity is None else shown(end, quantity, units) for name, end in ends.items()
    }
    return {"what": limit.what, **figures, "inside": limit.inside}


def station_document(station: Station, units: str) -> dict[str, Any]:
    """How the pressure stands to the altitude's, in a unit system."""
    # pressures of every system begin at nought, so a difference is turned like a pressure
    return {
        "altitude_m": station.altitude_m,
        "standard_pressure": shown(station.standard_kpa, "pressure", units),
        "difference": shown(station.difference_kpa, "pressure", units),
        "fits": station.fits,
        "looks_like_sea_level": station.looks_like_sea_level,
        "reading": station.reading,
    }


def every_document(standard: Standard, air: Air, engine: Engine | None) -> dict[str, Any]:
    """One standard's factor in an air, or what of the engine it would need."""
    return {
        "standard": standard.slug,
        "factor": digits(standard.factor(air, engine)),
        "missing": list(standard.missing(engine)),
    }


def digits(value: float | None) -> float | None:
    """A plain number to the digits that a document shows."""
    return None if value is None else float(f"{value:.{FACTOR_DIGITS}g}")
