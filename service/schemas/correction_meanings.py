"""What the fields about correction mean, as the API document says it."""

UNIT = "in the answer's `units`"

LIMITS = {
    "factor": "[low, high] of the factor itself; null where none is known.",
    "temperature": f"[low, high] of the air temperature, {UNIT}; null where none is known.",
    "pressure": f"[low, high] of the pressure that the formula takes, {UNIT}; null where none is known.",
}
REFERENCE = {
    "temperature": f"Its temperature, {UNIT}.",
    "pressure": f"Its total pressure, {UNIT}.",
    "vapour_pressure": f"The part of it that is water vapour, {UNIT}.",
}
STANDARD = {
    "slug": "Its name in addresses, in `basis` and in `standard`.",
    "name": "Its name in print.",
    "formula": "Its formula, with the clause where that is known.",
    "reference": "The air in which its factor is 1; null where there is none.",
    "pressure": "`dry` or `total`: which pressure the formula takes; null where it takes none.",
    "needs_engine": "Whether its factor depends on the engine's ignition, and for a diesel on its charging and fuel.",
    "limits_spark": "What it allows for spark ignition.",
    "limits_compression": "What it allows for compression ignition.",
    "boosted": "What it does to a boosted engine.",
    "source": "Where formula, reference and limits were read: second-hand, or from memory.",
    "units": "The unit system of the limits and of the reference.",
}
MADE_OF = {
    "temperature": f"Air temperature, {UNIT}.",
    "pressure": f"Absolute station pressure, {UNIT}.",
    "vapour_pressure": f"The part of it that is water vapour, {UNIT}.",
    "dry_pressure": f"The rest, {UNIT}.",
    "theta": "Absolute temperature of the air over that of the reference; null where the formula has none.",
    "delta": "Reference pressure over the air's, dry or total as the formula takes it; null where it has none.",
    "fa": "Atmospheric factor of a diesel's form; else null.",
    "fm": "Engine factor of a diesel's form, the power that fa is raised to; else null.",
    "q_c": "Corrected fuel flow, `fuel_per_cycle` over `boost_ratio` [mg per litre and cycle], of a diesel's form; else "
    "null.",
    "engine": "The engine it was worked out for; null where none was given.",
}
LIMIT = {
    "what": "`factor`, `temperature`, and `dry_pressure` or `pressure`, whichever the formula takes.",
    "value": f"What it is here; temperature and pressure {UNIT}.",
    "low": "The least that is allowed; null where no limit is known.",
    "high": "The most that is allowed; null where no limit is known.",
    "inside": "Whether it lies between them, both included; true where no limit is known.",
}
STATION = {
    "altitude_m": "The altitude it was held against [m].",
    "standard_pressure": f"Pressure of the standard atmosphere there (ISO 2533), {UNIT}.",
    "difference": f"How far the pressure given lies above that, {UNIT}.",
    "fits": "Whether it lies within 4 kPa of it, as nearly all weather does (common practice, no source).",
    "looks_like_sea_level": "Whether it does not fit and is near 101.325 kPa: the weather report's figure.",
    "reading": "The same in words, with the way out.",
}
OTHER_FACTOR = {
    "standard": "Its slug.",
    "factor": "Its factor in this air for this engine; null where what it needs is `missing`.",
    "missing": "What it needs to know of the engine and was not given.",
}
CORRECTION_FACTOR = {
    "units": "The unit system of this answer.",
    "standard": "The standard's slug.",
    "name": "Its name in print.",
    "formula": "Its formula.",
    "factor": "What an observed figure is multiplied by to be as in the standard's reference air.",
    "made_of": "Each ingredient with its value.",
    "limits": "The standard's limits, and how this air and this factor stand to them.",
    "allowed": "Whether every known limit is kept.",
    "warnings": "What to beware of, in words, gravest first.",
    "density_altitude_m": "Altitude at which the standard atmosphere is as thin as this air [m].",
    "station": "Whether the pressure fits `altitude_m` or the bay's altitude; null where neither was given.",
    "every_standard": "Every standard's factor in the same air.",
}
FACTOR_QUERY = {
    "temperature": "Air temperature, in `units` (°C or °F).",
    "pressure": "Absolute station pressure, in `units` (kPa, inHg or hPa); not the weather report's figure.",
    "humidity": "Relative humidity, 0..1; this or `dew_point`.",
    "dew_point": "Dew point, in `units` (°C or °F); this or `humidity`.",
    "standard": "The standard's slug. Left out: the shop's setting.",
    "platform": "A platform (slug) whose engine is meant. Left out: the engine is what the other parameters say.",
    "ignition": "`spark` or `compression`. Left out: the platform's, else not known.",
    "aspiration": "`natural`, `turbo` or `supercharged`. Left out: the platform's, else not known.",
    "charge_cooling": "`none`, `air` or `liquid`. Left out: the platform's, else not known.",
    "fuel_per_cycle": "Fuel at full load [mg per litre and cycle], 1..500. Left out: the platform's, else not known.",
    "boost_ratio": "Absolute boost over ambient pressure, 1..10. Left out: the platform's, else not known.",
    "altitude_m": "Altitude of the station [m], -450..6000, to hold the pressure against. Left out: the bay's, if named.",
    "bay": "A bay (slug) whose altitude the pressure is held against; instead of `altitude_m`.",
}
