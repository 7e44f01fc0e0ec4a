"""An answer about a part in words: the sentence first, then how sure, what it costs, what it rests on."""

from __future__ import annotations

from typing import Any

from service.cli.show import (
    between,
    console,
    count,
    get,
    measure_in_words,
    number,
    plain_table,
    signed,
    unit_of,
)

PAIRS_SHOWN = 8  # the rest is in --json (our choice)
NOTHING_FLOORS = 2  # an interval wider than that is not called about nothing: it is not known (our choice)
GRADES = {
    "strong": "strong: many cars of this kind were measured",
    "fair": "fair: several cars of this kind were measured",
    "thin": "thin: few cars of this kind were measured",
    "borrowed": "borrowed: not measured by itself on this kind, judged from others",
    "none": "none: never measured",
}


def show_answer(answer: dict[str, Any], *, short: bool = False) -> None:
    """Print an answer of /v1/typical-gain."""
    out = console()
    out.print(sentence(answer), soft_wrap=True)
    for line in how_sure(answer):
        out.print(f"  {line}", soft_wrap=True)
    for caution in answer.get("cautions") or []:
        out.print(f"  Caution: {caution}", soft_wrap=True)
    if not short:
        _show_pairs(out, answer)


def sentence(answer: dict[str, Any]) -> str:
    """The answer in one sentence."""
    part, platform = get(answer, "question", "part"), get(answer, "question", "platform")
    where = f"{part} on {platform}, against {against_in_words(answer)}"
    measure = measure_asked(get(answer, "question") or {})
    if is_unknown(answer):
        return f"{where}: nothing is known about its {measure}."
    if is_about_nothing(answer):
        return (
            f"{where}: typically changes {measure} by about nothing{_below_noise(answer)}.{_unknown(answer)}"
        )
    return f"{where}: typically {_figure(answer)} of {measure}.{_unknown(answer) or _doubt(answer)}"


def is_unknown(answer: dict[str, Any]) -> bool:
    """Is there no figure at all?"""
    return answer.get("typical") is None and answer.get("typical_percent") is None


def measure_asked(question: dict[str, Any]) -> str:
    """The measure with the engine speed or band it was asked at: `torque at 3500 rpm`."""
    measure = str(question.get("measure") or "")
    quantity = "torque" if "torque" in measure else "power"
    if question.get("rpm") is not None:
        return f"{quantity} at {question['rpm']:.0f} rpm"
    if question.get("from") is not None and question.get("to") is not None:
        return f"mean {quantity} from {question['from']:.0f} to {question['to']:.0f} rpm"
    return measure_in_words(measure)


def is_about_nothing(answer: dict[str, Any]) -> bool:
    """Does the gain show as nought, or is it below one car's noise, not established, and known to be small?"""
    value = _size(answer)
    if float(signed(value)) == 0.0:
        return True
    return _is_below_noise(answer) and _is_known_small(answer) and not established(answer)


def _is_known_small(answer: dict[str, Any]) -> bool:
    """Does the interval stay within NOTHING_FLOORS noise floors of nought?"""
    ends: list[float] = answer.get("typical_interval") or []
    return bool(ends) and max(abs(end) for end in ends) <= NOTHING_FLOORS * answer["noise_floor"]


def _is_below_noise(answer: dict[str, Any]) -> bool:
    typical, floor = answer.get("typical"), answer.get("noise_floor")
    return typical is not None and floor is not None and abs(typical) < floor


def _below_noise(answer: dict[str, Any]) -> str:
    if not _is_below_noise(answer):
        return ""
    return f" (less than the {number(answer['noise_floor'])} {_unit(answer)} that one car's test can tell)"


def _size(answer: dict[str, Any]) -> float:
    """The gain, in percent where the level of the cars, and so the unit, is not known."""
    typical = answer.get("typical")
    return float(answer["typical_percent"] if typical is None else typical)


def _figure(answer: dict[str, Any]) -> str:
    size, percent = _size(answer), answer.get("typical_percent")
    verb = "adds" if size >= 0 else "takes"
    if answer.get("typical") is None:
        return f"{verb} {number(abs(size))} %"
    return f"{verb} {number(abs(size))} {_unit(answer)} ({signed(percent)} %)"


def _unknown(answer: dict[str, Any]) -> str:
    known = answer.get("typical_interval") or answer.get("typical_interval_percent")
    return "" if known else " How far that holds for other cars is not known yet."


def _doubt(answer: dict[str, Any]) -> str:
    return "" if established(answer) else " That is not established: it may as well be nothing."


def against_in_words(answer: dict[str, Any]) -> str:
    against = get(answer, "question", "against")
    return "the same car without it" if against in (None, "without") else str(against)


def established(answer: dict[str, Any]) -> bool:
    """Does the interval of the typical car leave nought out?"""
    interval = answer.get("typical_interval") or answer.get("typical_interval_percent")
    if not interval or interval[0] is None or interval[1] is None:
        return False
    return bool(interval[0] > 0 or interval[1] < 0)


def how_sure(answer: dict[str, Any]) -> list[str]:
    """Intervals, evidence and cost, one line each, only what is known."""
    unit, level = _unit(answer), answer.get("level")
    sure = f"{100 * level:.4g} % sure: " if level else ""
    lines = [_grade(answer)]
    if (typical_car := _interval(answer, "typical_interval", unit)) is not None:
        lines.append(f"The typical car: {sure}{typical_car}.")
    if (next_car := _interval(answer, "next_car_interval", unit)) is not None:
        lines.append(f"One more car: {sure}{next_car}.")
    if answer.get("noise_floor") is not None:
        lines.append(
            f"Below {number(answer['noise_floor'])} {unit} one car's change cannot be told from nothing."
        )
    return [*lines, *_by_pairs(answer), *_cost(answer)]


def _by_pairs(answer: dict[str, Any]) -> list[str]:
    """What the before/after pairs say by themselves, beside an answer that rests on the whole history."""
    typical = get(answer, "pairs_only", "typical_percent")
    if typical is None or answer.get("method") != "history-model":
        return []
    interval = between(get(answer, "pairs_only", "interval_percent"), "%")
    return [f"By its pairs alone: {signed(typical)} %{f', {interval}' if interval else ''}."]


def _interval(answer: dict[str, Any], name: str, unit: str) -> str | None:
    """In the answer's unit, in percent where only that is known."""
    return between(answer.get(name), unit) or between(answer.get(f"{name}_percent"), "%")


def _grade(answer: dict[str, Any]) -> str:
    grade = get(answer, "evidence", "grade")
    words = f"Evidence {GRADES.get(str(grade), str(grade))}"
    cars, pairs = get(answer, "evidence", "cars"), get(answer, "evidence", "pairs")
    if not cars and grade == "none":
        return f"Evidence none: of {count(pairs, 'comparison')} none counts." if pairs else f"{words}."
    if not cars:
        others, here = get(answer, "evidence", "cars_elsewhere"), get(answer, "evidence", "cars_with")
        beside = f" and {count(here, 'car')} of this kind with other parts changed too" if here else ""
        return f"{words}: {count(others, 'car')} of other kinds{beside}."
    like = f"{get(answer, 'evidence', 'like_for_like')} like for like"
    bays = count(get(answer, "evidence", "bays"), "bay")
    return f"{words}; {count(cars, 'car')} counted, of {count(pairs, 'comparison')} ({like}), in {bays}."


def _cost(answer: dict[str, Any]) -> list[str]:
    """What it costs fitted; nothing about a part that was never measured, whose money buys nobody knows what."""
    fitted = get(answer, "cost", "fitted")
    if fitted is None or is_unknown(answer):
        return []
    currency = get(answer, "cost", "currency") or ""
    line = f"Fitted: {fitted:.0f} {currency} ({number(get(answer, 'cost', 'labour_hours'))} h of labour)"
    per_unit = get(answer, "cost", "per_unit")
    tail = (
        f"{per_unit:.0f} {currency} per {_unit(answer)}"
        if per_unit is not None
        else "no cost per unit: gain not established"
    )
    return [f"{line}; {tail}."]


def _unit(answer: dict[str, Any]) -> str:
    units = answer.get("units") or get(answer, "question", "units") or ""
    return unit_of(get(answer, "question", "measure") or "", units)


def _show_pairs(out: Any, answer: dict[str, Any]) -> None:
    pairs = answer.get("pairs") or []
    if not pairs:
        return
    table = plain_table("car", "gain", "%", "match", "conditions")
    for pair in pairs[:PAIRS_SHOWN]:
        table.add_row(
            str(pair.get("vehicle")),
            signed(pair.get("gain")),
            signed(pair.get("percent")),
            str(pair.get("match")),
            conditions(pair),
        )
    out.print(table)
    if unknown := unrecorded(pairs):
        out.print(f"Not recorded on both sides: {', '.join(unknown)}.", soft_wrap=True)
    if (rest := _rest_of_pairs(answer, len(pairs))) is not None:
        out.print(rest, soft_wrap=True)


def conditions(pair: dict[str, Any]) -> str:
    """Whether the conditions of a comparison were held, moved, or were not recorded on both sides."""
    if pair.get("held"):
        return "held"
    moved = len(pair.get("differs") or []) > len(_missing(pair))
    return "differ" if moved else "not recorded"


def unrecorded(pairs: list[dict[str, Any]]) -> list[str]:
    """What was not recorded on both sides of these comparisons, in words."""
    found = dict.fromkeys(name for pair in pairs[:PAIRS_SHOWN] for name in _missing(pair))
    return ["inlet air" if name == "inlet" else name.replace("_", " ") for name in found]


def _missing(pair: dict[str, Any]) -> list[str]:
    differs = pair.get("differs") or []
    return [str(one["what"]) for one in differs if one["before"] is None or one["after"] is None]


def _rest_of_pairs(answer: dict[str, Any], listed: int) -> str | None:
    """What the table leaves out: the answer lists the best few of each car and counts all."""
    shown = min(listed, PAIRS_SHOWN)
    in_all = max(listed, get(answer, "evidence", "pairs") or 0)
    if in_all == shown:
        return None
    more = f"--json lists {listed}" if listed > shown else ""
    few = "at most five a car are listed" if in_all > listed else ""
    return f"{shown} of {count(in_all, 'comparison')} shown; {', '.join(filter(None, (more, few)))}."
