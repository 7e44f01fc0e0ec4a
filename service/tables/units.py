"""Units as people write them, and their factors.

The factors are the house's where it has them, else pint's, which is loaded only then: half a second of processor time at
each start of a bay's command (measured). What a word means depends on the quantity of its column: `KW` is power, but
degrees of crank beside an angle.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np

from service.domain.units import (
    FAHRENHEIT_ZERO,
    FOOT_POUND_NM,
    HORSEPOWER_KW,
    METRIC_HORSEPOWER_KW,
    PSI_KPA,
)
from service.tables.records import Floats

SI: Final = {
    "speed": "rpm",
    "torque": "newton * meter",
    "power": "kilowatt",
    "pressure": "kilopascal",
    "temperature": "degree_Celsius",
    "time": "second",
    "share": "dimensionless",
    "angle": "degree",
    "mixture": "dimensionless",
    "factor": "dimensionless",
}
"""What the house keeps of each quantity, in pint's words."""
HOUSE: Final[dict[tuple[str, str], tuple[float, float]]] = {
    ("speed", "1000 * rpm"): (1000.0, 0.0),
    ("torque", "foot * force_pound"): (FOOT_POUND_NM, 0.0),
    ("power", "horsepower"): (HORSEPOWER_KW, 0.0),
    ("power", "metric_horsepower"): (METRIC_HORSEPOWER_KW, 0.0),
    ("pressure", "hectopascal"): (0.1, 0.0),
    ("pressure", "millibar"): (0.1, 0.0),
    ("pressure", "bar"): (100.0, 0.0),
    ("pressure", "psi"): (PSI_KPA, 0.0),
    ("temperature", "degree_Fahrenheit"): (5.0 / 9.0, -FAHRENHEIT_ZERO * 5.0 / 9.0),
    ("time", "millisecond"): (0.001, 0.0),
    ("share", "percent"): (0.01, 0.0),
    ("factor", "percent"): (0.01, 0.0),
}
"""Scale and offset to the house's unit, by service/domain/units.py or by definition; tested against pint."""
AIR_FUEL_RATIO: Final = "AFR"
DIGITS: Final = 12
"""Kept of a converted value: without the dust of a conversion, and far above what any instrument shows (our choice)."""
CLOCK: Final = "h:mm:ss"
STOPWATCH: Final = "m:ss"
CLOCKS: Final = (CLOCK, STOPWATCH)
"""Times that are written as a clock shows them; `numbers.clock` reads them as seconds."""

# Spellings stand as `plain` leaves them. Common practice, no source.
_SPELLINGS: Final[dict[str, dict[str, str]]] = {
    "speed": {
        "rpm": "rpm 1/min /min min-1 min^-1 u/min upm umin tr/min trs/min tours/min giri/min g/min rev/min revs/min "
        "r/min obr/min rot/min ot/min",
        "1000 * rpm": "x1000rpm rpmx1000 1000rpm krpm 1000/min x1000 1000u/min x1000u/min x1000tr/min",
        "radian / second": "rad/s",
        "revolution / second": "1/s rev/s rps tr/s u/s",
    },
    "torque": {
        "newton * meter": "nm newtonmeter newtonmetre newtonmetres",
        "kilonewton * meter": "knm",
        "decanewton * meter": "danm",
        "foot * force_pound": "lbft lbfft lbsft ftlb ftlbs ftlbf footpounds poundfeet lb/ft ft/lb ft/lbs lbs/ft",
        "inch * force_pound": "lbin lbfin inlb inlbs inlbf",
        "kilogram_force * meter": "kgfm kgm mkg mkgf mkp kpm",
    },
    "power": {
        "kilowatt": "kw kilowatt kilowatts wkw rwkw",
        "watt": "w watt watts",
        "horsepower": "hp bhp whp rwhp horsepower",
        "metric_horsepower": "ps cv ch pk hk metrichp hpmetric metrichorsepower",
    },
    "pressure": {
        "kilopascal": "kpa",
        "hectopascal": "hpa",
        "pascal": "pa",
        "millibar": "mbar mb",
        "bar": "bar",
        "psi": "psi lbf/in2",
        "inHg": "inhg",
        "mmHg": "mmhg torr",
        "kilogram_force / centimeter ** 2": "kgf/cm2 kg/cm2 at",
    },
    "temperature": {
        "degree_Celsius": "c degc celsius degreec gradc",
        "degree_Fahrenheit": "f degf fahrenheit degreef",
        "kelvin": "k kelvin",
    },
    "time": {
        "second": "s sec secs second seconds sek sekunden secondes secondi segundos",
        "millisecond": "ms msec milliseconds",
        "minute": "min minutes minuten",
        CLOCK: "h:mm:ss hh:mm:ss hh:mm:ssf hh:mm:ssff hh:mm:ssfff hh:mm:ssms hms",
        STOPWATCH: "m:ss mm:ss m:ssf mm:ssf mm:ssff mm:ssfff",
    },
    "share": {"percent": "% percent prozent pct %rh rh% %rf", "dimensionless": "1 - 0..1 ratio share"},
    "angle": {
        "degree": "deg degree degrees degbtdc degbtc degca degkw degvot btdc kw grad degrees btdc cad",
    },
    "mixture": {"dimensionless": "lambda λ la 1 - lam", AIR_FUEL_RATIO: "afr :1 a/f l/k kg/kg"},
    "factor": {"dimensionless": "1 -", "percent": "%"},
}
_PRESSURE_SIGNS: Final = re.compile(r"(psi|kpa|hpa|mbar|bar|inhg)(?:(g|gauge|rel|\u00fc)|(a|abs|absolute))")
"""A pressure's word followed by gauge (above the barometer) or absolute."""
_DEGREES: Final = re.compile("\u00e2?\u00b0|\u00f8(?=[cf]$)|\ufffd(?=[cf]$)")
"""A degree sign, its look-alikes, and what a wrong code page makes of it."""
_SPEED_OF_CAR: Final = frozenset(["km/h", "kmh", "kph", "mph", "mi/h", "m/s", "kmh-1", "km/std"])


@dataclass(frozen=True)
class Unit:
    """A unit of a quantity; `gauge` where the word says that the pressure stands above the barometer."""

    quantity: str
    pint_name: str
    gauge: bool | None = None


def plain(word: str) -> str:
    """A unit's word in small letters, without blanks, points and hyphens between its parts."""
    word = re.sub("[\u00ba\u02da]", "\u00b0", word)  # look-alikes that normalising would take apart
    word = unicodedata.normalize("NFKC", word).replace("\u2212", "-").strip().lower()
    word = _DEGREES.sub("deg", word).replace("\u00b7", ".").replace("\u22c5", ".").replace("\u2044", "/")
    if re.fullmatch(r"[-:1%]|0\.\.1|min\^?-1", word):
        return word
    return re.sub(r"[\s.*_()\[\]]|(?<=[a-z])-(?=[a-z])", "", word)


@cache
def _words(quantity: str) -> dict[str, str]:
    return {word: name for name, words in _SPELLINGS[quantity].items() for word in words.split()}


def unit_in(word: str, quantity: str) -> Unit | None:
    """The unit of a quantity that a word stands for, or None where it is none of it."""
    key = plain(word)
    gauge = None
    if quantity == "pressure":
        signed = _PRESSURE_SIGNS.fullmatch(key)
        if signed:
            key, gauge = signed[1], signed[2] is not None
    found = _words(quantity).get(key)
    return None if found is None else Unit(quantity, found, gauge)


def is_unit(word: str) -> bool:
    """Whether a word is a unit of anything we know, also of a car's speed."""
    return is_speed_of_car(word) or any(unit_in(word, quantity) for quantity in _SPELLINGS)


def is_speed_of_car(word: str) -> bool:
    """km/h, mph, m/s: a speed that only the roller's girth could turn into rpm."""
    return plain(word) in _SPEED_OF_CAR


def known_words(quantity: str) -> str:
    """The first spelling of each unit of a quantity, for a message."""
    return ", ".join(words.split()[0] for words in _SPELLINGS[quantity].values())


def in_si(values: Floats, unit: Unit, stoichiometric: float | None = None) -> Floats:
    """Values in the house's unit of their quantity: kW, N.m, kPa, degC, rpm, s, share, degrees, lambda.

    An air/fuel ratio is divided by the stoichiometric one of its scale. A gauge pressure stays one.
    """
    if unit.pint_name == AIR_FUEL_RATIO:
        if stoichiometric is None:
            raise ValueError("an air/fuel ratio needs the stoichiometric one of its scale")
        return values / stoichiometric
    if unit.pint_name in CLOCKS:
        return values
    scale, zero = _line(unit.quantity, unit.pint_name)
    return values * scale + zero


@cache
def _line(quantity: str, name: str) -> tuple[float, float]:
    """Scale and offset of a unit to the SI one: every unit here is a straight line from it."""
    if name == SI[quantity]:
        return 1.0, 0.0
    if (quantity, name) in HOUSE:
        return HOUSE[quantity, name]
    return line_by_pint(quantity, name)


def line_by_pint(quantity: str, name: str) -> tuple[float, float]:
    """The same by pint."""
    at = [_in_pint(x, quantity, name) for x in (0.0, 1.0)]
    return at[1] - at[0], at[0]


def _in_pint(value: float, quantity: str, name: str) -> float:
    factor, _, unit = name.partition(" * ") if name.startswith("1000 * ") else ("1", "", name)
    return float(_registry().Quantity(value * float(factor), unit).to(SI[quantity]).magnitude)


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


def one_in_si(value: float, unit: Unit) -> float:
    """One value in the house's unit, without the digits that turning units adds: 66.2 degF is 19 degC."""
    return rounded(float(in_si(np.array([value]), unit)[0]))


def rounded(value: float) -> float:
    """A value to DIGITS significant digits."""
    return float(f"{value:.{DIGITS}g}")
