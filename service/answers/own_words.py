"""What a car's own readings say, in sentences a customer understands."""

from datetime import datetime

from service.answers.own_readings import OwnReadings
from service.stats.own_readings import Change

DOUBTS = {"weather-stuck": "the air was not measured anew"}
"""Doubts whose code does not say to a customer what is doubted; the others' codes are words."""


def sentences(found: OwnReadings, standing: str | None = None) -> dict[str, str | None]:
    """`standing`: how it stands among its kind; `first`: against its first reading; `since`: down since when; `returned`:
    whether it came back to stock; `in_doubt`: what counts nowhere because of a doubt, and why.

    What another sentence says of the same two readings is not said twice.
    """
    said = [one for one in (found.fall.last_high if found.fall else None, found.returned) if one is not None]
    return {
        "standing": standing,
        "first": None if found.first is not None and found.first in said else first_words(found),
        "since": since_words(found),
        "returned": returned_words(found),
        "in_doubt": in_doubt(found),
    }


def in_doubt(found: OwnReadings) -> str | None:
    """How many setups stand in doubt, by what doubts, and what would let them count."""
    doubted = [one.row for one in found.figures.values() if one.row.struck is None and one.row.doubts]
    if not doubted:
        return None
    codes = dict.fromkeys(code for row in doubted for code in row.doubts)
    why = "; ".join(DOUBTS.get(code, code.replace("-", " ")) for code in codes)
    are, count = ("is", "counts") if len(doubted) == 1 else ("are", "count")
    setups = f"{len(doubted)} setup{'' if len(doubted) == 1 else 's'}"
    return f"{setups} {are} in doubt ({why}) and {count} nowhere until confirmed or amended."


def day(at: datetime) -> str:
    """A date as one says it."""
    return f"{at.day} {at:%B %Y}"


def percent(value: float) -> str:
    """Percent without a sign; a tenth is what such readings can carry."""
    return f"{abs(value):.1f} %"


def direction(value: float) -> str:
    """Which way a change goes."""
    return "higher" if value > 0 else "lower"


def surely(level: float) -> str:
    """A level in words."""
    return f"{100 * level:.0f} % sure"


def first_words(found: OwnReadings) -> str | None:
    """Now against the first stock reading, or the first."""
    if found.first is None:
        return None
    begin = found.of(found.first.earlier).row
    if found.first_is_stock:
        which = f"first stock reading of {day(begin.at)}"
    else:
        which = f"first reading that can be compared, of {day(begin.at)}{fitted_then(found.first)}"
    if found.first.clear and not (found.first.earlier.complete and found.first.later.complete):
        loss = span(found.first, found.level)
        return f"Against its {which}, it reads {loss}: how much of that is parts, and how much the car, is not known."
    if found.first.clear:
        return f"That is {span(found.first, found.level)} than its {which}."
    return f"Against its {which}, that is no change this test can tell from nothing: {ends(found.first, found.level)}."


def fitted_then(first: Change) -> str:
    """What was fitted at the earlier reading, against now, where that must be said."""
    if not first.earlier.complete:
        return ", in which what was fitted is not known"
    if not first.later.complete:
        return ", while what is fitted now is not known"
    return "" if first.earlier.parts == first.later.parts else " with other parts fitted"


def span(change: Change, level: float) -> str:
    """A clear change: `3.1 % lower (1.4 to 4.8 %, 90 % sure)`."""
    low, high = sorted(abs(end) for end in change.interval_percent)
    return (
        f"{percent(change.percent)} {direction(change.percent)} ({low:.1f} to {high:.1f} %, {surely(level)})"
    )


def ends(change: Change, level: float) -> str:
    """A change that may be nothing: `somewhere between 1.2 % lower and 2.0 % higher, 90 % sure`."""
    low, high = change.interval_percent
    return f"somewhere between {percent(low)} {direction(low)} and {percent(high)} {direction(high)}, {surely(level)}"


def since_words(found: OwnReadings) -> str | None:
    """Down since when, against its own visits in the same state; what two visits can tell apart at all."""
    if found.now is None:
        return None
    least = f"Two visits can tell a change of about {percent(100 * found.told_apart)} from nothing, not less."
    if found.fall is not None:
        high, low = found.of(found.fall.last_high.earlier).row, found.of(found.fall.first_low).row
        loss = span(found.fall.last_high, found.level)
        return (
            f"Now it reads {loss} than in the same state on {day(high.at)}; the first lower reading is of "
            f"{day(low.at)}, so what happened lies between the two. {least} A number says that, not why: have it looked at."
        )
    if not found.in_state:
        return f"It was not measured in its present state at an earlier visit, so whether it is down is not known. {least}"
    last = found.in_state[-1]
    before = found.of(last.earlier).row
    if last.clear and last.log_ratio > 0.0:
        return f"In the same state on {day(before.at)} it read less: it is {span(last, found.level)} now. {least}"
    if last.clear:  # of several visits one has to lie further off before it is a fall
        return (
            f"It is not clearly down: it reads {span(last, found.level)} than in the same state on {day(before.at)}, but "
            f"among {len(found.in_state)} earlier visits one can lie that far off by chance. {least}"
        )
    return f"It is not clearly down: against the same state on {day(before.at)} it reads {ends(last, found.level)}. {least}"


def returned_words(found: OwnReadings) -> str | None:
    """Whether it came back to what it read stock, once it had been changed and put back."""
    if found.returned is None:
        return None
    if found.fall is not None and found.returned == found.fall.last_high:
        return "It had been changed in between and was put back to stock: it did not quite come back."
    before, after = found.of(found.returned.earlier).row, found.of(found.returned.later).row
    when = f"Put back to stock ({day(after.at)}) it reads"
    against = f"the last stock reading before it was changed ({day(before.at)})"
    if found.returned.clear:
        return f"{when} {span(found.returned, found.level)} than {against}: it did not quite come back."
    return f"{when} as before, as far as this test can tell: against {against} {ends(found.returned, found.level)}."
