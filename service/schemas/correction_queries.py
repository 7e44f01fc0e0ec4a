"""Questions about a correction factor: the air, the engine, where the station stands."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from service.domain.air import PRESSURE_RANGE_KPA, TEMPERATURE_RANGE_C, vapour_pressure_kpa
from service.domain.correction import Air, Standard
from service.domain.engine import ASPIRATIONS, CHARGE_COOLINGS, IGNITIONS, Engine
from service.domain.errors import Fault, Refused
from service.domain.units import SYSTEMS, from_si, symbol, to_si
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


class Share(validate.Range):
    """0..1; says so where percent were written."""

    def __init__(self) -> None:
        super().__init__(min=0, max=1)

    def _format_error(self, value: Any, message: str) -> str:
        if 1 < value <= 100:
            return f"must lie between 0 and 1: write percent as a share: {value:g} % is {value / 100:g}"
        return "must lie between 0 and 1"


@described(meanings.FACTOR_QUERY)
class FactorQuery(ViewQuery):
    """An air, an engine, a standard."""

    temperature = fields.Float(required=True)
    pressure = fields.Float(required=True)
    humidity = fields.Float(load_default=None, validate=Share())
    dew_point = fields.Float(load_default=None)
    platform = Slug(load_default=None)
    ignition = Word(*IGNITIONS, load_default=None)
    aspiration = Word(*ASPIRATIONS, load_default=None)
    charge_cooling = Word(*CHARGE_COOLINGS, load_default=None)
    fuel_per_cycle = fields.Float(load_default=None, validate=between(1, 500))
    boost_ratio = fields.Float(load_default=None, validate=between(1, 10))
    altitude_m = fields.Float(load_default=None, validate=between(-450, 6000))
    bay = Slug(load_default=None)

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def says_each_thing_once(self, data: Mapping[str, Any], sent: Mapping[str, Any], **_: Any) -> None:
        """Moisture is given once, and so is the altitude; what cannot be true is said with every other fault."""
        faults = dict(said_twice(sent))
        units = self.unit_system(data)
        if units in SYSTEMS:
            faults |= {str(fault.parameter): [fault.detail] for fault in air_faults(data, units)}
        if faults:
            raise ValidationError(faults)

    def unit_system(self, data: Mapping[str, Any]) -> str | None:
        """The units of the question's figures; None where it does not say."""
        units: str | None = data.get("units")
        return units


def said_twice(sent: Mapping[str, Any]) -> Iterator[tuple[str, list[str]]]:
    """What is there twice, or not once, of what is given in one of two ways."""
    given = {name for name in sent if sent[name] is not None}
    if {"humidity", "dew_point"} <= given:
        yield "dew_point", ["humidity is given too; leave one of the two out"]
    if not {"humidity", "dew_point"} & given:
        yield "humidity", ["missing: give humidity (0..1) or dew_point"]
    if {"altitude_m", "bay"} <= given:
        yield "bay", ["altitude_m is given too; leave one of the two out"]


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
        words = (
            f"does not fit {query['pressure']:g} {symbol('pressure', units)} of pressure: the air would hold more vapour "
            "than that; check the pressure and its unit"
        )
        raise Refused(
            f"the air cannot be as it was given: {impossible}", [Fault("", words, parameter=place)]
        ) from None


def air_faults(query: Mapping[str, Any], units: str) -> Iterator[Fault]:
    """What of the air lies outside what can be true, in the question's own unit."""
    wrong = [name for name in RANGES if not possible(name, query, units)]
    for name in wrong:
        quantity, limits = RANGES[name]
        low, high = (f"{from_si(end, quantity, units):.4g}" for end in limits)
        words = f"must lie between {low} and {high} {symbol(quantity, units)}: is it in another unit?"
        yield Fault("", words, parameter=name)
    air, dew = query.get("temperature"), query.get("dew_point")
    if not wrong and air is not None and dew is not None and dew > air:
        unit = symbol("temperature", units)
        words = f"{dew:g} {unit} is above the air temperature {air:g} {unit}, which cannot be; were the two swapped?"
        yield Fault("", words, parameter="dew_point")


def possible(name: str, query: Mapping[str, Any], units: str) -> bool:
    """Whether a quantity of the air is not given, or can be true."""
    quantity, (low, high) = RANGES[name]
    value = query.get(name)
    return value is None or low <= to_si(float(value), quantity, units) <= high


def engine_needs(standard: Standard, engine: Engine | None) -> dict[str, str]:
    """What a standard needs to know of an engine and does not, each with what it will need beside it."""
    rule, missing = standard.engine_rule, standard.missing(engine)
    if rule is None or not missing:
        return {}
    charged = "boost_ratio"
    cooled = " and, with a turbocharger, charge_cooling" if rule.by_cooling else ""
    beside = {
        "ignition": f"; for compression also aspiration and fuel_per_cycle, and if it is charged {charged}{cooled}",
        "aspiration": f"; if it is charged, also {charged}{cooled}",
    }
    return {name: beside.get(name, "") for name in missing}


def asked_engine(query: Mapping[str, Any], platform: Engine | None) -> Engine | None:
    """The engine a question is about: the platform's, with what was given beside it; None where nothing was."""
    given = {name: query[name] for name in ENGINE_FIELDS if query[name] is not None}
    if platform is None and not given:
        return None
    return replace(platform or Engine(), **given)
