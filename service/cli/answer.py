"""An answer about a part in words: the sentence first, then how sure, what it costs, what it rests on."""

from __future__ import annotations

from typing import Any

from service.cli.show import between, console, get, measure_in_words, number, plain_table, signed, unit_of

PAIRS_SHOWN = 8  # the rest is in --json (our choice)
GRADES = {
    "strong": "strong: many cars of this kind were measured",
    "fair": "fair: several cars of this kind were measured",
    "thin": "thin: few cars of this kind were measured",
    "borrowed": "borrowed: never measured on this kind, judged from others",
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
    measure = measure_in_words(get(answer, "question", "measure") or "")
    where = f"on {platform}, against {against_in_words(answer)}"
    if answer.get("typical") is None:
        return f"{part} {where}: nothing is known about its {measure}."
    typical, percent = answer["typical"], answer.get("typical_percent")
    verb = "adds" if typical >= 0 else "takes"
    figure = f"{number(abs(typical))} {_unit(answer)} ({signed(percent)} %)"
    return f"{part} {where}: typically {verb} {figure} of {measure}.{_doubt(answer)}"


def _doubt(answer: dict[str, Any]) -> str:
    if not answer.get("typical_interval"):
        return " How far that holds for other cars is not known yet."
    return "" if established(answer) else " That is not established: it may as well be nothing."


def against_in_words(answer: dict[str, Any]) -> str:
    against = get(answer, "question", "against")
    return "the same car without it" if against in (None, "without") else str(against)


def established(answer: dict[str, Any]) -> bool:
    """Does the interval of the average car leave nought out?"""
    interval = answer.get("typical_interval")
    if not interval or interval[0] is None or interval[1] is None:
        return False
    return bool(interval[0] > 0 or interval[1] < 0)


def how_sure(answer: dict[str, Any]) -> list[str]:
    """Intervals, evidence and cost, one line each, only what is known."""
    unit, level = _unit(answer), answer.get("level")
    sure = f"{100 * level:.0f} % sure: " if level else ""
    lines = [_grade(answer)]
    if (average := between(answer.get("typical_interval"), unit)) is not None:
        lines.append(f"The average car: {sure}{average}.")
    if (next_car := between(answer.get("next_car_interval"), unit)) is not None:
        lines.append(f"One more car: {sure}{next_car}.")
    if answer.get("noise_floor") is not None:
        lines.append(
            f"Below {number(answer['noise_floor'])} {unit} one car's change cannot be told from nothing."
        )
    return [*lines, *_cost(answer)]


def _grade(answer: dict[str, Any]) -> str:
    grade = get(answer, "evidence", "grade")
    counts = {name: get(answer, "evidence", name) for name in ("cars", "pairs", "bays", "like_for_like")}
    rests = f"{counts['cars']} cars, {counts['pairs']} pairs ({counts['like_for_like']} like for like), {counts['bays']} bays"
    return f"Evidence {GRADES.get(str(grade), str(grade))}; {rests}."


def _cost(answer: dict[str, Any]) -> list[str]:
    fitted = get(answer, "cost", "fitted")
    if fitted is None:
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
        held = "held" if pair.get("held") else "differ"
        table.add_row(
            str(pair.get("vehicle")),
            signed(pair.get("gain")),
            signed(pair.get("percent")),
            str(pair.get("match")),
            held,
        )
    out.print(table)
    if len(pairs) > PAIRS_SHOWN:
        out.print(f"and {len(pairs) - PAIRS_SHOWN} more; --json lists all.")
