"""The air of the invented shop: weather over five years, and what the printed correction formulas make of it.

The formulas are the widely printed ones (t + 273 over 298, dry pressure = station pressure less water vapour);
they are written here again on purpose, independent of the ledger's.
"""

from dataclasses import dataclass
from datetime import datetime
from math import sqrt

import numpy as np
from numpy.typing import NDArray

SITE_PRESSURE_KPA = 100.19  # ICAO atmosphere at 95 m: 101.325 * (1 - 2.25577e-5 * 95) ** 5.25588
PRESSURE_SD_KPA = 0.95  # weather systems; common practice, no source
PRESSURE_LIMIT_KPA = 2.6  # further out is a once-in-years storm: our choice
DAY_MEMORY = 0.75  # how much of yesterday's weather stays today: our choice


@dataclass(frozen=True)
class Air:
    """Air in a bay at one moment: temperature [degC], station pressure [kPa], relative humidity [0..1]."""

    temperature_c: float
    pressure_kpa: float
    humidity: float


def saturation_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure over water [kPa] at a temperature [degC] (Magnus form, WMO No. 8)."""
    return float(0.6112 * np.exp(17.62 * temperature_c / (243.12 + temperature_c)))


def dew_point_c(air: Air) -> float:
    """Dew point [degC]: the Magnus form turned round."""
    ratio = np.log(air.humidity * saturation_kpa(air.temperature_c) / 0.6112)
    return float(243.12 * ratio / (17.62 - ratio))


def dry_pressure_kpa(air: Air) -> float:
    """Station pressure less the water vapour's share [kPa]."""
    return air.pressure_kpa - air.humidity * saturation_kpa(air.temperature_c)


def factor_j1349(air: Air) -> float:
    """The 1.18 / 0.18 form: corrected = observed x factor."""
    return 1.18 * (99.0 / dry_pressure_kpa(air)) * sqrt((air.temperature_c + 273.0) / 298.0) - 0.18


def factor_j607(air: Air) -> float:
    """29.92 inHg dry and 60 degF: corrected = observed x factor."""
    fahrenheit = air.temperature_c * 1.8 + 32.0
    return (101.3207 / dry_pressure_kpa(air)) * sqrt((fahrenheit + 459.67) / 519.67)


def factor_din70020(air: Air) -> float:
    """20 degC and 1013 mbar, total pressure: corrected = observed x factor."""
    return (101.3 / air.pressure_kpa) * sqrt((air.temperature_c + 273.0) / 293.0)


def factor_iso1585(air: Air) -> float:
    """The 1.2 / 0.6 power law for spark ignition: corrected = observed x factor."""
    return (99.0 / dry_pressure_kpa(air)) ** 1.2 * ((air.temperature_c + 273.0) / 298.0) ** 0.6


def factor_iso1585_turbo_diesel(air: Air, corrected_fuel: float) -> float:
    """fa^fm for a turbo-diesel whose charge is cooled by air, q_c from 37.2 to 65 mg per litre and cycle."""
    fa = (99.0 / dry_pressure_kpa(air)) ** 0.7 * ((air.temperature_c + 273.0) / 298.0) ** 1.5
    return float(fa ** (0.036 * corrected_fuel - 1.14))


FACTORS = {
    "sae-j1349": factor_j1349,
    "sae-j607": factor_j607,
    "din-70020": factor_din70020,
    "iso-1585": factor_iso1585,
}


def _memory_noise(rng: np.random.Generator, days: int) -> NDArray[np.float64]:
    """Day-to-day noise of sd 1 that remembers yesterday, one value per day."""
    fresh = rng.standard_normal(days) * (1.0 - DAY_MEMORY**2) ** 0.5
    values = np.empty(days)
    values[0] = rng.standard_normal()
    for day in range(1, days):
        values[day] = DAY_MEMORY * values[day - 1] + fresh[day]
    return values


class Weather:
    """One site's weather from its first day on: the same for every bay, so the bays' stations can be compared."""

    def __init__(self, rng: np.random.Generator, first_day: datetime, days: int) -> None:
        self._first_day = first_day
        pressure = np.clip(
            _memory_noise(rng, days) * PRESSURE_SD_KPA, -PRESSURE_LIMIT_KPA, PRESSURE_LIMIT_KPA
        )
        self._pressure_kpa = SITE_PRESSURE_KPA + pressure
        self._warmth_c = 2.4 * _memory_noise(rng, days)
        self._wetness = np.clip(0.78 + 0.07 * _memory_noise(rng, days), 0.55, 0.96)

    def at(self, moment: datetime) -> Air:
        """Air indoors at a moment; moments outside the years known are taken at their nearest end."""
        day = (moment - self._first_day).total_seconds() / 86400.0
        days = np.arange(len(self._pressure_kpa))
        outside = self._outside_c(moment, float(np.interp(day, days, self._warmth_c)))
        inside = max(13.0, 9.5 + 0.72 * outside)
        vapour = float(np.interp(day, days, self._wetness)) * saturation_kpa(outside)
        return Air(
            temperature_c=inside,
            pressure_kpa=float(np.interp(day, days, self._pressure_kpa)),
            humidity=float(np.clip(vapour / saturation_kpa(inside), 0.22, 0.88)),
        )

    @staticmethod
    def _outside_c(moment: datetime, warmth_c: float) -> float:
        """Outside air [degC]: coldest in late January, warmest in late July; coolest at 04:00 each day."""
        year = np.cos(2.0 * np.pi * (moment.timetuple().tm_yday - 206) / 365.25)
        hours = moment.hour + moment.minute / 60.0
        return float(10.6 + 6.8 * year + warmth_c + 2.3 * np.cos(2.0 * np.pi * (hours - 16.0) / 24.0))
