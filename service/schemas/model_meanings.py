"""What the fields of the history model's questions and answers mean, as the API document says it."""

from typing import Any

BUILD_QUERY = {
    "platform": "The kind of car (slug).",
    "parts": "The parts that are fitted together: slugs with commas between them, no two of one slot.",
    "baseline": "This car's own figure before, in `units`. Left out: the platform's typical stock car.",
}
BUILD_EXAMPLE: dict[str, Any] = {"parts": "hard-charge-pipes,road-calibration"}
CHOICE_QUERY = {
    "slot": "Only parts that fill this slot (slug). Left out: of all slots.",
    "budget": "What may be spent in all, in the currency of the parts' prices. Left out: no limit.",
    "wished": "The gain that is wished, in `units`: the answer then says the cheapest way to it. Left out: none.",
    "labour_rate": "What an hour of labour costs. Left out: the shop's setting.",
    "fitted": "What the car has already: slugs with commas between them. Every gain is then the next one. Left out: "
    "nothing, a stock car.",
    "baseline": "This car's own figure before, in `units`. Left out: the platform's typical stock car.",
}
OUTLIER_QUERY = {
    "platform": "Only of this platform's cars (slug). Left out: of all.",
    "bay": "Only what was measured in this bay (slug). Left out: in all.",
    "since": "Only what was measured on this day or later: a day, or a time with its offset from UTC. Left out: all.",
    "limit": "Items on the page.",
    "after": "From the `next` link of the page before.",
}
DAYS_QUERY = {
    "day": "Only this day, in UTC (2026-03-18). Left out: all on which something was measured, newest first.",
    "limit": "Days on the page.",
    "after": "From the `next` link of the page before.",
}
AGREEMENT_QUERY = {"level": "How sure the intervals are meant, 0.5..0.999. Left out: 0.9."}
REFIT = {
    "wait": "Whether to answer only when it is done. Left out: false, and it is done in the background.",
}

_ANSWER = {
    "as_of": "Up to when the ledger's records are in it.",
    "question": "The question as it was understood, defaults filled in.",
    "units": "The unit system of every quantity here: `si`, `us` or `ps`.",
    "standard": "The standard that levels are corrected to.",
    "level": "How sure the intervals are meant, 0..1.",
    "cautions": "What to keep in mind with this, in sentences.",
    "model": "Which state of the history model it rests on; null = there is none yet.",
}
_GAIN = {
    "typical": "Gain of the typical car, in `units`; null = not known.",
    "typical_percent": "The same [%].",
    "typical_interval": "Its interval at `level`, in `units`; null = not known.",
    "typical_interval_percent": "The same interval [%].",
    "next_car_interval": "Interval at `level` for one more car, in `units`; null = not known.",
    "next_car_interval_percent": "The same interval [%].",
    "chance_of_gain": "Chance that one more car gains anything, 0..1; null = not known. Parts are made to gain, so in peak "
    "power and torque against `without` a loss counts a quarter of what the intervals alone would give it.",
}
SEARCH = (
    "How it stands to the ledger. `current`: all that was kept until `as_of` is in it. A large history (over 20,000 setups) is "
    "gone through behind the answers: until the next is finished they give the last, `behind`, which holds what was kept until "
    "`as_of`; before the first is finished `none`, and nothing is said. Ask again in a moment."
)
GAIN_FIELDS = tuple(_GAIN)
BUILD = {
    **{name: words for name, words in _ANSWER.items() if name != "model"},
    **_GAIN,
    "baseline": "The figure before, in `units`; null = not known.",
    "baseline_is": "Whether `baseline` is the asker's own or a typical stock car's.",
    "expected": "The figure after, in `units`: `typical`, `interval` of the typical car, `next_car_interval`; null = not "
    "known.",
    "alone_percent": "What the parts' gains on their own come to when they are simply multiplied [%]: what it would be if "
    "no part changed what another one does.",
    "parts": "Each part with its own gain, and what it contributes here.",
    "together": "What two parts do beyond their own gains, by pair [%], with its interval and the number of cars that show it; "
    "where those are too few there is no interval, and what is usual between such slots is taken.",
    "inseparable": "Parts that were so often changed together that only their sum is known.",
    "evidence": "How much stands behind it: `grade`, the lowest of its parts'; `cars_with_all`, how many cars of this kind were "
    "measured with all of them fitted at once (0: never tested together here).",
    "cost": "What it costs fitted, and for one unit of gain where the gain is established.",
}
BUILD_PART = {
    "part": "The part (slug).",
    "name": "Its name.",
    "slots": "The slots it fills.",
    "typical_percent": "What it gains on its own on the typical car [%]; null = never measured on any kind of car.",
    "typical_interval_percent": "Its interval at `level` [%].",
    "contributes_percent": "What it contributes to the whole [%]: its own gain, and half of what it does together with each "
    "other part; null = not known.",
    "evidence": "How much stands behind its own gain: `grade`, `cars` measured here with and without it, `cars_with` it here "
    "and `cars_elsewhere`, `borrowed_share`.",
}
CHOICE = {
    **{name: words for name, words in _ANSWER.items() if name != "model"},
    "baseline": "The figure of the car as it is, with what is fitted, in `units`; null = not known.",
    "baseline_is": "Whether `baseline` is the asker's own or a typical car's, stock or with what is fitted.",
    "currency": "The currency of every price here; parts priced in another one have no cost.",
    "labour_rate": "What an hour of labour is taken to cost; null = not set.",
    "budget": "What may be spent, as asked; null = no limit.",
    "parts": "The parts that were measured anywhere, most gain per money first; those that have no cost, or no established gain, last.",
    "best_within_budget": "The parts that give most together for no more than the budget; null = no budget asked.",
    "best_within_budget_gives": "What `best_within_budget` costs (`spent`) and has `gained` together, with its interval at "
    "`level`, and the weakest `grade` among its parts; null = no budget asked, or it buys nothing.",
    "best_order": "Part after part, each the one that then gives most for the money, within the budget: its `cost` fitted, what "
    "it `adds` beside the car's parts and those before it, what has been `spent` and `gained` up to it, with intervals at `level`, "
    "and the weakest `grade` of the parts up to it. In `units` and in percent `adds` counts from the figure reached before the "
    "step, `gained` from `baseline`: what all steps add comes to `gained` in `units`. A part whose gain in its place is not "
    "established is no step.",
    "best_measured_here": "The part that gives most for the money, within the budget, of those that cars of this very kind were "
    "measured with and without (slug); null = none.",
    "cheapest_to_wish": "The cheapest way to the wished gain, whatever the budget: `steps` as in `best_order`, be what one "
    "of them adds established or not (none: all parts known to gain do not reach it, together they give `most`), what it costs (`spent`), whether that is `within_budget`, and "
    "the `chance` that one more car gains as much, 0..1; null = none wished, or the car's level is not known.",
    "budget_range": "Budgets that make a difference: from the cheapest part known to gain (`least`) to all that `best_order` "
    "would fit (`most`), and a round `step` between them; null = nothing can be bought.",
    "left_out": "Parts that are not listed, or listed without a cost, by why: how many.",
    "left_out_parts": "The same parts by name.",
}
CHOICE_PART = {
    "part": "The part (slug).",
    "name": "Its name.",
    "slots": "The slots it fills.",
    "against": "What it would replace on this car (slug), or `without`.",
    **_GAIN,
    "evidence": "How much stands behind it: `grade`, `cars` measured here with and without it, `cars_with` it here and "
    "`cars_elsewhere`, `borrowed_share`.",
    "standing": "`gains`: the interval of its typical gain lies above nought; `loses`: below; `unclear`: nought is inside.",
    "price": "What it costs unfitted; null = not recorded.",
    "price_date": "The day of that price; null = not recorded.",
    "labour_hours": "Hours to fit it; null = not recorded.",
    "fitted": "What it costs fitted; null = not known.",
    "gain_per_money": "Gain in `units` for each unit of money; null = gain not established, or cost not known.",
    "gain_per_money_interval": "Its interval at `level`.",
    "cost_per_unit": "Money for each unit of gain; null = gain not established, or cost not known.",
    "cost_per_unit_interval": "Its interval at `level`.",
    "chance_of_best": "Chance that it gives most for the money of all whose gain is established and which the budget buys, "
    "0..1; null = it is not one of them, or its cost is not known.",
    "cautious_rank": "Its place among the same when each is taken at the low end of what it may give (10th percentile), 1 = best; null = "
    "gain not established, cost not known or beyond the budget.",
    "frontier": "Whether no other part gives more for less, of those whose gain is established and which the budget buys: a "
    "part beyond the budget is never on it.",
    "within_budget": "Whether it costs no more than `budget`; null = no budget asked, or cost not known.",
    "cars_until_established": "How many more cars of this kind, each tested once with and without it, until the interval leaves "
    "nought out, if the gain stays where it is now believed; 0 = it does already; null = more than 100.",
    "cars_until_half": "How many more such cars until the interval is half as wide as now; null = more than 100.",
}
OUTLIER = {
    "kind": "`car`: its level among its platform's; `gain`: what a part did on this car; `pull`: a setup against the car's "
    "others, or (with `pull`) one pull against its setup's others; `bay`: a step in a bay's level.",
    "vehicle": "The car (tag); null for a bay.",
    "platform": "Its platform (slug); null for a bay.",
    "bay": "The bay it was measured in (slug); null where that was more than one.",
    "session": "The session it stands in, or the car's newest one; null for a bay.",
    "setup": "The number of the setup in it; null where it is about more than one.",
    "pull": "The pull's id, where it is one pull; null otherwise.",
    "part": "The part whose gain it is (slug); null otherwise.",
    "at": "When it was measured, or when the step was.",
    "measure": "The measure.",
    "value": "What was measured, in `units`, or in percent where `unit` is `percent`.",
    "expected": "What was to be expected, like `value`.",
    "unit": "The unit of these, such as `kW` or `hp`; `percent` of the answer's own figure where it is a gain.",
    "deviation_percent": "How far from what was expected [%].",
    "score": "How surprising: deviation in standard deviations of what was expected.",
    "said": "What lies apart, in one sentence.",
    "ordinary": "Between which values 19 of 20 ordinary ones lie, like `value`; null = not known.",
    "ordinary_percent": "The same in percent from what was expected, as `deviation_percent`.",
    "record": "The setup to look at (its address): of a car its newest stock one; null for a bay.",
    "beside": "The setup it was held against (its address): of a gain the one without the part, of a setup the nearest other "
    "one of the car; null = none.",
    "stock": "Whether `record` is a stock setup, which can be held against the platform's stock curve.",
    "checks": "What to look at, in this order: the `area`, what to `ask` there, and what was `recorded` there that goes the "
    "same way (null = nothing). The bay first where power and torque are off together. Never a diagnosis.",
    "bay_day": "Of the day of `record` in its bay: what the other cars say of it, as in `GET /v1/bays/{slug}/days`; null for "
    "a bay.",
    "reasons": "What was recorded beside it and goes the same way, each with what it explains [%] (`explains_percent`, null = "
    "not known how much); `unexplained` is what is left. Never a diagnosis.",
}
OUTLIERS = {
    **{name: words for name, words in _ANSWER.items() if name not in ("model", "level")},
    "search": SEARCH,
    "measure": "The measure.",
    "false_alarm_rate": "Of the cars, gains and setups listed, the share that may be there by chance alone (Benjamini and "
    "Hochberg 1995).",
    "said": "How many lie apart of how many, in words.",
    "said_beside": "Among what none does, and how many of those listed are there by chance; null = nothing lies apart.",
    "looked_at": "On how many of each kind a verdict was possible, as far as asked for (platform, bay, since): `cars` beside "
    "eight of their platform or more, `pulls` of setups of five or more, in the peak of the measure's quantity; cars' `gains` "
    "beside eight of the part, `setups` of cars with several, and `bays`, in peak power at the shop's standard only.",
    "found": "How many of these lie apart, by the same kinds.",
    "items": "The most surprising first.",
}
AGREEMENT = {
    "as_of": _ANSWER["as_of"],
    "search": SEARCH,
    "level": _ANSWER["level"],
    "cautions": _ANSWER["cautions"],
    "said": "How far the bays agree, in words, what is urgent first.",
    "items": "Every bay, by slug; one that was recalibrated stands here with its newest level.",
    "shared_cars": "Every two `bays` with the cars measured in both (`cars`, `vehicles` by tag), whether they are `comparable` "
    "(by cars in both, or over bays between), and that in words. Without shared cars no offset between them is known.",
    "shop": "Of the whole shop, in the terms of ISO 5725 [%], as standard deviations of one pull: `repeatability`, "
    "`intermediate` (another strap-down in the same bay), `reproducibility` (another bay, as it reads) and "
    "`reproducibility_levelled` (with the bays' offsets taken out); the `limit`s are what two single pulls keep within 95 "
    "times in 100. null = no model yet.",
    "check_cars_alone": "Repeatability and reproducibility of a setup's mean [%] from the check cars alone, by the tables of ISO "
    "5725-2: only where they were measured in every bay, and repeatedly. null = they were not.",
}
AGREEMENT_BAY = {
    "bay": "The bay (slug).",
    "name": "Its name.",
    "kind": "What kind of machine it is.",
    "state": "Where it stands by its check car's newest reading: `inside`, `warning`, `outside`, `first` (nothing to hold it "
    "against yet), `not-checked` (no check car was measured here).",
    "state_words": "The same in words.",
    "said": "The same in a sentence, with what to do.",
    "offset_percent": "How much higher it reads now than the mean of the bays over all their time [%]: every bay alike, each at "
    "the mean of its stretches between what was recorded about it; the bays as they read now need not balance about it. "
    "null = not known.",
    "interval": "Interval of the offset at `level` [%]; null = not known.",
    "since": "When this level began: the last recorded event after which it may have stepped; null = from its beginning.",
    "cars": "Cars measured in it.",
    "cars_shared": "Of these, cars also measured in another bay: only they tell the bays apart.",
    "repeatability_percent": "Standard deviation of one pull about its setup's mean in this bay [%]; null = no repeats.",
    "repeatability_interval": "Its interval at `level` [%], by the chi-square of its own pulls; null = no repeats.",
    "repeatability_trend_percent_per_year": "By how much the repeatability's spread grows [% of itself a year]; null = under "
    "four quarters with repeats.",
    "repeatability_trend_interval": "Its interval at `level` [%]; null = not known.",
    "repeatability_said": "How well it repeats and whether that changes, in words.",
    "repeatability_by_quarter": "The same by quarter of the year (UTC), oldest first: `quarter`, its first day `from`, "
    "`repeatability_percent` with its `interval` at `level`, from how many `pulls` of how many `setups`.",
    "reproducibility_percent": "Standard deviation of one pull in any strap-down and bay of the shop, the bays' offsets taken "
    "out [%].",
    "last_post": "When a session was last measured in it; null = never.",
    "drift_percent_per_year": "How its level moves with time [% a year]; null = not known.",
    "drift_interval": "Interval of the drift at `level` [% a year].",
    "steps": "Where its level seems to have stepped with nothing recorded: `at`, `percent`, `score`.",
    "events": "What was recorded about the bay, oldest first: `at`, `kind`.",
    "check_car": "The check car measured most often here: its `readings`, each with its deviation from the mean of those before "
    "it and the limits they set [%], and whether the newest lies `inside`; null = none was measured here.",
}
BAY_DAY = {
    "bay": "The bay (slug).",
    "day": "The day, in UTC.",
    "reach_days": "So many days before and after it were taken in, because the day alone has too few cars: at most 14, none "
    "across a recorded event of the bay; 0 = the day alone.",
    "cars": "Cars measured then that say something of it.",
    "cars_seen_before": "Of these, cars measured on an earlier day too: they are held against their own history, and say more.",
    "deviation_percent": "Median of what the cars read against what everything else lets expect of them, that day left out [%]; "
    "null = no such car.",
    "limit_percent": "How far the median of so many cars lies off by chance, at most, on 99 ordinary days in 100 [%].",
    "state": "`inside`; `outside`: all cars moved together, look at the bay; `too-few`: under three cars cannot tell the bay from "
    "a car.",
    "said": "The same in words.",
    "readings": "Each car with its session, its own deviation and its standard error [%], whether it was `seen_before`, and whether it is a "
    "`check_car`.",
}
BAY_DAYS = {
    "as_of": _ANSWER["as_of"],
    "bay": "The bay (slug).",
    "name": "Its name.",
    "false_alarm_rate": "Share of ordinary days that are called `outside` by chance.",
    "items": "The newest day first.",
    "cautions": _ANSWER["cautions"],
}
MODEL = {
    "as_of": "Up to when the ledger's records are in it.",
    "state": "`ready`; `none` = too little was posted yet, or it is being estimated.",
    "version": "What answers' ETags carry of it: the fit, and how many changes were followed since.",
    "fit": "The estimate of the variances in use: `id` (null = made by this process), `made_at`, the `measure` and "
    "`standard` it was made on, from how many `cars` and `setups`.",
    "followed": "How many `changes` were taken in since the fit, and what is in it now: `cars`, `setups`, `platforms`, `parts`, "
    "`bays`; null = no model.",
    "spreads": "What readings and gains differ by, each with its standard deviation [% of what `of` says] and in words.",
    "shares": "Of the variance between single pulls of stock cars of one kind in different bays, the share of each cause, 0..1, "
    "and in words.",
    "down_weighted": "How many `setups` are so unlike the rest that they weigh less than half, and how many fell so much from "
    "pull to pull (`heat_soaked`) that only their first pull is believed; null = no model.",
    "cautions": "What to keep in mind with this, in sentences.",
}
REFIT_ANSWER = {"status": "`asked`: it will be done soon; `done`.", "asked_at": "When it was asked for."}
