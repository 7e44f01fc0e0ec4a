"""What a mend moved in a session: its figures before and after, in words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.cli.mend.targets import fitted
from service.cli.show import count, get, measure_in_words, number, signed, unit_of

MEASURES = ("peak_power", "peak_torque")


def moved(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    """A line for each setup whose figures moved and for each comparison that came, went or changed."""
    units = after["units"]
    setups = zip(before["setups"], after["setups"], strict=True)
    lines = [line for old, new in setups for line in setup_moved(old, new, units)]
    lines += pairs_moved(before["pairs"], after["pairs"])
    return [f"  {line}" for line in lines] or ["  Its own figures did not move."]


def setup_moved(before: dict[str, Any], after: dict[str, Any], units: str) -> Iterator[str]:
    """What moved in one setup."""
    words = []
    for measure in MEASURES:
        old, new = (get(side["summary"], measure) or {} for side in (before, after))
        if (old.get("mean"), old.get("pulls")) != (new.get("mean"), new.get("pulls")):
            words.append(
                f"{measure_in_words(measure)} {figure(old, measure, units)} before, {figure(new, measure, units)} now"
            )
    if before["parts"] != after["parts"]:
        words.append(f"{fitted(before)} before")
    if before["doubts"] != after["doubts"]:
        words.append(
            f"doubts: {', '.join(before['doubts']) or 'none'} before, {', '.join(after['doubts']) or 'none'} now"
        )
    if words:
        yield f"setup {after['n']} ({fitted(after)}): {'; '.join(words)}"


def figure(summary: dict[str, Any], measure: str, units: str) -> str:
    """A mean with the number of pulls it rests on."""
    if summary.get("mean") is None:
        return "none"
    return f"{number(summary['mean'], 2)} {unit_of(measure, units)} ({count(summary.get('pulls'), 'pull')})"


def pairs_moved(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> Iterator[str]:
    """Comparisons that came, went or changed."""
    sides = [{key(pair): pair for pair in pairs} for pairs in (before, after)]
    for one in dict.fromkeys([*sides[0], *sides[1]]):
        old, new = (gain(side.get(one)) for side in sides)
        if old != new:
            yield f"comparison of {one[0]} against {one[1]}: {old} before, {new} now"


def key(pair: dict[str, Any]) -> tuple[str, ...]:
    """What makes two comparisons the same."""
    return tuple(str(pair[name]) for name in ("part", "against", "before", "after", "again"))


def gain(pair: dict[str, Any] | None) -> str:
    """What a comparison shows."""
    if pair is None:
        return "none"
    percent = pair["peak_power_percent"]
    shown = f"{signed(percent, 2)} %" if percent is not None else "not in percent"
    doubts = [
        *([] if pair["usable"] else ["doubtful"]),
        *([] if pair["held"] else ["not known to be like for like"]),
    ]
    return f"{shown} ({', '.join(doubts)})" if doubts else shown
