"""Questions about a correction factor: the air, the engine, where the station stands."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from marshmallow import ValidationError, fields, validates_schema

from service.domain.air import PRESSURE_RANGE_KPA, TEMPERATURE_RANGE_C, vapour_pressure_kpa
from service.domain.correction import Air
from service.domain.engine import ASPIRATIONS, CHARGE_COOLINGS, IGNITIONS, Engine
from service.domain.errors import Fault, Refused
from service.domain.units import from_si, symbol, to_si
from service.schemas import correction_meanings as meanings
from service.schemas.fields import Slug, Word, between
from service.schemas.meanings import described
from service.schemas.queries import ViewQuery

ENGINE_FIELDS = ("ignition", "aspiration", "charge_cooling", "fuel_per_cycle", "boost_ratio")
RANGES = {
    "temperature": ("temperature", TEMPERATURE_RANGE_C),
    "pressure": ("pressure", PRESSURE_RANGE_KPA),
    "dew_point": ("temperature", TEMPERATURE_RANGE_C),
}
"""Of each quantity of the air: its kind, and between what it can be true in SI."""


@described(meanings.FACTOR_QUERY)
class FactorQuery(ViewQuery):
    """An air, an engine, a standard."""

    temperature = fields.Float(required=True)
    pressure = fields.Float(required=True)
    humidity = fields.Float(load_default=None, validate=between(0, 1))
    dew_point = fields.Float(load_default=None)
    platform = Slug(load_default=None)
    ignition = Word(*IGNITIONS, load_default=None)
    aspiration = Word(*ASPIRATIONS, load_default=None)
    charge_cooling = Word(*CHARGE_COOLINGS, load_default=None)
    fuel_per_cycle = fields.Float(load_default=None, validate=between(1, 500))
    boost_ratio = fields.Float(load_default=None, validate=between(1, 10))
    altitude_m = fields.Float(load_default=None, validate=between(-450, 6000))
    bay = Slug(load_default=None)

    @validates_schema
    def says_each_thing_once(self, data: Mapping[str, Any], **_: Any) -> None:
        """Moisture is given once, and so is the altitude."""
        moist, dew = data.get("humidity") is not None, data.get("dew_point") is not None
        if moist and dew:
            raise ValidationError({"dew_point": ["humidity is given too; leave one of the two out"]})
        if not moist and not dew:
            raise ValidationError({"humidity": ["missing: give humidity (0..1) or dew_point"]})
        if data.get("altitude_m") is not None and data.get("bay") is not None:
            raise ValidationError({"bay": ["altitude_m is given too; leave one of the two out"]})


def asked_air(query: Mapping[str, Any], units: str) -> Air:
    """The air a question is about, in SI; refused where it cannot be true."""
    faults = list(air_faults(query, units))
    if faults:
        raise Refused("the air cannot be as it was given", faults)
    temperature = float(to_si(query["temperature"], "temperature", units))
    pressure = float(to_si(query["pressure"], "pressure", units))
    dew = query["dew_point"]
    dew_c = None if dew is None else float(to_si(dew, "temperature", units))
    try:
        vapour = vapour_pressure_kpa(temperature, humidity=query["humidity"], dew_point_c=dew_c)
        return Air(temperature, pressure, vapour)
    except ValueError as impossible:
        place = "humidity" if dew is None else "dew_point"
        raise Refused(str(impossible), [Fault("", str(impossible), parameter=place)]) from None


def air_faults(query: Mapping[str, Any], units: str) -> Iterator[Fault]:
    """What of the air lies outside what can be true, in the question's own unit."""
    for name, (quantity, (low, high)) in RANGES.items():
        if query[name] is None or low <= to_si(float(query[name]), quantity, units) <= high:
            continue
        ends = [f"{from_si(end, quantity, units):.4g}" for end in (low, high)]
        words = f"must lie between {ends[0]} and {ends[1]} {symbol(quantity, units)}: is it in another unit?"
        yield Fault("", words, parameter=name)


def asked_engine(query: Mapping[str, Any], platform: Engine | None) -> Engine | None:
    """The engine a question is about: the platform's, with what was given beside it; None where nothing was."""
    given = {name: query[name] for name in ENGINE_FIELDS if query[name] is not None}
    if platform is None and not given:
        return None
    return replace(platform or Engine(), **given)
