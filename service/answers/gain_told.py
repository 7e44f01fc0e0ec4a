"""What a gain's curve and cars say in sentences: where in the revs, who gained nothing, who lost, the last ten.

Every answer names where on a page it belongs (`about`), and which other question it leads to (`see`).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from service.answers.gain_words import Teller, cars, number, speed, sure
from service.answers.pairs_gain import ShownPair
from service.answers.typical_gain import TypicalGain
from service.answers.unlike import differing_names
from service.answers.without_gain import WithoutGain, noise_floor, without_gain
from service.domain.names import listed, quoted
from service.domain.pairing import MATCHES
from service.stats.history.curves import Floats, Stretch
from service.store.evidence import Question
from service.store.gain_facts import Relative, Repeats

LAST = 10
"""How many of the newest tests are told one by one (our choice)."""
LEAST_STRETCH_RPM = 150.0
"""A shorter stretch is not put into words (our choice)."""

MATCH_WORDS = {
    "same-session-aba": "same strap-down, first state repeated last",
    "same-session": "same strap-down",
    "same-day": "same day, strapped down again",
    "other-day": "another day",
    "other-bay": "another bay",
    "peaks-only": "peak figures only",
}


@dataclass(frozen=True, slots=True)
class See:
    """Another question that this one leads to: the part asked about, and what it is held against."""

    part: str
    against: str | None
    words: str


@dataclass(frozen=True, slots=True)
class Said:
    """One question with its answer; `rows` are of one kind each, to be read below one another."""

    about: str
    question: str
    answer: tuple[str, ...]
    see: tuple[See, ...] = ()
    rows: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the answers rest on; `before` and `after` are the repeated pulls of the two sides."""

    question: Question
    found: TypicalGain
    tell: Teller
    relatives: Sequence[Relative]
    notes: str | None
    before: Repeats
    after: Repeats

    @property
    def used(self) -> list[ShownPair]:
        """The pair that counts of each car, with its gain, newest first."""
        counted = [pair for pair in self.found.pairs.pairs if pair.used and pair.percent is not None]
        return sorted(counted, key=lambda pair: pair.row.at, reverse=True)

    @property
    def floor(self) -> float:
        """What one test of one car cannot tell from nothing [%]."""
        return noise_floor(self.found)


def where_in_the_revs(facts: Facts) -> Iterator[Said]:
    """Where it gains and where it loses: by the model, before there is one by the pairs."""
    found = drawn(facts.found)
    if found is None:
        return
    rpm, typical, stretches = found
    known = np.isfinite(typical)

    def told(stretch: Stretch) -> str:
        inside = known & (rpm >= stretch.from_rpm) & (rpm <= stretch.to_rpm)
        at = int(np.abs(np.where(inside, typical, 0.0)).argmax())
        verb = "gains" if stretch.gains else "loses torque, and so power,"
        return (
            f"It {verb} from {speed(stretch.from_rpm)} to {speed(stretch.to_rpm)} rpm, in percent most at "
            f"{number(rpm[at])} rpm ({facts.tell.percent(typical[at])})."
        )

    def all_told(what: str, gains: bool) -> list[str]:
        alike = [stretch for stretch in stretches if stretch.gains == gains]
        long = [stretch for stretch in alike if stretch.width_rpm >= LEAST_STRETCH_RPM]
        short = f"A {what} was established over less than {number(LEAST_STRETCH_RPM)} rpm only."
        return [told(stretch) for stretch in long] or [
            short if alike else f"No {what} was established at any speed."
        ]

    yield Said("revs", "Where in the revs?", (*all_told("gain", True), *all_told("loss of torque", False)))


def drawn(found: TypicalGain) -> tuple[Floats, Floats, tuple[Stretch, ...]] | None:
    """The speeds [rpm], the gain at them [ln], and where it is established; None without a curve."""
    if found.model is not None:
        curve = found.model.curve
        return None if curve is None else (curve.gain.rpm, curve.gain.typical, curve.stretches)
    of_pairs = found.pairs.curve
    return None if of_pairs is None else (of_pairs.rpm, of_pairs.mean, of_pairs.stretches)


def torque_low_down(facts: Facts) -> Iterator[Said]:
    """What the lowest third of the rev range does, one-sided."""
    curve = facts.found.model.curve if facts.found.model else None
    if curve is None:
        return
    low, level = curve.low_end, (1.0 + facts.found.asked.level) / 2.0
    worst, best = facts.found.percent(low.gain.low), facts.found.percent(low.gain.high)
    if best < 0:
        side = f"it costs at least {number(-best, 1)} %"
    elif worst > 0:
        side = f"it adds at least {number(worst, 1)} %"
    else:
        side = f"it costs no more than {number(-worst, 1)} %"
    yield Said(
        "revs",
        "Does it cost torque low down?",
        (
            f"Over the lowest third, {speed(low.from_rpm)} to {speed(low.to_rpm)} rpm, torque changes by "
            f"{facts.tell.percent(low.gain.typical)} on average; {side} ({sure(level)}).",
        ),
    )


def how_many_gained_nothing(facts: Facts) -> Iterator[Said]:
    """Cars that read lower or the same, and how many of them, and of the others, one test can tell from nothing."""
    found = without_gain(facts.found)
    if not found.of:
        return
    yield Said(
        "cars",
        "How many gained nothing?",
        (
            one_gained(found) if found.of == 1 else some_gained(found),
            f"A test of one car cannot tell less than {number(facts.floor, 1)} % up or down from nothing.",
        ),
    )


def one_gained(found: WithoutGain) -> str:
    """Whether the one car gained nothing."""
    way = "lower with it" if found.clearly else "no higher with it" if found.cars else "higher with it"
    unsure = found.within or found.unsure_above
    return f"The one car read {way}{', by no more than one test can tell' if unsure else ''}."


def some_gained(found: WithoutGain) -> str:
    """How many of several cars gained nothing."""
    words = f"Of the {found.of} cars, {found.cars or 'none'} read lower with it, or the same"
    slight = "by no more than one test can tell"
    if found.cars:
        words += f": {found.clearly or 'none'} clearly, {found.within or 'none'} {slight}"
    if found.unsure_above:
        words += f"; {found.unsure_above} read higher, but {slight}"
    return f"{words}."


def who_lost(facts: Facts) -> Iterator[Said]:
    """Each car that clearly read lower, and what the ledger recorded about it; no tag, as a customer may read along."""
    lost = [pair for pair in facts.used if (pair.percent or 0.0) < -facts.floor]
    if not lost:
        return
    rows = [f"{month_and_gain(pair)}, {circumstances(facts, pair)}" for pair in lost[:LAST]]
    why = "The ledger records what was different, not why; a person has to look. Each car stands in the list of pairs."
    yield Said("cars", "Who lost, and what is on record about it?", (why,), rows=tuple(rows))


def month_and_gain(pair: ShownPair) -> str:
    """`March 2026: +5.0 %`: what of a test of another's car may be shown at the counter."""
    return f"{pair.row.at:%B %Y}: {number(pair.percent or 0.0, 1, plus=True)} %"


def circumstances(facts: Facts, pair: ShownPair) -> str:
    """How alike a pair's two sides were, in words."""
    place = facts.found.pairs.places[pair.row.with_.setup_id, pair.row.without.setup_id]
    how = MATCH_WORDS[MATCHES[pair.row.match]]
    differing = facts.tell.differences(place.differs)
    if differing:
        return f"{how}; {'; '.join(differing)}"
    return f"{how}, {'conditions held' if pair.row.held else 'conditions not fully recorded'}"


def the_last_ten(facts: Facts) -> Iterator[Said]:
    """The newest tests, one by one, without the cars' tags."""
    newest = facts.used[:LAST]
    if newest:
        which = f"What did the last {len(newest)} do?" if len(newest) > 1 else "What did the last one do?"
        yield Said("cars", which, ("Newest first:",), rows=tuple(month_and_gain(pair) for pair in newest))


def above_the_noise(facts: Facts) -> Iterator[Said]:
    """Whether the gain is larger than one test's noise; not asked where no car was measured with and without it."""
    head = facts.found.headline
    if head is None or not facts.found.pairs.cars:
        return
    cannot = f"a single test of one car cannot tell less than {facts.tell.gain(head.noise_floor, plus=False)} from nothing"
    if head.interval is not None and head.interval[0] <= 0.0 <= head.interval[1]:
        words = f"Not established: where the typical change lies includes nought; and {cannot}."
    elif abs(head.mean) <= head.noise_floor:
        words = f"Not on one car: {cannot}; only many cars together can."
    elif head.interval is None:
        words = f"Larger, but on too few cars to call it established: {cannot}."
    else:
        words = f"Yes: {cannot}, and the typical change is larger."
    yield Said("sure", "Is it larger than the dyno's noise?", (words,))


def anything_else_changed(facts: Facts) -> Iterator[Said]:
    """What differed between the two sides beside the part."""
    if not facts.used:
        return
    held = sum(pair.row.held for pair in facts.used)
    words = [
        f"The fitted parts differ by this one alone in every comparison counted; in {held or 'none'} of {cars(len(facts.used))} "
        "the conditions are known to have been held as well."
    ]
    pairs = facts.found.pairs
    moved, unrecorded = differing_names((pair.row for pair in pairs.pairs if pair.used), pairs.places)
    if moved:
        words.append(f"Not held in the others: {listed(moved)}; each is named in the list of pairs.")
    if unrecorded:
        words.append(f"Not recorded on both sides: {', '.join(unrecorded)}.")
    if facts.found.entangled:
        words.append(
            f"Other cars had it changed together with {listed([quoted(name) for name in facts.found.entangled])}; the two cannot be told apart."
        )
    yield Said("pairs", "Was anything else changed at the same time?", tuple(words))
