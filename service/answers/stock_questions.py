"""What customers ask about a stock car's reading, answered in sentences from what the ledger holds, or said why not."""

from collections.abc import Iterator

from service.answers.gain_told import Said
from service.answers.gain_words import number
from service.answers.stock_spread import StockSpread
from service.domain.correction import STANDARDS
from service.domain.units import from_si, symbol
from service.store.evidence import StockQuestion


def stock_questions(question: StockQuestion, found: StockSpread, units: str) -> Iterator[Said]:
    """The questions that can be put to where stock cars lie."""
    yield at_the_engine(question, found, units)
    yield than_elsewhere(found)
    yield Said(
        "asked",
        "Is it the car, or the dyno today?",
        (
            "A bay that reads off moves all its cars of that day alike. What each bay reads against the others, and on which "
            "days it was off, stands on the page about the bays.",
        ),
    )
    yield Said(
        "asked",
        "Down since when?",
        ("A car's own earlier readings stand on its page, with how far two visits differ by chance.",),
    )
    yield Said(
        "asked",
        "What do wheels and tyres do to the reading?",
        (
            "Heavier wheels take power to spin up in a sweep, and a tyre's size and pressure change what the rollers see; "
            "neither changes the engine. Tyre size and pressure are kept with each session where they were recorded.",
        ),
    )
    yield like_an_automatic(question)
    yield Said(
        "asked",
        "Does mileage matter?",
        (
            "This data does not say: mileage is kept once for each car, not with each pull, so no fading shows in it.",
        ),
    )


def at_the_engine(question: StockQuestion, found: StockSpread, units: str) -> Said:
    """The maker's figure and the measured one, each by itself."""
    unit = symbol("power", units)
    rated = question.rated_power_kw
    words = [
        "No single number is given: what is lost between engine and wheels is not measured here, and differs from car to car."
    ]
    if rated is not None:
        words.append(f"The maker rates this engine at {number(from_si(rated, 'power', units))} {unit}.")
    else:
        words.append("The maker's rating of this engine is not recorded.")
    if found.spread is not None and found.asked.measure.name == "peak_power":
        words.append(
            f"Measured here at the wheels, its stock cars make {number(from_si(found.spread.mean, 'power', units))} {unit} "
            "on average. These are two different things."
        )
    return Said("asked", "What would it be at the flywheel?", tuple(words))


def than_elsewhere(found: StockSpread) -> Said:
    """Why two numbers of one car differ."""
    name = STANDARDS[found.asked.standard].name
    return Said(
        "asked",
        "Why is your number lower than the other shop's, or the brochure's?",
        (
            f"These figures are at the wheels, corrected to {name}. A brochure's are at the engine. Another shop may state "
            "the engine's, correct to another standard, or use another kind of machine; only figures of one place, one "
            "standard and one procedure can be held against each other.",
        ),
    )


def like_an_automatic(question: StockQuestion) -> Said:
    """Whether gearboxes are kept apart."""
    own = f"These cars are all recorded as {question.transmission}. " if question.transmission else ""
    return Said(
        "asked",
        "Is an automatic comparable with a manual?",
        (
            f"{own}A gearbox that takes other losses makes another kind of car here: the two are kept apart and not compared.",
        ),
    )
