"""What the bays' figures mean, in plain words: a bay's day, its check car, how well it repeats.

Never a diagnosis: a day on which all cars read low is `consistent with` the bay.
"""

from collections.abc import Sequence
from datetime import date
from typing import Final

from service.domain.names import listed

CHECKED: Final = {
    "first": "First reading",
    "inside": "Inside",
    "warning": "Warning",
    "outside": "Outside: stop publishing",
    "not-checked": "Not checked",
}
"""Where a bay stands by its check car."""


def agreement_words(bays: Sequence[tuple[str, float | None, str]]) -> str:
    """How far the bays agree, what is urgent first. bays: name, reading over the mean of the bays [%] and state of each."""
    outside = [name for name, _, state in bays if state == "outside"]
    said = []
    if outside:
        one = len(outside) == 1
        said.append(
            f"Stop publishing figures of {listed(outside)} until {'it has' if one else 'they have'} been looked at: the check car "
            "reads outside its limits there."
        )
    known = sorted((percent, name) for name, percent, _ in bays if percent is not None)
    if len(known) > 1:
        (low, lowest), (high, highest) = known[0], known[-1]
        said.append(
            f"{lowest} reads lowest and {highest} highest, {high - low:.1f} % apart; the answers allow for that, a printed figure "
            "does not."
        )
    inside = [name for name, _, state in bays if state == "inside"]
    if inside and len(inside) == len(bays):
        said.append(
            f"The check car last read inside its limits in {'all of them' if len(bays) > 1 else 'it'}."
        )
    alone = [name for name, percent, _ in bays if percent is None]
    if alone:
        said.append(f"{listed(alone)} cannot be compared with another bay: no car was measured in both.")
    return " ".join(said) or "No bay has been measured in yet."


def written(day: date) -> str:
    """A day as it is read aloud."""
    return f"{day.day} {day:%B %Y}"


def side(percent: float) -> str:
    """How far off, to a side [%]."""
    if abs(percent) < 0.05:
        return "as expected"
    return f"{abs(percent):.1f} % {'high' if percent > 0.0 else 'low'}"


def cars_of_a_day(cars: int, others: bool) -> str:
    """The cars of a day, or those beside one of them."""
    more = "other " if others else ""
    return f"the {cars} {more}cars" if cars > 1 else f"the one {more}car"


def day_words(
    cars: int,
    median: float | None,
    limit: float | None,
    state: str,
    *,
    reach: int = 0,
    others: bool = False,
    checked: bool = False,
) -> str:
    """Is it the car or the bay? By the median deviation of a day's cars and the limit that so many allow [%].

    reach: so many days before and after it were taken in; others: said of one of that day's cars, which is not among them;
    checked: the check car is among them.
    """
    if not cars or median is None or limit is None:
        return (
            f"No {'other ' if others else ''}car measured there {when(reach)} tells anything about the bay: measure the check "
            "car, or cars that were here before."
        )
    read = f"{cars_of_a_day(cars, others)} measured there {when(reach)} read {side(median)}"
    allowed = f"by chance {'they' if cars > 1 else 'it'} may lie {limit:.1f} % off"
    if state == "too-few" and cars == 1 and checked:
        return only_check_car(median, limit, when(reach), others)
    if state == "too-few":
        return f"{_begun(read)}, and {allowed}. {too_few(checked)}"
    if state == "outside":
        return (
            f"{_begun(read)} in the middle, where {allowed}: consistent with the bay (machine, weather probe, air in the room), "
            "not with the cars. Look at the bay before any car."
        )
    last = "look at the car" if others else "a car that lies off among them lies off by itself"
    return f"{_begun(read)} in the middle; {allowed}: consistent with the bay as it always is, so {last}."


def only_check_car(median: float, limit: float, on: str, others: bool) -> str:
    """A day's one car is the check car: two figures of it stand on the page, held against two things [%]."""
    return (
        f"The one {'other ' if others else ''}car measured there {on} is the check car: by the whole history it read {side(median)}, "
        f"and by chance it may lie {limit:.1f} % off. One car cannot tell the bay from the car. Its own limits say more: they hold it "
        "against its earlier readings in this bay alone, so the figure there may be a little other."
    )


def too_few(checked: bool) -> str:
    """What to do where so few cars give no verdict."""
    if checked:
        return "So few cannot tell the bay from the car; the check car was among them, and its own limits say more."
    return "So few cannot tell the bay from the car: measure the check car, or cars that were here before."


def when(reach: int) -> str:
    """On a day, or on it and so many days before and after."""
    return "that day" if not reach else f"within {reach} day{'s' if reach > 1 else ''} of it"


def _begun(words: str) -> str:
    return words[:1].upper() + words[1:]


def check_words(
    state: str,
    vehicle: str = "",
    day: date | None = None,
    deviation: float = 0.0,
    limits: tuple[float, float] = (0, 0),
) -> str:
    """What the check car says of a bay: by its newest reading there, its deviation and its warning line and limit [%]."""
    if day is None:
        return (
            "No check car was measured here, so nobody can say whether the bay stands where it stood. Keep one car for it: "
            "three pulls a week, and after any work on the bay."
        )
    read = f"the check car {vehicle} read {side(deviation)} on {written(day)}"
    warning, limit = limits
    if state == "first":
        return f"First reading: {vehicle} on {written(day)}. There is nothing to hold it against yet."
    if state == "outside":
        return f"Outside: {read}, beyond its limit of {limit:.1f} %. Stop publishing figures of this bay until it was looked at."
    if state == "warning":
        return (
            f"Warning: {read}, beyond the warning line at {warning:.1f} % but inside the limit of {limit:.1f} %. Measure it "
            "again before the next customer's car."
        )
    return f"Inside: {read}, within the warning line at {warning:.1f} %."


def repeat_words(
    sd: float | None, interval: tuple[float, float] | None, pulls: int, setups: int, level: float
) -> str:
    """How far one pull lies from the mean of its setup [%]."""
    if sd is None or interval is None:
        return "No setup of two pulls or more was measured here, so how well the bay repeats is not known."
    return (
        f"A pull typically lies {sd:.2f} % from the mean of its setup (standard deviation; "
        f"{interval[0]:.2f} to {interval[1]:.2f}, {100 * level:.0f} % sure), from {pulls:,} pulls of {setups:,} setups."
    )


def trend_words(slope: float | None, low: float = 0.0, high: float = 0.0, level: float = 0.9) -> str:
    """Whether it repeats worse with time: by what share the spread grows a year [%]."""
    if slope is None:
        return "Too few quarters with repeats to say whether that changes."
    if low > 0.0:
        return f"It repeats worse with time: the spread grows by {slope:.0f} % a year ({low:.0f} to {high:.0f}, {100 * level:.0f} % sure)."
    if high < 0.0:
        return f"It repeats better with time: the spread shrinks by {-slope:.0f} % a year ({-high:.0f} to {-low:.0f}, {100 * level:.0f} % sure)."
    return "No change with time that is more than chance."


def pair_words(names: tuple[str, str], cars: int, linked: bool) -> str:
    """What is known of two bays together."""
    a, b = names
    if cars:
        return f"{cars} car{'s' if cars > 1 else ''} ever measured in both."
    if linked:
        return f"No car in both; compared through other bays that share cars with {a} and with {b}."
    return "Not comparable: no car, in any number of steps, leads from one to the other. Measure one car in both."
