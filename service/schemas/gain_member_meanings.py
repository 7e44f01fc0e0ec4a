"""What the members of an answered gain mean, as the API document says it."""

GRADE = "How much stands behind it: `strong`, `fair`, `thin`, `borrowed` or `none`."
SMOOTHING = {
    "method": "The smoother.",
    "half_width_rpm": "How far it reaches to either side [rpm].",
    "trace_rule": "The number of the rule that chose the pull's part of the trace.",
}
DIFFERENCE = {
    "what": "The condition, by the name it is posted under; `air_...` is the bay's.",
    "before": "What it was without the part, quantities in `units`; null = not recorded.",
    "after": "What it was with the part, likewise.",
    "window": "How far apart the two may lie to count as held; null = they must be the same.",
}
PEAK_SHIFT = {
    "typical": "Of the typical car [rpm].",
    "interval": "Its interval [rpm]; null = too few cars.",
}
EVIDENCE = {
    "grade": "`strong`, `fair` or `thin`: measured here; `borrowed`: only elsewhere; `none`.",
    "cars": "Cars measured here with and without it, one pair each.",
    "cars_compared": "Cars with a comparison that counts by any measure, so also where none reaches the speed or band "
    "asked.",
    "cars_with": "Cars measured here with it, in any company; null = the model does not answer.",
    "cars_elsewhere": "Cars of other platforms measured with it; null = the model does not answer.",
    "pairs": "All its pairs.",
    "left_out": "How many of them were left out.",
    "bays": "How many bays they were measured in.",
    "like_for_like": "How many of them are like for like.",
    "borrowed_share": "How much of the answer comes from other kinds of car and other parts, 0..1; null = nothing is "
    "borrowed or known.",
    "spread_percent": "How far the cars' own gains differ, as a standard deviation [%]; null = not known.",
    "inseparable_from": "The parts (slugs) it cannot be told from: always fitted together.",
    "first": "The first day measured; null = never.",
    "last": "The last day measured; null = never.",
}
STRETCH = {
    "from_rpm": "From this speed [rpm].",
    "to_rpm": "To this speed [rpm].",
    "is_": "What is established there.",
}
_SIDES = {
    "typical": "Gain of the typical car",
    "low": "Lower end of its interval, at any one speed",
    "high": "Upper end of its interval, at any one speed",
    "band_low": "Lower end over the whole curve at once, of the history model alone",
    "band_high": "Upper end over the whole curve at once, of the history model alone",
    "next_low": "Lower end for one more car",
    "next_high": "Upper end for one more car",
}
CURVE = {
    "rpm": "Engine speeds [rpm].",
    "quantity": "`power` or `torque`: what the columns in `units` are.",
    "cars": "Cars behind each speed.",
    "baseline": "The figure before, in `units`.",
    "established": "Where `low` and `high` leave nought out, longest first.",
    **{name: f"{words}, in `units`." for name, words in _SIDES.items()},
    **{f"{name}_percent": f"{words} [%]." for name, words in _SIDES.items()},
}
COST = {
    "price": "Price without fitting, in `currency`; null = not recorded.",
    "price_date": "The day the price was true; null = not recorded.",
    "labour_hours": "Time to fit it [h]; null = not recorded.",
    "labour_rate": "The shop's price of an hour; null = not set.",
    "fitted": "Price and fitting together; null = not known.",
    "currency": "ISO 4217 code; null = not recorded.",
    "per_unit": "Cost of one unit of typical gain; null = the gain is not established, or the cost not known.",
    "per_unit_interval": "Its interval; null likewise.",
}
CONDITIONS = {
    "vapour_pressure": "Pressure of water vapour, in `units`.",
    "factor": "The factor it was corrected by.",
    "coolant": "Coolant temperature, in `units`.",
    "oil": "Oil temperature, in `units`.",
    "inlet": "Inlet air temperature, in `units`.",
    "ethanol": "Share of ethanol, 0..1.",
    "spark_advance": "Degrees at peak torque.",
    "lambda_": "Air-fuel ratio over the stoichiometric one.",
    "map": "Highest manifold pressure, absolute, in `units`.",
    "tyre_pressure": "Pressure of the tyres, in `units`.",
    "ramp": "Rise of engine speed [rpm/s].",
    "air_temperature": "Air temperature in the bay, in `units`.",
    "air_pressure": "Absolute station pressure in the bay, in `units`.",
    "gear": "The gear.",
    "ratio": "Engine speed over that of the wheels.",
}
COMPARED = {
    "again": "The address of the setup where one of the two states was measured once more; null = none.",
    "match": "How near the two setups were, best first: `same-session-aba`, `same-session`, `same-day`, `other-day`, "
    "`other-bay`, `peaks-only`.",
    "held": "Whether all conditions that matter were recorded on both sides and held.",
    "usable": "Whether no doubt stands against the ratio.",
    "differs": "The conditions that were not the same, or not recorded on both sides.",
}
"""How the two setups of a pair stand to each other."""
BOTH_CONDITIONS = {"before": "Without the part.", "after": "With the part."}
PAIR = {
    **COMPARED,
    "vehicle": "The car's tag.",
    "before": "The address of the setup without it.",
    "after": "The address of the setup with it.",
    "at": "When it was measured.",
    "gain": "The gain, in `units`; null = its level is not known.",
    "percent": "The same [%].",
    "used": "Whether the answer rests on it: one pair a car.",
    "conditions": "What both sides were measured in.",
}
