"""What the fields of the answered documents mean, as the API document says it; the posted ones' are in `meanings`."""

from service.schemas import meanings
from service.schemas.gain_member_meanings import COMPARED

MESSAGE = "What was noticed, and the way out. Figures in it are in SI (kW, N·m, °C, kPa), whatever `units` the answer has."
"""Of every finding, wherever one is shown: its words are kept as they were said at the door."""
_QUESTION = {
    "question": "The question as it was understood, defaults filled in.",
    "units": "The unit system of every quantity here: `si`, `us` or `ps`.",
    "standard": "The standard that levels are corrected to.",
    "level": "How sure the intervals are meant, 0..1.",
    "cautions": "What to keep in mind with this figure, in sentences.",
}
PAIRS_ONLY = {
    "typical_percent": "Gain of the typical car [%]; null = nothing measured.",
    "interval_percent": "Interval of the typical gain [%]; null = too few cars.",
    "next_car_percent": "Interval for one more car [%]; null = too few cars.",
    "method": "How the cars were pooled; null = nothing measured.",
    "context": "`alone`: every car used was otherwise stock; otherwise `as-usually-fitted`. null = nothing measured.",
    "spread_percent": "How far the cars' own gains differ, as a standard deviation [%]; null = fewer than two cars.",
    "peak_shift_rpm": "How far the peaks of these cars moved along the rev range on average [rpm], as read off each car's "
    "mean curve; null = not known.",
}
GAIN = {
    **_QUESTION,
    "as_of": "Up to when the ledger's records are in it.",
    "method": "`history-model`: from every setup of the whole history, which also takes apart what was changed together and "
    "borrows from other kinds of car; `pairs-only`: the model is not ready, so from the pairs alone. null = nothing known.",
    "typical": "Gain of the typical car, in `units`; null = nothing known, or its level is not.",
    "typical_percent": "Gain of the typical car [%]; null = nothing known.",
    "typical_interval": "Interval of the typical gain at `level`, in `units`; null = not known.",
    "typical_interval_percent": "The same interval [%].",
    "next_car_interval": "Interval at `level` for one more car, in `units`; null = not known.",
    "next_car_interval_percent": "The same interval [%].",
    "baseline": "The figure before, in `units`, that `typical` stands on; null = not known.",
    "baseline_is": "Whether `baseline` is the asker's own, a typical stock car's (at the common level of the bays; with the "
    "other part where one is asked against), or typical of the cars measured. null = nothing known.",
    "chance_of_gain": "Chance that one more car gains anything, 0..1; null = not known. Parts are made to gain, so in peak "
    "power and torque against `without` a loss counts a quarter of what the intervals alone would give it.",
    "noise_floor": "Smallest change that one ordinary test of one car can tell from nothing (three pulls before, three after, "
    "one strap-down), in `units`; null = the level is not known.",
    "noise_floor_percent": "The same change [%].",
    "context": "`alone`: the part with nothing else fitted that is not stock; `as-usually-fitted`: beside what the cars that "
    "have it usually have too.",
    "pairs_only": "The same question answered from its before/after pairs alone.",
    "evidence": "How much stands behind it: `grade` (`strong`, `fair`, `thin`: measured here; `borrowed`: only elsewhere; "
    "`none`), `cars` measured here with and without it (one pair each), `cars_with` it here and `cars_elsewhere` in any "
    "company, all `pairs`, how many of them were `left_out` or are `like_for_like`, `bays`, `cars_compared` "
    "(cars with a comparison that counts by any measure, so also where none reaches the speed or band asked), `borrowed_share` (how much of "
    "the answer comes from other kinds of car and other parts, 0..1), the spread between cars [%], the parts it is "
    "`inseparable_from`, the `first` and `last` day.",
    "curve": "Gain at each engine speed [rpm], in `quantity` and in percent, and the cars behind each: `low` and `high` hold "
    "at any one speed, `band_low` and `band_high` over the whole curve at once, `next_low` and `next_high` for one more car; "
    "`established` lists where `low` and `high` leave nought out, longest first. null = not asked for, or not known.",
    "peak_shift_rpm": "How far the peak moves along the rev range [rpm], by `method`: of the history model it is "
    "worked out with the curve only. null = not asked for (`curve=false`), or not known.",
    "cost": "What it costs fitted, and for one unit of typical gain where the gain is established.",
    "pairs": "The before/after pairs, at most five a car, each with its two setups and what differed between them.",
}
GAIN_SAID = {
    "about": "What it is about: `revs`, `cars`, `sure`, `pairs`, `cost`, `lawful`, or `asked` (all else).",
    "question": "The question as a customer asks it.",
    "answer": "The answer in sentences, figures in `units`; it says so where this data cannot tell.",
    "rows": "What is told one by one after the answer, such as the newest tests by month; without the cars' tags.",
    "see": "Other questions of `typical-gain` that it leads to: `part`, `against`, and `words` for the link.",
}
STOCK = {
    **_QUESTION,
    "as_of": "Up to when the ledger's records are in it.",
    "levelled": "Whether the values stand at the common level of the bays, each bay's offset taken out (`bay-agreement`); "
    "otherwise they stand as they read.",
    "cars": "Cars counted.",
    "mean": "Mean over the cars, in `units`; null = no cars.",
    "median": "Median over the cars, in `units`; null = no cars.",
    "sd": "Standard deviation over the cars, in `units`; null = fewer than two.",
    "sd_percent": "The same [% of the mean].",
    "quantiles": "Quantiles over the cars by their share 0..1, in `units`; null = no cars.",
    "above_average": "Share of cars above the average, 0..1, with its interval; from ten cars each car counts by the side it "
    "more likely lies on, its readings' noise and other setups taken into account.",
    "below_average": "Share of cars below the average, in the same way.",
    "groups": "How many cars lie clearly above the average (nine chances in ten), clearly below, and too close to call, each "
    "with the noise of its readings; null = under ten cars, or no model yet.",
    "as_read": "`mean`, `sd` and `sd_percent` of the same cars with their bays' offsets left in; null = no cars.",
    "questions": "What customers ask about it, as `typical-gain/questions` answers it.",
    "checked": "How many setups (not cars) were verified as stock, declared, or unknown.",
    "left_out": "How many were left out, by why.",
    "value": "Where the asked value lands: its `percentile` among the cars' values with the `interval` that so many cars "
    "leave, a `reading` in words, and `as_one_reading` the same with the noise of one reading in an unnamed bay. null = "
    "none asked, or no cars.",
    "values": "Each car's value, in `units`, lowest first, beside it `raw` as it reads; its `percentile` with interval, drawn "
    "towards the middle as far as its readings are noise, and the group that makes it; null = under ten cars, or no model yet.",
}
CHECK = {
    "code": "The check's own short name.",
    "message": MESSAGE,
    "pointer": "RFC 6901 pointer into the posted session.",
    "cleared": "By whom, when and why it was cleared; not there while it stands. `confirmed`: somebody looked and "
    "confirmed it; else a change (by whom) made it no longer so, and nobody did.",
}
CHECK_RULE = {
    "code": "Its short name, as findings carry it and the setting `checks` names it.",
    "level": "`refused` stops a post, `doubtful` keeps the record out of the answers until it is confirmed, `note` informs.",
    "on": "Whether it looks at all; what refuses cannot be switched off.",
    "area": "Where the cause is looked for first.",
    "looks_for": "What it looks at, in words, on one line.",
    "consistent_with": "What a finding is consistent with; never a diagnosis.",
    "limits": "Its thresholds.",
    "origin": "Where rule and thresholds come from.",
}
CHECK_LIMIT = {
    "name": "Its name in the setting `checks`.",
    "value": "The value in force.",
    "default": "The value unless set.",
    "low": "The smallest value it takes.",
    "high": "The largest value it takes.",
    "unit": "The unit of these, always SI.",
    "meaning": "What it limits.",
}
SETUP_CURVE = {
    "session": "The session's address.",
    "setup": "The setup's number in it.",
    "vehicle": "The car's tag.",
    "units": "The unit system of every column: `si`, `us` or `ps`.",
    "standard": "What torque and power are corrected to: the one asked for, else the one they stand in; null = as measured, "
    "or corrected by nobody knows what.",
    "standing": "The same in words, with why where it is not the one asked for; null = no pull counts.",
    "smoothing": "How the curve was made: the smoothing of torque, and the number of the rule that chose the pull's part "
    "of the trace. Other channels are plain means.",
    "pulls": "How many pulls the mean is over.",
    "curve": "Equal-length columns every 50 rpm: `torque` and `power` corrected; where they were recorded `lambda`, "
    "`map` (absolute), `boost` (over the air in the bay), `spark`, `knock_retard`, `inlet`, `throttle` and "
    "`speed_ratio` (engine over roller). null in a column = not known there.",
    "singles": "Where they were asked for: each pull's own `torque` and `power` at the speeds of `curve` and its standard, "
    "smoothed as it is, with the pull's `status` and why it was `struck`; rejected pulls too, which the mean leaves out.",
    "restriction": "null = not a naturally aspirated engine, no manifold pressure recorded, or not at full throttle.",
}
SINGLE_CURVE = {
    "pull": "The pull's own number.",
    "n": "Its number in the setup.",
    "status": "`accepted`, `settling` or `rejected`.",
    "struck": "Why it counts nowhere, or null.",
    "torque": "Its torque, in `units`, smoothed as the setup's is; null = not known there.",
    "power": "Its power likewise.",
}
RESTRICTION = {
    "pressure": "How far manifold pressure falls along the pull, in `units`.",
    "from_rpm": "From this speed [rpm].",
    "at_rpm": "To this speed [rpm].",
    "power_freed_percent": "What the fall takes from the power at `at_rpm` by the pressure law [%]: an estimate.",
    "power_freed": "The same in `units`: an estimate too, and not what a part would gain; null = torque is not known "
    "there.",
    "reading": "The same in words.",
}
SESSION = {
    **{
        name: words.partition(" Left out:")[0]
        for name, words in meanings.SESSION.items()
        if name not in ("units", "setups")
    },
    "id": "Its UUID.",
    "platform": "The slug of the kind of car it is.",
    "received_at": "When the ledger took it.",
    "posted_by": "Whose token posted it.",
}
KEPT_SESSION = {
    "units": "The unit system of every quantity here: `si`, `us` or `ps`.",
    "standard": "The standard that levels are corrected to.",
    "setups": "Its setups, each with its summary and its pulls. A summary's `standard` is the asked one, else the one its "
    "figures stand in; null = as measured or not known, and `standing` says which and why. A pull's `bay_correction` is the "
    "number of the correction of its bay that its figures rest on, or null; its `ambient`, `basis` and curve stay as posted.",
    "checks": "What the checks noticed.",
    "pairs": "The before/after pairs it made.",
}
KEPT_SETUP = {
    "n": "Its number in the session.",
    "label": "Somebody's own words for it.",
    "parts": "All that is fitted and not stock: a slug, or part and slot.",
    "parts_known": "`complete`, `partial` or `unknown`.",
    "stock_checked": "`verified`, `declared` or `unknown`.",
    "fuel": "What was in the tank.",
    "spark_advance": "Degrees at peak torque; null = not recorded.",
    "lambda_probe": "Where the mixture was measured; null = not recorded.",
    "struck": "Why it counts nowhere, or null.",
    "doubts": "The checks for which it counts nowhere until somebody confirms it.",
    "summary": "Mean, best and spread of its peaks over the pulls that count.",
    "pulls": "Its pulls, in the order they were run.",
}
KEPT_PULL = {
    "id": "The pull's own number.",
    "n": "Its number in the setup.",
    "started_at": "When it began; null = not recorded.",
    "ambient": "The air in the bay, as posted.",
    "engine": "Temperatures of the engine; null = not recorded.",
    "test": "`sweep`, `inertia` or `steps`; null = not recorded.",
    "ramp": "Rise of engine speed [rpm/s]; null = not recorded.",
    "smoothing": "How the curve was smoothed before it was posted; null = not recorded.",
    "source": "`live`, `file`, `paper` or `photo`; null = not recorded.",
    "basis": "`observed`, or the standard (and factor) its figures were posted in.",
    "bay_correction": "The number of the correction of its bay that its figures rest on, or null.",
    "status": "`accepted`, `settling` or `rejected`.",
    "reason": "Why it is rejected, or null.",
    "best_of": "Of how many pulls it is the best; null = not recorded.",
    "factor": "What corrects its observed figures to `standard`; null where that cannot be known.",
    "standard": "The standard that `factor` is of, or null.",
    "observed": "Its peaks as measured; null where they cannot be known.",
    "as_posted": "Its peaks as they were posted, where those observed cannot be known, else null.",
    "rpm_from": "The lowest engine speed of its curve, or null.",
    "rpm_to": "The highest engine speed of its curve, or null.",
    "struck": "Why it counts nowhere, or null.",
}
PULL_ALONE = {
    "session": "The address of the session it belongs to.",
    "vehicle": "The car's tag.",
    "setup": "The number of its setup in that session.",
    "units": "The unit system of the document.",
    "curve": "Channels by their names, in the document's units, speeds in rpm; null for a record without a curve.",
}
KEPT_AMBIENT = {
    name: f"{words}, as posted; null = not recorded."
    for name, words in (
        ("temperature", "Air temperature in the bay, in `units`"),
        ("pressure", "Absolute station pressure in the bay, in `units`"),
        ("humidity", "Relative humidity, 0..1"),
        ("dew_point", "Dew point, in `units`"),
    )
}
KEPT_ENGINE = {
    name: f"{words}, in `units`; null = not recorded."
    for name, words in (
        ("coolant", "Coolant temperature at the start of the pull"),
        ("oil", "Oil temperature at the start of the pull"),
        ("inlet", "Air temperature in the inlet at the start of the pull"),
        ("inlet_end", "Air temperature in the inlet at the end of the pull"),
    )
}
KEPT_SMOOTHING = {
    "method": "How it was smoothed, in the words of the bay's software.",
    "width_rpm": "Width of the smoothing [rpm]; null = not recorded.",
}
KEPT_FUEL = {
    "ethanol": "Share of ethanol, 0..1; null = not recorded.",
    "octane": "Octane number, by `octane_method`; null = not recorded.",
    "octane_method": "`ron`, `mon` or `aki`; null = not recorded.",
}
PEAKS = {
    "peak_power": "Peak power, in `units`; null = not known.",
    "peak_power_rpm": "Engine speed of the peak power [rpm]; null = not known.",
    "peak_torque": "Peak torque, in `units`; null = not known.",
    "peak_torque_rpm": "Engine speed of the peak torque [rpm]; null = not known.",
}
SUMMARY = {
    "standard": "The standard its figures are corrected to: the one asked for, else the one they stand in; null = as measured "
    "or not known.",
    "standing": "The same in words, with why where it is not the one asked for; null = no pull counts.",
    "factor": "The factor that its figures were corrected by, on average; null = not known, or not corrected.",
    "peak_power": "Peak power over its pulls that count; null = not known.",
    "peak_torque": "Peak torque over its pulls that count; null = not known.",
    "best_of": "Of how many pulls its figures are the best; null = not recorded.",
}
SUMMARY_MEASURE = {
    "mean": "Mean over the pulls that count, in `units`.",
    "best": "The highest of them, in `units`.",
    "rpm": "Engine speed of the peak [rpm]; null = not known.",
    "spread": "Sample standard deviation of the pulls, in `units`; null = one pull.",
    "spread_percent": "The same [% of the mean].",
    "pulls": "How many pulls it is over.",
}
SESSION_OF_SETUP = {
    "id": "The session's UUID.",
    "vehicle": "The car's tag.",
    "platform": "The slug of the kind of car it is.",
    "bay": "The bay's slug.",
    "started_at": "When it began.",
    "units": "The unit system of every quantity here: `si`, `us` or `ps`.",
    "standard": "The standard that levels are corrected to.",
}
SESSION_PAIR = {
    **COMPARED,
    "part": "The part that was fitted (slug).",
    "against": "What it is compared with: `without`, or another part of its slot (slug).",
    "before": "The address of the setup without it.",
    "after": "The address of the setup with it.",
    "peak_power_percent": "Gain in peak power [%]; null = not known, or the two stand at different levels.",
}
CLEARED = {
    "at": "When.",
    "by": "Whose token.",
    "reason": "Why.",
    "confirmed": "Whether somebody looked and confirmed it; else a change made it no longer so.",
}
HISTORY = {
    "id": "Its number.",
    "at": "When.",
    "who": "Whose token made it.",
    "action": "What was done.",
    "reason": "Why, where a reason was given.",
}
SETTING_CHANGE = {
    "id": "Its number.",
    "bay": "The bay it holds for; null = the whole shop.",
    "value": "The value it was given.",
    "changed_at": "When.",
    "changed_by": "Whose token set it.",
}
STATUS = {"status": "`up`, or `ready` where it can do its work."}
STOCK_CURVE = {
    "as_of": "Up to when the ledger's records are in it.",
    "platform": "The platform (slug).",
    "units": "The unit system of the curve: `si`, `us` or `ps`.",
    "standard": "The standard it is corrected to.",
    "curve": "`rpm`, `torque` and `power` of the typical stock car at the common level of the bays, over the speeds that nearly "
    "all of the platform's curves reach; null = not known.",
}
