"""What the test showed and what the whole history says, in words, rounded to the noise as a review rounds it."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from service.domain.names import in_sentence, listed, quoted
from service.domain.review_figures import (
    TWO_SIDED,
    counted,
    power_step,
    signed_percent,
    signed_power,
    stepped,
)
from service.domain.review_words import COMPARED, difference_words, returned_words
from service.domain.slot_words import slot_cautions
from service.domain.units import from_si, unit_of
from service.schemas.sheet_test_words import ON_RECORD, UNKNOWN, UNMEASURED, Row, day, fuel_words, row

if TYPE_CHECKING:
    from service.answers.sheet import Sheet
    from service.answers.sheet_gain import Compared, Gain
    from service.answers.typical_gain import TypicalGain
    from service.answers.without_gain import WithoutGain

Between = tuple[float, float]
SURE = "95 in 100 sure"
NEAR = {
    "same-session-aba": "same strap-down, one state measured again after the other (the nearest there is)",
    "same-session": "same strap-down, one after the other",
    "same-day": "same day and bay, strapped down anew: interval widened",
    "other-day": "another day, strapped down anew: interval widened",
    "other-bay": "another bay: interval widened by what bays differ",
    "peaks-only": "peak figures only, each read as one best pull",
}


def changed(sheet: "Sheet", units: str) -> Iterator[Row]:
    """What was changed, what else moved, in which order and with how long between."""
    compared = sheet.compared
    if compared is None:
        yield row("Compared", "with nothing: this sheet is of one state")
        return
    yield row("Between A and B", change_words(compared))
    yield row("What else moved", moved_words(sheet, compared, units))
    yield row("Order", order_words(compared))
    yield row("Time between", time_words(compared))


def change_words(compared: "Compared") -> str:
    """What came on and what went off."""
    on, off = ([quoted(one.name) for one in parts] for parts in (compared.added, compared.removed))
    said = [f"fitted: {listed(on)}"] if on else []
    said += [f"taken off: {listed(off)}"] if off else []
    if not said:
        return "no part: the same list on both sides"
    body = "; ".join(said)
    tuned = any(one.is_tune for one in (*compared.added, *compared.removed))
    if tuned and len(on) + len(off) > 1:
        body += ". The calibration was changed in the same step"
    return body


def moved_words(sheet: "Sheet", compared: "Compared", units: str) -> str:
    """The conditions that were not held, and the fuel where it was another."""
    known = [one for one in compared.differs if one["before"] is not None or one["after"] is not None]
    moved = [difference_words(one, units) for one in known]
    unknown = [COMPARED[one["what"]][0] for one in compared.differs if one not in known]
    moved += [f"{listed(unknown)} not recorded"] if unknown else []
    assert sheet.a is not None
    fuels = [(one.setup.octane, one.setup.octane_method) for one in sheet.states]
    if fuels[0] != fuels[1]:
        moved.append(f"fuel {fuel_words(sheet.a)} before, {fuel_words(sheet.b)} after")
    if sheet.a.session.bay != sheet.b.session.bay:
        moved.append("the bay")
    body = "; ".join(moved) if moved else "nothing beyond its window, of all that was recorded"
    return body if compared.usable else f"{body}. A doubt stands against these pulls: see 4"


def order_words(compared: "Compared") -> str:
    """Which was run first, and whether it was repeated."""
    first, then = ("A", "B") if compared.a_first else ("B", "A")
    if compared.again is None:
        return f"{first} first, then {then}; not repeated (no A-B-A)"
    again = "A" if compared.again_is_a else "B"
    read = "" if compared.returned is None else f", {returned_words(compared.returned)}"
    return f"{first}, {then}, {again} again (A-B-A; setup {compared.again}{read}): {again} is taken between its readings"


def time_words(compared: "Compared") -> str:
    """Minutes inside a strap-down, days otherwise."""
    if not compared.same_session:
        days = round(compared.days)
        apart = "under a day" if days == 0 else f"{days} day{'' if days == 1 else 's'}"
        return f"{apart} apart, strapped down anew"
    if compared.minutes is None:
        return f"minutes {UNKNOWN}"
    hours, minutes = divmod(round(compared.minutes), 60)
    apart = f"{hours} h {minutes} min" if hours > 1 else f"{compared.minutes:.0f} minutes"
    return f"{apart} from the last pull of one to the first of the other"


def gained(sheet: "Sheet", units: str) -> Iterator[Row]:
    """The gain over a stated band, at the peak and in the lowest third, with intervals, and what the test could show."""
    compared = sheet.compared
    if compared is None:
        yield row("Gain", "none: one state was tested")
        noise = sheet.review.smallest
        if noise is not None:
            yield row(
                "Smallest gain it can show",
                f"{100 * noise:.1f} %, by a second state of as many pulls in this strap-down",
            )
        return
    if compared.refused is not None:
        yield row("Gain", f"no figure: {compared.refused}")
        return
    for gain in compared.gains:
        yield row(place_of(gain), gain_words(gain, units))
    for name, words in (("band", "Band"), ("low_third", "Lowest third")):
        if compared.named(name) is None:
            yield row(words, f"{UNMEASURED}: the curves do not reach")
    yield row("Match", f"{NEAR[compared.match]}; conditions {'held' if compared.held else 'NOT all held'}")
    yield row(
        "Smallest gain it can show",
        f"{100 * (compared.noise or 0.0):.1f} % by this test's own noise (intervals: {SURE})",
    )


def place_of(gain: "Gain") -> str:
    """What a gain is over."""
    measure = gain.measure
    if gain.name == "peak":
        return "At the peak"
    band = f"{measure.from_rpm:,.0f} to {measure.to_rpm:,.0f} rpm"
    return f"{'50 to 100 % of peak-power speed' if gain.name == 'band' else 'Lowest third'}, {band}"


def gain_words(gain: "Gain", units: str) -> str:
    """A gain in power with its interval at 95 %."""
    body = with_interval(gain.gain, gain.interval, gain.base_kw, units)
    return body if gain.is_established else f"{body}: not established"


def with_interval(log: float, ends: Between, base_kw: float | None, units: str, of: str = "") -> str:
    """A gain in percent, in power where its level is known, and its interval; all in logs."""
    relative, low, high = math.expm1(log), math.expm1(ends[0]), math.expm1(ends[1])
    noise = (high - low) / 2.0
    size = f" ({signed_power(base_kw * relative, base_kw * noise, units)})" if base_kw else ""
    between = f"between {signed_percent(low, noise)} and {signed_percent(high, noise)} %"
    return f"{signed_percent(relative, noise)} %{of}{size}, {between}"


def bare(log: float, ends: Between) -> str:
    """A gain in percent alone, rounded to its interval."""
    return f"{signed_percent(math.expm1(log), (math.expm1(ends[1]) - math.expm1(ends[0])) / 2.0)} %"


def pooled(sheet: "Sheet", units: str) -> Iterator[Row]:
    """What the whole history says of the part."""
    found, question = sheet.pooled, sheet.question
    if found is None or question is None:
        why = (
            "one state was tested"
            if sheet.compared is None
            else "more than one thing, or nothing, was changed: no part to ask about"
        )
        yield row("Other cars", f"not asked: {why}")
        return
    rival = f" in place of the {quoted(question.against_name)}" if question.against_name else ""
    yield row("Asked", f"{quoted(question.part_name)}{rival} on {question.platform_name}, peak power")
    yield from pooled_figures(sheet, found, units)
    yield row("Left out", left_out_words(found))
    yield row("Fitted cost", cost_words(found))
    for words in slot_cautions(question.slots):
        yield row("Keep in mind", words)


def pooled_figures(sheet: "Sheet", found: "TypicalGain", units: str) -> Iterator[Row]:
    """How many cars, their typical gain, and one more car's."""
    pairs, head = found.pairs, found.headline
    span = f", {day(pairs.first)} to {day(pairs.last)}" if pairs.first and pairs.last else ""
    yield row(
        "Rests on",
        f"{count(pairs.cars, 'car')}, {count(pairs.pairs_in_all, 'comparison')}{span}; evidence {found.grade}",
    )
    if head is None:
        yield row("Typical gain", "not known: no usable comparison")
        return
    level = f"{100 * found.asked.level:.0f} in 100"
    if head.interval is None:
        yield row(
            "Typical gain", f"{signed_percent(math.expm1(head.mean), 0.0)} %; too few cars for an interval"
        )
    else:
        yield row("Typical gain", f"{with_interval(head.mean, head.interval, head.base, units)} ({level})")
    ends = head.next_interval
    yield row("One more car", "too few cars for a range" if ends is None else f"{span_of(ends)} ({level})")
    yield row("Cars without a gain", without_gain_words(sheet.without_gain))


def without_gain_words(found: "WithoutGain | None") -> str:
    """How many cars read lower or the same, and how many of them beyond one test's noise."""
    if found is None or not found.of:
        return "not known"
    if not found.cars:
        return f"none of {found.of}"
    clearly = counted(found.clearly) if found.clearly else "none"
    return f"{counted(found.cars)} of {found.of} read lower or the same, {clearly} of them beyond what one test can tell"


def span_of(ends: Between) -> str:
    """`between +3 and +6.5 %` of an interval in logs."""
    low, high = math.expm1(ends[0]), math.expm1(ends[1])
    return (
        f"between {signed_percent(low, (high - low) / 2.0)} and {signed_percent(high, (high - low) / 2.0)} %"
    )


def left_out_words(found: "TypicalGain") -> str:
    """Who was excluded, and why."""
    left = found.pairs.left_out
    if not left:
        return "nothing; of each car its nearest comparison is used"
    return f"{count(left, 'comparison')}: doubts stand against the pulls, not confirmed. Of each car its nearest one is used"


def cost_words(found: "TypicalGain") -> str:
    """What it costs fitted, with the date of the price."""
    cost = found.cost
    if cost.price is None:
        return f"price {UNKNOWN}"
    dated = "price date not recorded" if cost.price_date is None else f"price of {day(cost.price_date)}"
    if cost.fitted is None:
        return f"{cost.price:,.0f} {cost.currency} without fitting ({dated}); labour rate not set"
    hours = "fitting time not recorded" if cost.labour_hours is None else f"{cost.labour_hours:g} h fitting"
    return f"{cost.fitted:,.0f} {cost.currency} ({dated}, {hours})"


def count(n: int, one: str) -> str:
    """`12 cars`."""
    return f"{n} {one}{'' if n == 1 else 's'}"


def headline(sheet: "Sheet", units: str) -> str:
    """The sheet in one sentence or two."""
    compared = sheet.compared
    if compared is None:
        return one_state(sheet, units)
    peak = compared.named("peak")
    if peak is None:
        return f"No figure for the difference: {compared.refused}."
    what = what_did(compared)
    if peak.is_established:
        body = with_interval(peak.gain, peak.interval, peak.base_kw, units, " peak power")
        said = f"{what}: {body} ({SURE})."
    else:
        said = f"{what}: no change of peak power established; it lies {span_of(peak.interval)} ({SURE})."
    doubt = "" if compared.usable else "A doubt stands against these pulls, not confirmed."
    return " ".join(filter(None, (said, band_sentence(compared), held_sentence(compared, units), doubt)))


def held_sentence(compared: "Compared", units: str) -> str:
    """What was not held between A and B, so that no figure is read without what moved beside it."""
    if compared.held:
        return ""
    moved = [
        difference_words(one, units) for one in compared.differs if None not in (one["before"], one["after"])
    ]
    if not moved:
        return "Whether all conditions were held is not known: not all were recorded."
    return f"Not held: {'; '.join(moved)}."


def what_did(compared: "Compared") -> str:
    """What the change is of, at the beginning of a sentence."""
    on, off = ([in_sentence(one.name) for one in parts] for parts in (compared.added, compared.removed))
    if not on and not off:
        return "With nothing fitted or taken off"
    if compared.part is None:
        return "All of these changes together"
    if on and off:
        return f"With {on[0]} in place of {off[0]}"
    return f"With {on[0]}" if on else f"Without {off[0]}"


def band_sentence(compared: "Compared") -> str:
    """The gain over the band in a sentence."""
    band = compared.named("band")
    if band is None:
        return ""
    span = f"from {band.measure.from_rpm:,.0f} to {band.measure.to_rpm:,.0f} rpm"
    if not band.is_established:
        return f"On average {span}: no change established."
    return f"On average {span}: {bare(band.gain, band.interval)}."


def one_state(sheet: "Sheet", units: str) -> str:
    """A sheet of one state in a sentence."""
    state = sheet.b
    if state.power_kw is None:
        why = f"this state was struck, {ON_RECORD}" if state.struck else "no pull of this state counts"
        return f"No figure: {why}."
    error = (sheet.review.error or 0.0) * TWO_SIDED
    value = float(from_si(state.power_kw, "power", units))
    half = stepped(error * value, power_step(error * value))
    symbol = unit_of("power", units).symbol
    mean = stepped(value, power_step(error * value))
    at = "" if state.setup.power_rpm is None else f" at {state.setup.power_rpm:,.0f} rpm"
    return f"{mean} {symbol} peak power at the wheels{at}, give or take {half} {symbol} in this strap-down."
