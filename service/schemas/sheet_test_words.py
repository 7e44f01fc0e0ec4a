"""What was tested and how, in words: rows of a label and what holds for state A and for B, in the asked units.

What was not recorded says so; nothing is filled in.
"""

import re
from collections.abc import Collection, Iterator
from datetime import date, datetime
from typing import TYPE_CHECKING

from service.domain.checks import RULES
from service.domain.correction import STANDARDS
from service.domain.curve import SMOOTHING_WIDTH_RPM
from service.domain.derive import OBSERVED
from service.domain.levels import UNCORRECTED
from service.domain.names import listed
from service.domain.review_figures import (
    capital,
    shown_percent,
)
from service.domain.units import from_si, unit_of
from service.schemas.session_documents import Figures

if TYPE_CHECKING:
    from service.answers.sheet import InBay, Sheet
    from service.answers.sheet_states import Fitted, State
    from service.store.reading import PullRow

UNKNOWN = "not recorded"
UNMEASURED = "not measured"
ON_RECORD = "reason on record"
"""In place of why something was struck or amended: free text that may name a person, and the sheet leaves the house."""
KINDS = {
    "roller-inertia": "rollers, inertia",
    "roller-loaded": "rollers with a brake",
    "hub": "at the hubs",
}
STOCK = {
    "verified": "otherwise stock: checked by the shop",
    "declared": "otherwise stock: by the owner's word",
    "unknown": "whether it is otherwise stock was not checked",
}
LISTED = {
    "complete": "",
    "partial": "; the list may not be whole",
    "unknown": "; what else is fitted is not known",
}
OCTANE = {"ron": "RON", "mon": "MON", "aki": "AKI"}
TESTS = {
    "sweep": "sweep held by the brake",
    "inertia": "run against a mass",
    "steps": "held at speeds",
}
CHECKED = {
    "first": "its first reading there, nothing to hold it against",
    "inside": "inside its limits",
    "warning": "beyond its warning limit, inside its action limit",
    "outside": "OUTSIDE its limits",
}
EVENTS = {
    "recalibrated": "recalibrated",
    "repaired": "repaired",
    "weather-station-replaced": "weather station replaced",
}
Row = dict[str, str | None]


def day(at: date | datetime | None) -> str:
    """`18 March 2026`: never the time of day."""
    return UNKNOWN if at is None else f"{at.day} {at:%B %Y}"


def row(label: str, *states: str) -> Row:
    """A label with what holds for A and B; where both are the same, said once."""
    said = [printed(words) for words in states]
    if len(set(said)) == 1:
        return {"label": label, "both": said[0], "a": None, "b": None}
    return {"label": label, "both": None, "a": said[0], "b": said[1]}


def printed(words: str) -> str:
    """Words with a minus where a figure is below nought."""
    return re.sub(r"(?<![\w.])-(?=\d)", "\u2212", words)


def tested(sheet: "Sheet") -> Iterator[Row]:
    """The car, every part that is not stock, calibration and fuel."""
    car, platform = sheet.car, sheet.platform
    year = "model year not recorded" if car.model_year is None else str(car.model_year)
    km = "odometer not recorded" if sheet.odometer_km is None else f"{sheet.odometer_km:,.0f} km"
    yield row("Car", f"{car.tag} (the shop's own tag): {platform.name}, {year}, {km}")
    yield row("Not stock", *map(fitted_words, sheet.states))
    yield row("The rest", *[STOCK[one.setup.stock_checked] for one in sheet.states])
    yield row("Calibration", *map(tune_words, sheet.states))
    yield row("Fuel", *map(fuel_words, sheet.states))


def part_words(part: "Fitted") -> str:
    """A part with the places it fills where its name does not say them."""
    places = [place.lower() for place in part.places if place.lower() not in part.name.lower()]
    return f"{part.name} ({', '.join(places)})" if places else part.name


def fitted_words(state: "State") -> str:
    """Every part that is not stock."""
    known = state.setup.parts_known
    if not state.fitted:
        return "nothing" if known == "complete" else f"nothing entered{LISTED[known]}"
    return "; ".join(map(part_words, state.fitted)) + LISTED[known]


def tune_words(state: "State") -> str:
    """The calibration by its label."""
    tunes = [part.name for part in state.fitted if part.is_tune]
    if tunes:
        return listed(tunes)
    return "the maker's own: no other entered" if state.setup.parts_known == "complete" else UNKNOWN


def fuel_words(state: "State") -> str:
    """Octane and ethanol."""
    setup = state.setup
    octane = (
        "octane not recorded"
        if setup.octane is None
        else f"{setup.octane:g} {OCTANE.get(setup.octane_method or '', 'octane, method not recorded')}"
    )
    ethanol = "ethanol not measured" if setup.ethanol is None else f"ethanol {100 * setup.ethanol:.0f} %"
    return f"{octane}, {ethanol}"


def where(sheet: "Sheet") -> Iterator[Row]:
    """Bay, gear, test, and whether the bay had been checked."""
    states = sheet.states
    yield row("Date", *[day(one.session.started_at) for one in states])
    yield row("Bay", *[bay_words(sheet.bays[one.session.bay]) for one in states])
    yield row("Figures", "at the wheels; at the flywheel: not estimated")
    yield row("Gear, ratio", *map(gear_words, states))
    yield row("Tyres", *[one.session.tyre_size or UNKNOWN for one in states])
    yield row("Test, ramp", *map(test_words, states))
    yield row("Last bay check", *[check_words(sheet.bays[one.session.bay]) for one in states])


def bay_words(found: "InBay") -> str:
    """The bay, its kind, and what was done to it last."""
    bay = found.bay
    done = f"; {EVENTS[bay.event]} {day(bay.event_at)}" if bay.event in EVENTS else ""
    return f"{bay.name}, {KINDS[bay.kind]}{done}"


def gear_words(state: "State") -> str:
    """Gear, and engine over axle speed."""
    session = state.session
    gear = "gear not recorded" if session.gear is None else f"gear {session.gear}"
    ratio = "ratio not recorded" if session.ratio is None else f"engine over axle {session.ratio:.2f}"
    return f"{gear}, {ratio}"


def test_words(state: "State") -> str:
    """How the speed rose."""
    kinds = {pull.test for pull in state.counted}
    kind = listed([TESTS[one] for one in sorted(filter(None, kinds))]) or "kind not recorded"
    ramps = [pull.ramp_rpm_s for pull in state.counted if pull.ramp_rpm_s is not None]
    if not ramps:
        return f"{kind}, ramp {UNKNOWN}"
    low, high = f"{min(ramps):.0f}", f"{max(ramps):.0f}"
    return f"{kind}, {low if low == high else f'{low} to {high}'} rpm/s"


def check_words(found: "InBay") -> str:
    """The check car's last reading before the test."""
    check = found.check
    if check is None:
        return "none before this test"
    reading = check.reading
    if reading.state == "first":
        return f"check car on {day(check.at)}: {CHECKED['first']}"
    off = f"{100 * reading.deviation:+.1f} %"
    limit = f"{100 * reading.action:.1f} %"
    return f"check car on {day(check.at)}: {off} from its mean, {CHECKED[reading.state]} ({limit})"


def corrected(sheet: "Sheet", units: str) -> Iterator[Row]:
    """The procedure, its formula, the factor used, and what was observed beside what was corrected."""
    standard, states = STANDARDS[sheet.standard], sheet.states
    show = Figures(units, sheet.standard).for_engine(states[-1].session.engine)
    asked = (
        "none: factor 1, the shop's policy for this sheet" if sheet.standard == UNCORRECTED else standard.name
    )
    yield row("Procedure", asked)
    if sheet.standard != UNCORRECTED:
        yield row("Formula", standard.formula)
    if any(one.ratio is None for one in states):
        yield row(
            "These stand", *[capital(standing(show, one) or "nowhere: no pull counts") for one in states]
        )
    yield row("Factor used", *[factor_words(show, one) for one in states])
    yield row("Peak observed", *[peak_words(one.observed_kw, units) for one in states])
    yield row("Peak corrected", *[corrected_words(one, units) for one in states])


def standing(show: Figures, state: "State") -> str | None:
    """What a state's figures are corrected to."""
    return show.standing(state.setup.level_standard, state.ratio, state.counted)


def factor_words(show: Figures, state: "State") -> str:
    """The factors of the pulls that count."""
    factors = [show.pull_factor(pull) for pull in state.counted]
    known = [factor for factor in factors if factor is not None]
    if not known or len(known) < len(factors):
        return "not known"
    low, high = f"{min(known):.3f}", f"{max(known):.3f}"
    if show.standard == UNCORRECTED:
        return "1, by policy: not corrected"
    return low if low == high else f"{low} to {high}"


def corrected_words(state: "State", units: str) -> str:
    """The corrected peak, where it could be corrected."""
    if state.setup.level_standard == OBSERVED:
        return "not corrected"
    return peak_words(state.power_kw, units)


def peak_words(kw: float | None, units: str) -> str:
    """A power to the tenth."""
    if kw is None:
        return "not known"
    return f"{float(from_si(kw, 'power', units)):.1f} {unit_of('power', units).symbol}"


def pulled(sheet: "Sheet", units: str) -> Iterator[Row]:
    """How many pulls there were and which count, their mean and spread, the best named as best."""
    yield row("Pulls", *map(pulls_words, sheet.states))
    reasons = [reason_words(one, sheet.amended_pulls) for one in sheet.states]
    if any(reasons):
        yield row("Not counted", *[reason or "all count" for reason in reasons])
    if any(one.setup.doubts for one in sheet.states):
        yield row("Doubts", *map(doubt_words, sheet.states))
    yield row("Mean peak power", *[mean_words(one, "power", units) for one in sheet.states])
    yield row("Best pull", *[best_words(one, units) for one in sheet.states])
    yield row("Mean peak torque", *[mean_words(one, "torque", units) for one in sheet.states])


def pulls_words(state: "State") -> str:
    """`5 made, 3 count, 1 settling, 1 rejected`."""
    settling, rejected = state.with_status("settling"), state.with_status("rejected")
    others = len(state.with_status("accepted")) - len(state.counted)
    kinds = (
        ("settling", len(settling)),
        ("rejected", len(rejected)),
        ("struck", len(state.struck_pulls)),
        ("of another footing", others if state.struck is None else 0),
    )
    said = [f"{n} {word}" for word, n in kinds if n]
    body = ", ".join([f"{len(state.pulls)} made", f"{len(state.counted)} accepted", *said])
    return body if state.struck is None else f"{body}; all struck, {ON_RECORD}"


def doubt_words(state: "State") -> str:
    """The doubts that stand against a state, each with what it is consistent with: never a diagnosis."""
    said = [
        code.replace("-", " ") + (f" (consistent with {RULES[code].means})" if code in RULES else "")
        for code in state.setup.doubts
    ]
    return "; ".join(said) or "none"


def reason_words(state: "State", amended: Collection[int]) -> str:
    """Why pulls do not count: by the reason they were posted with. amended: keys of those given their status later."""
    left: list[PullRow] = [*state.with_status("settling"), *state.with_status("rejected")]
    said = [f"pull {pull.n} {pull.status}{why_words(pull, amended)}" for pull in left]
    said += [f"pull {pull.n} struck, {ON_RECORD}" for pull in state.struck_pulls]
    return "; ".join(said)


def why_words(pull: "PullRow", amended: Collection[int]) -> str:
    """The reason behind a status; a pull that settled needs none."""
    if pull.pull_id in amended:
        return f": {ON_RECORD}"
    if pull.reason:
        return f": {pull.reason}"
    return "" if pull.status == "settling" else f": reason {UNKNOWN}"


def mean_words(state: "State", kind: str, units: str) -> str:
    """A mean peak with its speed and the spread of its pulls."""
    power = kind == "power"
    mean = state.power_kw if power else state.torque_peak_nm
    if mean is None:
        return UNMEASURED
    setup = state.setup
    rpm = setup.power_rpm if power else setup.torque_rpm
    spread = setup.power_spread if power else setup.torque_spread
    at = "" if rpm is None else f" at {rpm:,.0f} rpm"
    apart = "one pull: no spread" if spread is None else f"spread {shown_percent(spread)} %"
    if setup.best_of is not None:
        apart = f"worked back from {best_of_words(state)}"
    value = float(from_si(mean, kind, units))
    return f"{value:.1f} {unit_of(kind, units).symbol}{at}, {apart}"


def best_of_words(state: "State") -> str:
    """Of how many pulls a record of peaks is the best; where nobody wrote it down a number is assumed."""
    sure = all(pull.best_of is not None for pull in state.counted)
    return f"the best of {state.setup.best_of}{'' if sure else ', a number assumed'}"


def best_words(state: "State", units: str) -> str:
    """The strongest pull, named as such."""
    setup = state.setup
    best = state.levelled(setup.power_best_kw)
    if best is None:
        return UNMEASURED
    which = (
        f"best of {setup.best_of}"
        if setup.best_of
        else "the only one"
        if state.best is None
        else f"pull {state.best}"
    )
    return f"{peak_words(best, units)} ({which})"


def smoothed(sheet: "Sheet") -> Iterator[Row]:
    """How curves were smoothed, here and before they were posted, and what the axes show."""
    yield row(
        "On this sheet",
        f"local quadratic, {SMOOTHING_WIDTH_RPM:.0f} rpm to either side, all curves alike",
    )
    yield row("Before that", *map(smoothing_words, sheet.states))
    gain = "; the gain on an axis of its own" if sheet.compared else ""
    one = ", one scale for A and B" if sheet.compared else ""
    yield row("Axes", f"power and torque from nought{one}; speeds from the lowest measured{gain}")


def smoothing_words(state: "State") -> str:
    """What the bay's software had done before the post."""
    said = {smoothing_of(pull) for pull in state.counted}
    return "; ".join(sorted(said)) or UNKNOWN


def smoothing_of(pull: "PullRow") -> str:
    """One pull's smoothing as it was posted."""
    if not pull.smoothing:
        return UNKNOWN
    width = pull.smoothing.get("width_rpm")
    return f"{pull.smoothing['method']}, width {UNKNOWN if width is None else f'{width:g} rpm'}"
