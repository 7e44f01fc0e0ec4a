"""What the fields of a car's states and own readings mean, and of who is asking, as the API document says it."""

CALLER = {
    "name": "The token's name; `anyone` without a token, where reading is open.",
    "scope": "`read`, `post` or `admin`.",
    "bay": "The bay whose sessions a token of scope post may change; null = of no bay alone.",
    "may_change": "Whether this caller may strike, confirm and amend at all.",
}
STATE = {
    "setup": "The address of the setup.",
    "session": "The address of its session.",
    "n": "Its number in the session.",
    "at": "When the car was strapped down.",
    "bay": "The bay's slug.",
    "label": "The bay's own words for the state; null = none.",
    "parts": "The parts fitted that are not stock (slugs).",
    "parts_known": "Whether `parts` is all there is: `complete`, `partial` or `unknown`.",
    "stock_checked": "Whether the rest is stock: `verified`, `declared` or `unknown`.",
    "pulls": "How many pulls its figures rest on.",
    "pulls_posted": "How many pulls were posted with it.",
    "mean": "Mean of the asked measure over those pulls, in `units`; null = not measured.",
    "best": "The best of them, in `units`; null for a measure that is no peak, or not measured.",
    "spread": "Their sample standard deviation, in `units`; null = fewer than two, or no peak.",
    "spread_percent": "The same [% of the mean].",
    "peak_rpm": "Engine speed of the peak [rpm]; null for a measure that is no peak, or not recorded.",
    "standard": "The standard `mean` stands in: the asked one where that can be known, else its own; null = none, or unknown.",
    "standing": "The same in words, with why where it is not the one asked for; null = no pull counts.",
    "levelled": "`mean` at the common level of the bays, the bay's own offset taken out (`bay-agreement`); null where the "
    "history model does not give it, or `mean` does not stand in the asked standard.",
    "struck": "Why it counts nowhere (it or its session); null = it counts.",
    "doubts": "Codes of the checks whose doubts stand against it.",
    "fitted": "What was fitted against the state before (slugs); null = there is none before.",
    "removed": "What was removed against the state before (slugs); null = there is none before.",
    "before": "The address of the state before: the newest earlier setup that is not struck; null = none.",
}
CHANGE = {
    "earlier": "The address of the earlier setup.",
    "earlier_at": "When that was.",
    "later": "The address of the later setup.",
    "later_at": "When that was.",
    "fitted": "What the later one has and the earlier one had not (slugs).",
    "removed": "What the earlier one had and the later one has not (slugs).",
    "percent": "How the later one reads against the earlier one [%].",
    "interval_percent": "Interval of that at `level` [%], by the noise of pulls, setups, strap-downs and bays.",
    "difference": "The same at the later one's figure, in `units`.",
    "clear": "Whether the interval leaves nought out.",
    "same_bay": "Whether both were measured in one bay.",
}
OWN_READINGS = {
    "as_of": "Up to when the ledger's records are in it.",
    "question": "The question as it was understood, defaults filled in.",
    "units": "The unit system of every quantity here: `si`, `us` or `ps`.",
    "standard": "The standard that the figures are corrected to; setups that cannot be are left out.",
    "level": "How sure the intervals are meant, 0..1.",
    "vehicle": "The car's tag.",
    "platform": "The slug of the kind of car it is.",
    "sessions": "Strap-downs looked at (the newest 500 setups).",
    "setups": "Setups looked at.",
    "newest": "The newest setup that is not struck, whatever can be said of it; null = none. A state as in `states`.",
    "now": "The newest setup whose figure can be held against others; null = none.",
    "first": "`now` against the car's first stock reading, else against its first; null = there is no other.",
    "first_is_stock": "Whether that first reading is known to be stock.",
    "in_state": "`now` against each earlier visit in the same complete state, oldest first.",
    "returned": "The newest stock reading after another state, against the last stock one before it; null = not measured.",
    "steps": "What each change of state did, between successive setups whose parts are all known, oldest first.",
    "told_apart_percent": "The smallest change that two visits to one bay, three pulls each, can tell from nothing [%].",
    "left_out": "How many setups were left out, by why.",
    "says": "The same in sentences: `standing` (among its kind, by all its setups), `first`, `since` (down since when), "
    "`returned`, `in_doubt` (what counts nowhere because of a doubt, and why); null where there is nothing to say.",
}
SWAP = {
    "setups": "The numbers of two setups of the session whose labels, parts and what is known of them were taken for each "
    "other.",
}
