"""Moist air: how much vapour it holds, how dense it is, and how high that feels.

Vapour pressure follows the ASHRAE Handbook's equations, through psychrolib. The standard atmosphere is the
troposphere of ISO 2533:1975 (the same as ICAO's), in geopotential metres.
"""

from __future__ import annotations

import math
from typing import Final

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

ZERO_C_K: Final = 273.15
DRY_AIR_GAS_CONSTANT: Final = 287.05287  # [J/(kg.K)] ISO 2533
VAPOUR_MASS_RATIO: Final = 0.621945  # molar mass of water over dry air, ASHRAE Fundamentals 2017 ch. 1

SEA_LEVEL_PRESSURE_KPA: Final = 101.325  # ISO 2533
SEA_LEVEL_TEMPERATURE_K: Final = 288.15  # ISO 2533
SEA_LEVEL_DENSITY: Final = SEA_LEVEL_PRESSURE_KPA * 1000.0 / (DRY_AIR_GAS_CONSTANT * SEA_LEVEL_TEMPERATURE_K)
LAPSE_RATE: Final = 0.0065  # [K/m] ISO 2533, troposphere
GRAVITY: Final = 9.80665  # [m/s2] ISO 2533
PRESSURE_EXPONENT: Final = GRAVITY / (LAPSE_RATE * DRY_AIR_GAS_CONSTANT)  # 5.2559

TEMPERATURE_RANGE_C: Final = (-60.0, 80.0)  # our choice: no bay breathes other air
PRESSURE_RANGE_KPA: Final = (40.0, 115.0)  # our choice: above 7 km, and beyond any recorded high
ALTITUDE_RANGE_M: Final = (-1000.0, 11_000.0)  # the troposphere of ISO 2533


def vapour_pressure_kpa(
    temperature_c: float, *, humidity: float | None = None, dew_point_c: float | None = None
) -> float:
    """Partial pressure of water vapour [kPa], from exactly one of humidity or dew point.

    Parameters: temperature_c, dry-bulb air temperature [degC]; humidity, relative humidity [0..1];
    dew_point_c, dew point [degC], not above the temperature.
    """
    _within("temperature", temperature_c, TEMPERATURE_RANGE_C, "degC")
    if (humidity is None) == (dew_point_c is None):
        raise ValueError("humidity, dew_point: give exactly one of the two")
    if humidity is not None:
        return _from_humidity(temperature_c, humidity)
    assert dew_point_c is not None
    return _from_dew_point(temperature_c, dew_point_c)


def moist_air_density(temperature_c: float, pressure_kpa: float, vapour_kpa: float) -> float:
    """Density of moist air [kg/m3], both gases taken as ideal (within 0.1 % in a bay's range).

    Parameters: temperature_c [degC]; pressure_kpa, absolute station pressure [kPa]; vapour_kpa, of which
    water vapour [kPa].
    """
    _within("temperature", temperature_c, TEMPERATURE_RANGE_C, "degC")
    _within("pressure", pressure_kpa, PRESSURE_RANGE_KPA, "kPa")
    _within("vapour pressure", vapour_kpa, (0.0, pressure_kpa), "kPa")
    dry_weighted = pressure_kpa - (1.0 - VAPOUR_MASS_RATIO) * vapour_kpa
    return 1000.0 * dry_weighted / (DRY_AIR_GAS_CONSTANT * (temperature_c + ZERO_C_K))


def density_altitude_m(temperature_c: float, pressure_kpa: float, vapour_kpa: float) -> float:
    """Altitude [m] at which the standard atmosphere is as thin as this air."""
    density = moist_air_density(temperature_c, pressure_kpa, vapour_kpa)
    ratio = math.pow(density / SEA_LEVEL_DENSITY, 1.0 / (PRESSURE_EXPONENT - 1.0))
    return (1.0 - ratio) * SEA_LEVEL_TEMPERATURE_K / LAPSE_RATE


def standard_pressure_kpa(altitude_m: float) -> float:
    """Pressure [kPa] of the standard atmosphere at a geopotential altitude [m]."""
    _within("altitude", altitude_m, ALTITUDE_RANGE_M, "m")
    ratio = 1.0 - LAPSE_RATE * altitude_m / SEA_LEVEL_TEMPERATURE_K
    return SEA_LEVEL_PRESSURE_KPA * math.pow(ratio, PRESSURE_EXPONENT)


def _from_humidity(temperature_c: float, humidity: float) -> float:
    if not 0.0 <= humidity <= 1.0:
        way_out = "write percent as a share: 46 % is 0.46" if humidity > 1.0 else "it cannot be negative"
        raise ValueError(f"humidity: {humidity:g} is outside 0..1; {way_out}")
    return float(psychrolib.GetVapPresFromRelHum(temperature_c, humidity)) / 1000.0


def _from_dew_point(temperature_c: float, dew_point_c: float) -> float:
    _within("dew point", dew_point_c, TEMPERATURE_RANGE_C, "degC")
    if dew_point_c > temperature_c:
        raise ValueError(
            f"dew point: {dew_point_c:g} degC is above the air temperature {temperature_c:g} degC, "
            "which cannot be; were the two swapped?"
        )
    return float(psychrolib.GetVapPresFromTDewPoint(dew_point_c)) / 1000.0


def _within(field: str, value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        raise ValueError(
            f"{field}: {value:g} {unit} is outside {low:g}..{high:g} {unit}; check the figure and its unit"
        )
