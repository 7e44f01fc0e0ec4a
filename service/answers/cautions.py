"""What must be said beside a figure, in words for the person it is shown to."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from service.domain.correction import STANDARDS
from service.stats.pooling import MIN_STUDIES
from service.store.evidence import Question

if TYPE_CHECKING:
    from service.answers.typical_gain import TypicalGain

NO_PROMISE = "These are wheel figures from this shop's machines under stated conditions; they are no promise for another car."
LAWFUL = "A modified car may be unlawful on public roads: local law and inspection rules decide, ask the authority."
DIESEL = (
    "Diesel engine: the factor is the standard's form for spark ignition, so the power is only roughly corrected; the "
    "percentage hardly depends on it."
)
NOT_A_VERDICT = "A car that reads low needs a qualified person's look, not a verdict from a number."


def gain_cautions(
    answer: "TypicalGain", question: Question, elsewhere: Sequence[tuple[str, int]]
) -> Iterator[str]:
    """Everything a reader of a typical gain must know, gravest first."""
    if answer.cars == 0:
        yield from nothing_known(answer, question, elsewhere)
    elif answer.cars < MIN_STUDIES:
        cars = "one car" if answer.cars == 1 else "two cars"
        yield f"Measured on {cars} only: too few to say how another car will do, so no interval is given."
    if answer.pooled is not None and answer.pooled.interval is not None:
        low, high = answer.pooled.interval
        if low <= 0 <= high:
            yield "Gain not established: the interval includes nought, so there is no cost per unit either."
        elif high < 0:
            yield "This part lost power or torque on the cars measured."
    if answer.cars and not answer.asked.baseline and answer.base is None:
        yield "The air was not fully recorded on these cars: the gain is known in percent only."
    if answer.left_out:
        yield f"{answer.left_out} comparison{plural(answer.left_out)} left out: doubts stand against the pulls, not confirmed."
    if answer.peaks_only:
        yield f"{answer.peaks_only} of the cars have peak figures only, each read as one best pull."
    near = sum(shown.used and shown.row.held and shown.row.match <= 1 for shown in answer.pairs)
    if answer.cars and 2 * near < answer.cars:
        yield "Most of these comparisons are not like for like: other days, other bays, or conditions that moved."
    if answer.context == "as-usually-fitted" and answer.cars:
        yield "Some of these cars had other parts fitted: this is the gain next to what is usually fitted with it."
    if answer.cars and question.aspiration != "natural" and answer.asked.standard != "none":
        yield (
            "Boosted engine: its boost control makes up for thin air in part, so correction overstates its power in "
            "thin air; the percentage hardly depends on it."
        )
    if answer.cars and is_spark_form(question.ignition, answer.asked.standard):
        yield DIESEL
    if answer.cars and any(
        shown.used and shown.row.with_.bay_id != shown.row.without.bay_id for shown in answer.pairs
    ):
        yield "Some cars were measured in one bay without it and in another with it: the interval allows for it."
    yield from cost_cautions(answer)
    yield NO_PROMISE
    yield LAWFUL


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
    """No usable comparison here: say so, and where there are some."""
    against = f" against {question.against_name}" if question.against_name else ""
    where = f"{question.part_name}{against} on {question.platform_name}"
    yield f"Not measured: the ledger holds no usable comparison of {where}. No number is given."
    if answer.pairs and not answer.left_out:
        yield "There are comparisons, but none with this measure: ask for a peak, or for another speed or band."
    if elsewhere:
        places = ", ".join(f"{slug} ({cars} car{plural(cars)})" for slug, cars in elsewhere[:3])
        yield f"Against the same car without it, it was measured on {places}."


def plural(count: int) -> str:
    """The letter that makes a word plural."""
    return "" if count == 1 else "s"
