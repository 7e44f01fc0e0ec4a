"""What must be said beside a figure, in words for the person it is shown to."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from service.domain.correction import STANDARDS
from service.domain.measures import Measure
from service.domain.names import quoted
from service.domain.slot_words import slot_cautions
from service.stats.history.gains import disagrees
from service.stats.pooling import MIN_STUDIES
from service.store.evidence import Question

if TYPE_CHECKING:
    from service.answers.behind import Worked
    from service.answers.model import ModelState
    from service.answers.typical_gain import TypicalGain

NO_PROMISE = "These are wheel figures from this shop's machines under stated conditions; they are no promise for another car."
LAWFUL = "A modified car may be unlawful on public roads: local law and inspection rules decide, ask the authority."
DIESEL = (
    "Diesel engine: the factor is the standard's form for spark ignition, so the power is only roughly corrected; the "
    "percentage hardly depends on it."
)
BOOSTED = "Boosted engine: its boost control makes up for thin air in part, so correction overstates its power in thin air"
FAR_BASELINE = 2.0
"""A typed reading more than this many times, or less than this part of, what such cars read is asked about (our choice:
a slip in unit or digit makes more, a heavily changed car of the kind seldom does)."""
LIKELY = 0.75
"""A chance above this seems to contradict an interval that includes nought (our choice)."""
FEW_CARS = 30
"""A model of fewer cars takes its spreads mostly from what is usual in shops (our choice)."""
CARS_UNLIKE = (
    "Cars gain by this part far more differently than by others of its size: the typical gain may be that of some of them "
    "only, so look at what each car gained."
)
NO_MODEL = (
    "The history model is not ready yet, so this rests on the before/after pairs alone; it will be there some minutes "
    "after enough was posted, or after the service was started."
)
NOT_ASKED = "The history model was not asked (model=false): this rests on the before/after pairs alone."
NO_VERDICT_YET = (
    "The history model is not ready yet, so nothing can be judged here; it will be there some minutes after enough was "
    "posted, or after the service was started."
)

SEARCHING = (
    "This large history is being gone through for the first time since the service was started, so nothing is said yet; ask "
    "again in a moment."
)


def gain_cautions(
    answer: "TypicalGain", question: Question, elsewhere: Sequence[tuple[str, int]]
) -> Iterator[str]:
    """Everything a reader of a typical gain must know, gravest first."""
    pairs = answer.pairs
    if answer.headline is None:
        yield from nothing_known(answer, question, elsewhere)
    elif answer.model is not None:
        yield from of_the_model(answer, question, elsewhere)
    elif pairs.cars < MIN_STUDIES:
        yield f"Measured on {cars_in_words(pairs.cars)} only: too few to say how another car will do, so no interval is given."
    yield from about_size(answer)
    yield from about_baseline(answer)
    yield from slot_cautions(question.slots)
    if answer.state is None and answer.headline is not None:
        yield NO_MODEL if answer.asked.model else NOT_ASKED
    yield from behind_caution(answer.state)
    if answer.headline is not None and answer.headline.base is None:
        yield "The air was not fully recorded on these cars: the gain is known in percent only."
    yield from about_pairs(answer)
    if answer.headline is not None and question.aspiration != "natural" and answer.asked.standard != "none":
        yield f"{BOOSTED}; the percentage hardly depends on it."
    if answer.headline is not None and is_spark_form(question.ignition, answer.asked.standard):
        yield DIESEL
    yield from cost_cautions(answer)
    yield NO_PROMISE
    yield LAWFUL


def of_the_model(
    answer: "TypicalGain", question: Question, elsewhere: Sequence[tuple[str, int]]
) -> Iterator[str]:
    """How far the model's figure rests on this platform's own cars, and what it could not take apart."""
    cars, model = answer.pairs.cars, answer.model
    if cars == 0 and answer.pairs.cars_compared:
        yield f"{out_of_reach(answer)}: this is judged from other cars."
    elif answer.cars_here == 0:
        yield f"Borrowed: no {question.platform_name} was measured with it; this is judged from other kinds of car."
        yield from where_measured(question, elsewhere)
    elif cars == 0:
        yield (
            "No car here was measured with and without it alone: this is worked out from cars on which other parts were "
            "changed too."
        )
    elif cars < MIN_STUDIES:
        judged = "what is usual in shops, for this ledger has few cars yet"
        if model is None or model.of_cars >= FEW_CARS:
            judged = "other parts and other kinds of car"
        yield f"Measured on {cars_in_words(cars)} only: how sure this is, is judged from {judged}."
    if answer.entangled:
        yield (
            f"Cannot be told apart here from {' and '.join(map(quoted, answer.entangled))}: they were changed together. Ask for what "
            "they do together (build-estimate)."
        )
    if model is not None and model.cars_unlike:
        yield CARS_UNLIKE
    pooled = answer.pairs.pooled
    if (
        model is not None
        and pooled is not None
        and pooled.interval is not None
        and answer.pairs.context == answer.context
        and disagrees(model.known.mean, model.known.variance, pooled.mean, pooled.se**2)
    ):
        yield (
            "The pairs alone say something else than the whole history, beyond the errors of both: look at the pairs "
            "before relying on either."
        )


def about_baseline(answer: "TypicalGain") -> Iterator[str]:
    """Whether the reading entered for the asker's own car can be one of such a car."""
    typical = (answer.model.stock if answer.model else None) or answer.pairs.base
    if not answer.asked.baseline or typical is None:
        return
    times = answer.asked.baseline / typical
    if 1.0 / FAR_BASELINE <= times <= FAR_BASELINE:
        return
    size = (
        f"{times:,.0f} times"
        if times > 10.0
        else f"{times:.1f} times"
        if times > 1.0
        else f"{100 * times:.2g} % of"
    )
    yield (
        f"The reading entered for this car lies far outside what stock cars of this kind read here, {size} the typical one: "
        "check its value and units."
    )


def out_of_reach(answer: "TypicalGain") -> str:
    """How many cars were compared, none of them by the measure asked."""
    one = answer.pairs.cars_compared == 1
    return f"Measured on {'one car, but not' if one else f'{answer.pairs.cars_compared} cars, none of them'} {reach(answer.asked.measure)}"


def reach(measure: Measure) -> str:
    """Where a measure looks, in words."""
    if measure.rpm is not None:
        return f"at {measure.rpm:,.0f} rpm"
    if measure.from_rpm is not None:
        return f"from {measure.from_rpm:,.0f} to {measure.to_rpm:,.0f} rpm"
    return f"by its peak {measure.quantity}"


def about_size(answer: "TypicalGain") -> Iterator[str]:
    """Whether the gain is established at all."""
    if answer.headline is None or answer.headline.interval is None:
        return
    low, high = answer.headline.interval
    if low <= 0 <= high:
        yield "Gain not established: the interval includes nought, so there is no cost per unit either."
        chance = answer.headline.chance
        if answer.model is not None and chance is not None and chance > LIKELY:
            yield "The chance of a gain also counts that parts are made to gain; the interval is what was measured."
    elif high < 0:
        yield "This part lost power or torque on the cars measured."


def about_pairs(answer: "TypicalGain") -> Iterator[str]:
    """What holds of the comparisons listed."""
    pairs = answer.pairs
    if pairs.left_out:
        yield f"{pairs.left_out} comparison{plural(pairs.left_out)} left out: doubts stand against the pulls, not confirmed."
    if pairs.peaks_only:
        has = "has" if pairs.peaks_only == 1 else "have"
        each = "" if pairs.peaks_only == 1 else "each "
        yield f"{pairs.peaks_only} of the cars {has} peak figures only, {each}read as one best pull."
    if pairs.unlike is not None:
        yield pairs.unlike
    if pairs.cars and pairs.context == "as-usually-fitted":
        of_pairs = "the pairs' own figure" if answer.model else "this"
        yield f"Some of these cars had other parts fitted: {of_pairs} is the gain next to what is usually fitted with it."
    if answer.model is not None and answer.context == "as-usually-fitted":
        yield "This is the gain next to what is usually fitted with it, not on an otherwise stock car."
    if any(shown.used and shown.row.with_.bay_id != shown.row.without.bay_id for shown in pairs.pairs):
        yield "Some cars were measured in one bay without it and in another with it: the interval allows for it."


def is_spark_form(ignition: str, standard: str) -> bool:
    """Whether a diesel is corrected by a form that was made for spark ignition."""
    return ignition == "compression" and standard != "none" and STANDARDS[standard].engine_rule is None


def cost_cautions(answer: "TypicalGain") -> Iterator[str]:
    """What the cost leaves out."""
    cost = answer.cost
    if cost.price is None:
        yield "No price is recorded for this part, so there is no cost per unit."
    elif cost.labour_hours is None:
        yield "No fitting time is recorded for this part: its cost is the price alone."
    elif cost.labour_hours and cost.labour_rate is None:
        yield "The shop has no labour rate in this currency (settings: labour_rate, currency): the fitted cost is not known."


def nothing_known(
    answer: "TypicalGain", question: Question, elsewhere: Sequence[tuple[str, int]]
) -> Iterator[str]:
    """No usable comparison anywhere: say so, and where there are some against nothing."""
    if answer.pairs.cars_compared:
        yield f"{out_of_reach(answer)}. No number is given: ask for a peak, or for another speed or band."
        return
    against = f" against {quoted(question.against_name)}" if question.against_name else ""
    where = f"{quoted(question.part_name)}{against} on {question.platform_name}"
    yield f"Not measured: the ledger holds no usable comparison of {where}. No number is given."
    yield from where_measured(question, elsewhere)


def where_measured(question: Question, elsewhere: Sequence[tuple[str, int]]) -> Iterator[str]:
    """On which other kinds of car there are comparisons."""
    others = [(name, cars) for name, cars in elsewhere if name != question.platform_name]
    if others:
        places = ", ".join(f"{name} ({cars} car{plural(cars)})" for name, cars in others[:3])
        yield f"Against the same car without it, it was measured on {places}."


def behind_caution(state: "ModelState | None") -> Iterator[str]:
    """That what was posted last is not in it yet."""
    if state is not None and state.behind:
        yield f"What was posted after {state.as_of:%Y-%m-%d %H:%M:%S} UTC is not in it yet; ask again in a moment."


def unsearched(state: "ModelState | None", worked: "Worked[object] | None") -> str | None:
    """What is said instead of an answer where nothing of it was worked out yet; None where something was."""
    return SEARCHING if worked is None and state is not None else None


def not_ready(state: "ModelState | None", worked: "Worked[object] | None") -> Iterator[str]:
    """That there is no model yet, or that what was worked out of it is not there yet, or is of an older state."""
    if state is None:
        yield NO_VERDICT_YET
    elif worked is None:
        yield SEARCHING
    else:
        yield from behind_caution(worked.state)


def cars_in_words(cars: int) -> str:
    """`one car`, `two cars`."""
    return "one car" if cars == 1 else "two cars" if cars == 2 else f"{cars} cars"


def plural(count: int) -> str:
    """The letter that makes a word plural."""
    return "" if count == 1 else "s"
