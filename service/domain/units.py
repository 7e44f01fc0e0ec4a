"""Units at the edge: what a document shows, against the SI units the house keeps.

Inside the house power is kW, torque N.m, temperature degC and every pressure kPa. A document names one of three
systems, and this module turns its figures into SI and back.

The factors stand here as exact arithmetic and are tested against pint and against NIST SP 811. pint itself is not
imported at run time: its registry costs 16 MB and a quarter of a second in every process (measured), for ten numbers.
"""

from __future__ import annotations

from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

FloatOrArray = TypeVar("FloatOrArray", float, NDArray[np.float64])

POUND_FORCE_N: Final = 0.45359237 * 9.80665  # exact: avoirdupois pound, standard gravity
FOOT_M: Final = 0.3048  # exact
FOOT_POUND_NM: Final = POUND_FORCE_N * FOOT_M
HORSEPOWER_KW: Final = 550.0 * FOOT_POUND_NM / 1000.0  # 550 ft.lbf/s by definition
METRIC_HORSEPOWER_KW: Final = 75.0 * 9.80665 / 1000.0  # 75 kgf.m/s by definition
INCH_MERCURY_KPA: Final = 3.386388640341  # conventional, 0 degC: 25.4 mm x 13.5951 g/cm3 x standard gravity
PSI_KPA: Final = POUND_FORCE_N / 0.0254**2 / 1000.0
FAHRENHEIT_ZERO: Final = 32.0  # degF at 0 degC
RPM_NM_PER_KW: Final = 30_000.0 / np.pi  # kW = N.m x rpm / this

SYSTEMS: Final[tuple[str, ...]] = ("si", "us", "ps")
QUANTITIES: Final[tuple[str, ...]] = ("power", "torque", "temperature", "pressure", "tyre_pressure")


class Unit(NamedTuple):
    """A unit as ``si = (value - zero) * scale``, and how it is printed."""

    symbol: str
    scale: float
    zero: float = 0.0


KILOWATT = Unit("kW", 1.0)
NEWTON_METRE = Unit("N·m", 1.0)
CELSIUS = Unit("°C", 1.0)
KILOPASCAL = Unit("kPa", 1.0)

_UNITS: Final[dict[tuple[str, str], Unit]] = {
    ("si", "power"): KILOWATT,
    ("si", "torque"): NEWTON_METRE,
    ("si", "temperature"): CELSIUS,
    ("si", "pressure"): KILOPASCAL,
    ("si", "tyre_pressure"): KILOPASCAL,
    ("us", "power"): Unit("hp", HORSEPOWER_KW),
    ("us", "torque"): Unit("lbf·ft", FOOT_POUND_NM),
    ("us", "temperature"): Unit("°F", 5.0 / 9.0, FAHRENHEIT_ZERO),
    ("us", "pressure"): Unit("inHg", INCH_MERCURY_KPA),
    ("us", "tyre_pressure"): Unit("psi", PSI_KPA),
    ("ps", "power"): Unit("PS", METRIC_HORSEPOWER_KW),
    ("ps", "torque"): NEWTON_METRE,
    ("ps", "temperature"): CELSIUS,
    ("ps", "pressure"): Unit("hPa", 0.1),
    ("ps", "tyre_pressure"): Unit("bar", 100.0),
}


def unit_of(quantity: str, system: str) -> Unit:
    """The unit in which a system shows a quantity."""
    try:
        return _UNITS[system, quantity]
    except KeyError:
        raise ValueError(_unknown(quantity, system)) from None


def to_si(value: FloatOrArray, quantity: str, system: str) -> FloatOrArray:
    """A shown value, brought to the house's SI unit.

    Parameters: value, the figure as written [unit of the system]; quantity, one of QUANTITIES; system, one of
    SYSTEMS. Returns the value [kW, N.m, degC or kPa].
    """
    unit = unit_of(quantity, system)
    return (value - unit.zero) * unit.scale


def from_si(value: FloatOrArray, quantity: str, system: str) -> FloatOrArray:
    """A house value [kW, N.m, degC or kPa], as a system shows it."""
    unit = unit_of(quantity, system)
    return value / unit.scale + unit.zero


def symbol(quantity: str, system: str) -> str:
    """The printed symbol, such as ``lbf·ft``."""
    return unit_of(quantity, system).symbol


def power_kw(torque_nm: FloatOrArray, rpm: FloatOrArray) -> FloatOrArray:
    """Power [kW] of a torque [N.m] at a speed [rpm]."""
    return torque_nm * rpm / RPM_NM_PER_KW


def torque_nm(power_kw: FloatOrArray, rpm: FloatOrArray) -> FloatOrArray:
    """Torque [N.m] of a power [kW] at a speed above nought [rpm]."""
    return power_kw * RPM_NM_PER_KW / rpm


def _unknown(quantity: str, system: str) -> str:
    if system not in SYSTEMS:
        return f"units: {system!r} is not a system of units here; use one of {', '.join(SYSTEMS)}"
    return f"quantity: {quantity!r} has no unit here; use one of {', '.join(QUANTITIES)}"
