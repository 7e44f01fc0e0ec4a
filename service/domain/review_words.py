"""A review in sentences, most urgent first: short, one fact each, figures with their unit and rounded to their noise.

Messages of checks are kept in SI and are said as they are, but for the spacing of their units.
"""

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from typing import TypeVar

from service.domain.names import listed
from service.domain.pairing import is_unrecorded
from service.domain.review import (
    DISAGREE,
    FEW_CARS,
    SLACK,
    STOP,
    Comparison,
    Drift,
    Place,
    Remarked,
    Review,
    SetupReview,
    printed,
    said,
)
from service.domain.review_figures import (
    PERCENT_STEPS,
    TWO_SIDED,
    capital,
    condition_text,
    counted,
    difference_text,
    percent_step,
    power,
    shown_percent,
    signed_percent,
    signed_power,
    stepped,
)
from service.domain.units import from_si, unit_of

T = TypeVar("T")

MOST = 12
"""A person at the car reads no more (our choice)."""
LOWER, UPPER = 25.0, 75.0
"""Percentiles between which a car is said to lie in the middle (our choice)."""
LOW = 10.0
"""Percentile under which a stock car reads low enough to say what that is not (our choice)."""
SAFETY = (
    "No further pull until a qualified person has looked; nobody stands near the car while the rollers turn."
)
NOT_A_VERDICT = "A car that reads low needs a qualified person's look, not a verdict from a number."
HOW_NEAR = {
    "same-session-aba": "one state measured twice",
    "same-session": "in this session",
    "same-day": "strapped down anew on the same day",
    "other-day": "against another day",
    "other-bay": "against another bay",
    "peaks-only": "by peak figures only",
}


def sentences(review: Review, units: str) -> list[str]:
    """The whole review in at most MOST sentences; the last one says what was left out."""
    every = list(dict.fromkeys(all_sentences(review, units)))
    if len(every) <= MOST:
        return every
    return [*every[: MOST - 1], f"And {len(every) - MOST + 1} more: read the findings."]


def all_sentences(review: Review, units: str) -> Iterator[str]:
    """Everything there is to say, most urgent first."""
    several = len(review.setups) > 1
    repeats = [(setup, repeat) for setup in review.setups for repeat in setup.repeats]
    told = {(setup.n, code) for setup, repeat in repeats for code in repeat.codes}
    yield from stops(review, several)
    if review.struck:
        yield "This session is struck: it counts nowhere."
    for setup in review.setups:
        yield from repeats_words(setup, several)
    yield from remarks([one for one in review.doubts() if one.code not in STOP], told, several)
    if len(review.look_first()) > 1:
        yield f"Look in this order: {', then '.join(review.look_first())}."
    for setup in review.setups:
        yield from setup_words(setup, review, units, several)
    yield from smallest_words(review, units)
    yield from comparisons_words(review, units)
    yield from place_words(review, units)
    notes = [one for one in review.findings if one.open and not one.is_doubt()]
    yield from remarks(notes, told, several)


def stops(review: Review, several: bool) -> Iterator[str]:
    """What must be looked at before anybody pulls again."""
    found = [one for one in review.doubts() if one.code in STOP]
    if found:
        where = places_of(found, several)
        yield f"{capital(printed(found[0].message.rstrip('.')))}{f' ({where})' if where else ''}."
        yield SAFETY


def repeats_words(setup: SetupReview, several: bool) -> Iterator[str]:
    """`Repeat pull 2: ...`, or that one more is wanted; pulls to be repeated for the same reason in one sentence."""
    of = f" of setup {setup.n}" if several else ""
    for group in grouped(setup.repeats, lambda repeat: repeat.codes):
        named = numbered("pull", [repeat.pull for repeat in group])
        whose = whose_figures([repeat.why for repeat in group])
        if named and not group[0].again:
            yield ended(f"{capital(named)}{of}{whose}: {group[0].why}")
        elif named:
            yield ended(f"Repeat {named}{of}{whose}: {group[0].why}")
        else:
            yield f"Setup {setup.n}: {group[0].why}." if several else f"{capital(group[0].why)}."


def remarks(found: Sequence[Remarked], told: set[tuple[int, str]], several: bool) -> Iterator[str]:
    """Findings in the order given, one sentence for each fact; what was told is left out.

    A fact is what one check says of any number of pulls; of whole setups only the very same words are one.
    """
    fresh = [one for one in found if one.setup_n is None or (one.setup_n, one.code) not in told]

    def alike(one: Remarked) -> Hashable:
        return one.code, one.message if one.pull_n is None else None

    for group in grouped(fresh, alike):
        where = ", ".join(part for part in (capital(group[0].area), places_of(group, several)) if part)
        yield ended(f"{where}{whose_figures([one.message for one in group])}: {said(group[0])}")


def whose_figures(messages: Sequence[str]) -> str:
    """Whose figures a sentence of several pulls shows, where they differ."""
    return "" if len(set(messages)) == 1 else " (the first one's figures)"


def ended(words: str) -> str:
    """With its full stop, unless it ends by asking."""
    return words if words.endswith("?") else f"{words}."


def grouped(members: Iterable[T], alike: Callable[[T], Hashable]) -> list[list[T]]:
    """The members in their order, those alike together."""
    groups: dict[Hashable, list[T]] = {}
    for one in members:
        groups.setdefault(alike(one), []).append(one)
    return list(groups.values())


def places_of(group: Sequence[Remarked], several: bool) -> str:
    """`setup 2, pulls 3 and 4`, as far as it is known and tells apart; of several setups each with its own pulls."""
    of_setup = grouped(group, lambda one: one.setup_n)
    pulls = [numbered("pull", [one.pull_n for one in own]) for own in of_setup]
    setups = [numbered("setup", [own[0].setup_n]) if several else "" for own in of_setup]
    if len(of_setup) > 1 and len(set(pulls)) == 1:
        every = numbered("setup", [own[0].setup_n for own in of_setup]) if several else ""
        return ", ".join(part for part in (every, pulls[0]) if part)
    places = zip(setups, pulls, strict=True)
    return "; ".join(", ".join(part for part in place if part) for place in places)


def numbered(name: str, numbers: Iterable[int | None]) -> str:
    """`pulls 3 and 4`; nothing where no number is known."""
    known = list(dict.fromkeys(str(number) for number in numbers if number is not None))
    return f"{name}{'s' if len(known) > 1 else ''} {listed(known)}" if known else ""


def setup_words(setup: SetupReview, review: Review, units: str, several: bool) -> Iterator[str]:
    """What a setup reads and how well its pulls agree, then what moved between them."""
    head = f"{name_of(setup)}: " if several else ""
    if setup.struck:
        if not review.struck:
            yield f"Setup {setup.n} is struck: it counts nowhere."
        return
    if not setup.pulls:
        yield capital(f"{head}no pull counts: all are settling, rejected or struck.")
        return
    if setup.mean_kw is None:
        yield capital(f"{head}{agreement(setup, review)}.")
    else:
        figure = f"{power(setup.mean_kw, setup.error, units)} {setup.standing}"
        yield f"{head}{figure}{'; ' if ':' in setup.standing else ', '}{agreement(setup, review)}."
    head = f"Setup {setup.n}: " if several else ""
    yield from (capital(f"{head}{drift_words(drift, units)}.") for drift in setup.drifts if drift.outside)


def name_of(setup: SetupReview) -> str:
    """`Setup 2 (wide-pipe)`: by the bay's own word for it, or what is fitted."""
    called = setup.label or listed(setup.parts)
    return f"Setup {setup.n} ({called})" if called else f"Setup {setup.n}"


def agreement(setup: SetupReview, review: Review) -> str:
    """`three pulls within 0.4 %; nothing needs repeating`, as far as that is so."""
    if setup.peaks_only:
        return "peak figures only: nothing is known of how well its pulls agree"
    pulls = f"{counted(setup.pulls)} pull{'' if setup.pulls == 1 else 's'}"
    if setup.range is None:
        return pulls
    within = f"{pulls} within {shown_percent(setup.range)} %"
    if setup.repeats or setup.explained is None:
        return within
    doubts = [one for one in review.doubts() if one.about(setup.n)]
    if any(one.code == DISAGREE for one in doubts):
        return within
    return f"{within}; {'they agree, but a doubt stands' if doubts else 'nothing needs repeating'}"


def drift_words(drift: Drift, units: str) -> str:
    """`inlet air went from 31 to 39 °C between the pulls; 3 °C counts as held`."""
    what = drift.condition
    first, last = (condition_text(value, what.quantity, units) for value in (drift.first, drift.last))
    symbol = "" if what.quantity is None else f" {unit_of(what.quantity, units).symbol}"
    window = difference_text(what.window, what.quantity, units)
    if drift.range > abs(drift.last - drift.first) + SLACK:  # the extremes are not at the ends
        most = difference_text(drift.range, what.quantity, units)
        return f"{what.words} moved by {most}{symbol} between the pulls; {window}{symbol} counts as held"
    return (
        f"{what.words} went from {first} to {last}{symbol} between the pulls; {window}{symbol} counts as held"
    )


def smallest_words(review: Review, units: str) -> Iterator[str]:
    """The smallest change that one more state could show, by the last setup that counts."""
    known = [setup for setup in review.setups if setup.smallest is not None and not setup.peaks_only]
    if not known or review.struck:
        return
    setup = known[-1]
    assert setup.smallest is not None
    size = f"{shown_percent(setup.smallest)} %"
    if setup.mean_kw is not None:
        change = setup.mean_kw * setup.smallest
        size += f" ({float(from_si(change, 'power', units)):.1f} {unit_of('power', units).symbol})"
    pulls = f"{counted(setup.pulls)} pull{'' if setup.pulls == 1 else 's'}"
    yield f"With {pulls} a side, a change under {size} cannot be told from nothing."
    yield f"This bay's pulls spread by {100.0 * review.pull_spread:.2f} %."


def comparisons_words(review: Review, units: str) -> Iterator[str]:
    """What the before/after pairs show, or that there is none; of other sessions' pairs those that answers count."""
    inside = [one for one in review.comparisons if one.match.startswith("same-session")]
    if not inside and sum(setup.pulls > 0 for setup in review.setups) > 1:
        yield "No before/after pair in this session: a pair needs two states that differ by one part."
    for one in review.comparisons:
        if one.usable or one in inside:
            yield f"{comparison_words(one, units)}."


def comparison_words(one: Comparison, units: str) -> str:
    """A pair in one sentence without its full stop."""
    against = f" against {one.against}" if one.against else ""
    body = f"{one.part}{against}: {gain_words(one, units)}, {HOW_NEAR[one.match]}"
    if one.returned is not None:
        body += f" ({returned_words(one.returned)})"
    if not one.usable:
        return f"{body}; left out of the answers while a doubt stands"
    return f"{body}; {'conditions held' if one.held else differs_words(one, units)}"


def returned_words(returned: float) -> str:
    """How the repeated state read against its first reading."""
    size = stepped(100.0 * abs(returned), PERCENT_STEPS[0])
    if size == "0":
        return "the same again"
    return f"{size} % {'higher' if returned > 0 else 'lower'} the second time"


def gain_words(one: Comparison, units: str) -> str:
    """The gain with its interval."""
    if one.gain is None or one.interval is None:
        return "peak power cannot be compared"
    noise = (one.interval[1] - one.interval[0]) / 2.0
    low, high = (signed_percent(end, noise) for end in one.interval)
    if not one.established:
        return f"no change established, between {low} and {high} %"
    size = ""
    if one.gain_kw is not None:
        half = abs(one.gain_kw / one.gain) * noise if one.gain else 0.0
        size = f" ({signed_power(one.gain_kw, half, units)})"
    return f"{signed_percent(one.gain, noise)} %{size} peak power, between {low} and {high} %"


def differs_words(one: Comparison, units: str) -> str:
    """`not held: inlet 24 °C before, 35 °C after; not recorded on both sides: coolant`."""
    moved = [difference_words(found, units) for found in one.differs if not is_unrecorded(found)]
    unknown = [COMPARED[found["what"]][0] for found in one.differs if is_unrecorded(found)]
    said = [f"not held: {', '.join(moved)}"] if moved else []
    said += [f"not recorded on both sides: {', '.join(unknown)}"] if unknown else []
    return "; ".join(said) or "not held"


def difference_words(difference: object, units: str) -> str:
    """One condition that was not the same on both sides."""
    assert isinstance(difference, dict)
    name, quantity, symbol = COMPARED[difference["what"]]
    if quantity is not None:
        symbol = f" {unit_of(quantity, units).symbol}"

    def text(value: object) -> str:
        if value is None:
            return "not recorded"
        if isinstance(value, int | float):
            return f"{condition_text(float(value), quantity, units)}{symbol}"
        return str(value)

    return f"{name} {text(difference['before'])} before, {text(difference['after'])} after"


COMPARED: dict[str, tuple[str, str | None, str]] = {
    "coolant_c": ("coolant", "temperature", ""),
    "oil_c": ("oil", "temperature", ""),
    "inlet_c": ("inlet air", "temperature", ""),
    "ethanol": ("ethanol share", None, ""),
    "lambda_mean": ("lambda", None, ""),
    "spark_advance_deg": ("spark advance", None, "°"),
    "map_max_kpa": ("manifold pressure", "pressure", ""),
    "tyre_pressure_kpa": ("tyre pressure", "tyre_pressure", ""),
    "ramp_rpm_s": ("ramp rate", None, " rpm/s"),
    "temperature_c": ("bay air", "temperature", ""),
    "pressure_kpa": ("air pressure in the bay", "pressure", ""),
    "gear": ("gear", None, ""),
    "ratio": ("engine over axle speed", None, ""),
    "tyre_size": ("tyres", None, ""),
}
"""What may differ between the sides of a pair, as pairing looks at it: in words, its quantity, else its symbol."""


def place_words(review: Review, units: str) -> Iterator[str]:
    """How the car sits among the platform's stock cars: its stock state before another, and no state in doubt."""
    sure = [
        (setup, setup.place)
        for setup in review.setups
        if setup.place is not None and not any(one.about(setup.n) for one in review.doubts())
    ]
    sure.sort(key=lambda found: not found[1].stock)
    for setup, place in sure[:1]:
        sentence = place_sentence(place, units)
        if len(review.setups) > 1:
            sentence = f"Setup {setup.n}: {sentence[:1].lower()}{sentence[1:]}"
        yield f"{sentence}."
        if is_low(place):
            yield NOT_A_VERDICT


def place_sentence(place: Place, units: str) -> str:
    """Where a setup lies among the stock cars, without its full stop."""
    if not place.cars or place.median_kw is None:
        return "No other stock car of this kind was measured yet: nothing to compare it with"
    cars = f"{place.cars} other stock car{'' if place.cars == 1 else 's'} of this kind"
    if place.deviation is None:
        return f"{cars} measured so far: too few to compare it with"
    side = side_words(place.deviation, place.noise)
    median = (
        f"median ({float(from_si(place.median_kw, 'power', units)):.0f} {unit_of('power', units).symbol})"
    )
    if not place.stock:
        return f"Does not count as stock: it reads {side} the {median} of {cars}"
    if place.cars < FEW_CARS:
        return f"{cars} so far: it reads {side} their {median}, too few for a verdict"
    part = "" if place.percentile is None else f"{part_words(place.percentile)} part "
    return f"{capital(f'{part}among {cars}')}: {above_words(place.above, place.cars)}, {side} their {median}"


def part_words(percentile: float) -> str:
    """In which part of a group a percentile lies: so few cars place nothing nearer."""
    return "lower" if percentile < LOWER else "upper" if percentile > UPPER else "middle"


def side_words(deviation: float, noise: float) -> str:
    """`3 % under`, rounded to the noise."""
    size = stepped(100.0 * abs(deviation), percent_step(100.0 * TWO_SIDED * noise))
    if size == "0":
        return "at"
    return f"{size} % {'over' if deviation > 0 else 'under'}"


def above_words(above: int, cars: int) -> str:
    """`above 3 of them`."""
    if above in (0, cars):
        return f"{'above' if above else 'below'} all of them"
    return f"above {above} of them"


def is_low(place: Place) -> bool:
    """Whether a stock car reads low among enough others."""
    if not place.stock or place.cars < FEW_CARS:
        return False
    return place.above == 0 if place.percentile is None else place.percentile < LOW
