"""What customers ask at the counter about a part, answered in sentences from what the ledger holds, or said why not."""

from collections.abc import Callable, Iterator, Sequence

from service.answers.gain_told import (
    Facts,
    Said,
    See,
    above_the_noise,
    anything_else_changed,
    how_many_gained_nothing,
    the_last_ten,
    torque_low_down,
    where_in_the_revs,
    who_lost,
)
from service.answers.gain_words import Teller, cars, money, number, sure
from service.answers.pairs_gain import ALONE, is_alone
from service.answers.typical_gain import YOURS, TypicalGain
from service.domain.names import listed, quoted
from service.store import gain_facts
from service.store.db import Connection
from service.store.evidence import Question
from service.store.gain_facts import Relative

SERIES = 10
"""Pulls in a row from which heat can be spoken of (common practice, no source)."""


def gain_questions(conn: Connection, question: Question, found: TypicalGain, units: str) -> list[Said]:
    """The questions that can be put to this answer, with what the ledger says to each."""
    used = [pair.row for pair in found.pairs.pairs if pair.used]
    facts = Facts(
        question=question,
        found=found,
        tell=Teller(found, units),
        relatives=gain_facts.relatives(conn, question.platform_id, question.part_id),
        notes=gain_facts.fitting_notes(conn, question.part_id),
        before=gain_facts.repeats_of(conn, [row.without.setup_id for row in used]),
        after=gain_facts.repeats_of(conn, [row.with_.setup_id for row in used]),
    )
    return [said for ask in QUESTIONS for said in ask(facts)]


def on_my_car(facts: Facts) -> Iterator[Said]:
    """What one more car is expected to gain."""
    head = facts.found.headline
    if head is None or head.next_interval is None:
        return
    own = (
        "That is in this car's own figures."
        if head.base_is == YOURS
        else "Enter what this car reads now to have it in its own figures."
    )
    low, high = head.next_interval
    verb = "change by" if low <= 0.0 <= high else "gain"
    yield Said(
        "asked",
        "What does it give on my car, not the brochure's?",
        (
            f"One more car is expected to {verb} {facts.tell.between(*head.next_interval)} ({sure(facts.found.asked.level)}). {own}",
        ),
    )


def with_the_rest_stock(facts: Facts) -> Iterator[Said]:
    """Whether it helps on an otherwise stock car."""
    if not facts.used:
        return
    alone = [pair.percent or 0.0 for pair in facts.used if is_alone(pair.row, facts.question)]
    words = [f"Of {cars(len(facts.used))} counted, {len(alone) or 'none'} had nothing else fitted."]
    if alone:
        mean = number(sum(alone) / len(alone), 1, plus=True)
        spread = f", from {number(min(alone), 1, plus=True)} to {number(max(alone), 1, plus=True)} %"
        words.append(f"There it gave {mean} % on average{spread if len(alone) > 1 else ''}.")
    if facts.found.model is not None and facts.found.context == ALONE:
        words.append("The answer above is for the part with nothing else fitted.")
    yield Said("asked", "Does it help with everything else left stock?", tuple(words))


def the_calibrations_share(facts: Facts) -> Iterator[Said]:
    """How much of it is a calibration's, where one is fitted too."""
    measured = [one for one in facts.relatives if one.calibration and not one.same_slot and one.cars]
    if any(one.calibration and one.same_slot for one in facts.relatives):
        return  # it is a calibration itself
    tangled = [
        name
        for name in facts.found.entangled
        if name in {one.name for one in facts.relatives if one.calibration}
    ]
    if tangled:
        words = f"On these cars it was changed together with {listed([quoted(name) for name in tangled])}: this data cannot share the gain out."
    else:
        words = "The figure is the part's alone: no comparison counts in which the calibration changed too."
    if not measured:
        words += (
            " No calibration was measured by itself on this kind of car, so nothing is said of one on top."
        )
    see = tuple(See(one.slug, None, f"{one.name} by itself: {cars(one.cars)}") for one in measured)
    yield Said(
        "asked",
        "Do I need a calibration with it, and how much of the gain is the calibration's?",
        (words,),
        see,
    )


def other_versions(facts: Facts) -> Iterator[Said]:
    """Reworked and as-delivered versions of the same part."""
    variants = [one for one in facts.relatives if one.is_variant]
    if variants:
        yield Said(
            "asked", "Does the reworked one do more than the one as delivered?", *against(facts, variants)
        )


def the_cheaper_one(facts: Facts) -> Iterator[Said]:
    """Parts that take the same place for less."""
    price = facts.question.price
    cheaper = [
        one
        for one in facts.relatives
        if one.same_slot
        and not one.is_variant
        and price is not None
        and one.price is not None
        and one.price < price
        and one.currency == facts.question.currency
    ]
    if cheaper:
        yield Said("asked", "Does a cheaper one do the same?", *against(facts, cheaper))


def against(facts: Facts, others: Sequence[Relative]) -> tuple[tuple[str, ...], tuple[See, ...]]:
    """How far others were held against this part, and the questions that say more."""
    own = [one for one in others if one.cars_against]
    words = (
        [
            f"Measured in each other's place: {listed([f'{quoted(one.name)} ({cars(one.cars_against)})' for one in own])}."
        ]
        if own
        else [
            "None was measured in its place on one car; each stands against the car without it, so less surely."
        ]
    )
    priced = [
        f"{quoted(one.name)} {money(float(one.price), one.currency)}"
        for one in others
        if one.price is not None
    ]
    if priced:
        words.append(f"Price of the part: {listed(priced)}.")
    see = tuple(See(facts.question.part, one.slug, f"against {one.name}") for one in others)
    return tuple(words), see


def fitting(facts: Facts) -> Iterator[Said]:
    """How long fitting takes, and what else is needed."""
    hours = facts.question.labour_hours
    time = (
        "Fitting time is not recorded."
        if hours is None
        else f"{number(hours, 1)} hours are recorded for fitting."
    )
    notes = (
        f"On record about fitting: {facts.notes}." if facts.notes else "What else it needs is not recorded."
    )
    yield Said("cost", "How long does fitting take, and what else is needed?", (time, notes))


def when_hot(facts: Facts) -> Iterator[Said]:
    """What repeated pulls say about heat, or why they do not."""
    after, before = facts.after, facts.before
    if not after.longest:
        return
    words = []
    if after.slope is not None:
        besides = (
            "" if before.slope is None else f" (without it by {number(100 * before.slope, 2, plus=True)} %)"
        )
        words.append(
            f"From one pull to the next its power changed by {number(100 * after.slope, 2, plus=True)} % on average"
            f"{besides}, over {after.series} series of pulls."
        )
    if after.inlet_rise_c is not None and before.inlet_rise_c is not None:
        scale = 9 / 5 if facts.tell.units == "us" else 1.0
        unit = "°F" if facts.tell.units == "us" else "°C"
        words.append(
            f"Inlet air rose by {number(scale * after.inlet_rise_c, 1)} {unit} in a pull with it, by "
            f"{number(scale * before.inlet_rise_c, 1)} {unit} without."
        )
    if after.longest < SERIES:
        words.append(
            f"The longest series with it here is {cars(after.longest, 'pull')}: a tenth pull cannot be answered from this "
            "data. Post ten in a row and it can."
        )
    yield Said("asked", "Does it keep its gain hot, or on the tenth pull?", tuple(words))


def is_it_lawful(facts: Facts) -> Iterator[Said]:
    """What approval is on record."""
    approval = facts.question.approval or {}
    document = approval.get("document")
    if document and document != "unknown":
        place = f"; place: {approval['place']}" if approval.get("place") else ""
        words = f"On record: {document}{place}. Whether that allows this car on the road, local law and inspection decide."
    else:
        words = "Unknown: no approval document is on record. Ask the inspection authority before it is used on a public road."
    yield Said("lawful", "Is it lawful on the road, and will it pass inspection?", (words,))


def clutch_and_gearbox(_: Facts) -> Iterator[Said]:
    """What pulls cannot tell."""
    yield Said(
        "asked",
        "Will it hurt the clutch or the gearbox?",
        (
            "This data does not say: it holds what the wheels gave on the rollers, not how long anything lasted. Ask "
            "whoever built the driveline.",
        ),
    )


def at_one_speed(facts: Facts) -> Iterator[Said]:
    """That a speed or band can be asked for."""
    measure = facts.found.asked.measure
    if not measure.is_peak or facts.found.headline is None:
        return
    yield Said(
        "asked",
        "What is it at one speed exactly, or between two?",
        ("Choose power or torque at one speed, or the average between two, under What is measured.",),
    )


QUESTIONS: tuple[Callable[[Facts], Iterator[Said]], ...] = (
    where_in_the_revs,
    torque_low_down,
    how_many_gained_nothing,
    who_lost,
    the_last_ten,
    above_the_noise,
    anything_else_changed,
    on_my_car,
    with_the_rest_stock,
    the_calibrations_share,
    other_versions,
    the_cheaper_one,
    fitting,
    when_hot,
    is_it_lawful,
    clutch_and_gearbox,
    at_one_speed,
)
