"""What is put right in the session in work: whether a pull counts, and a word that was wrong. Pure.

A word taken back is not recorded from then on, until it is said again: no default of the bay's settings stands in for it.
What an instrument says (the file itself, a weather file) is no default, and stands again.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any, Final

from service.bay.known import KEYS, NEEDED, Said
from service.bay.work import Run, State, Work
from service.tables.records import AIR

WITH: Final[Mapping[str, tuple[str, ...]]] = {
    "octane": ("octane_method",),
    "smoothing": ("smoothing_width",),
}
"""What says nothing without the other, and goes with it."""
IN_PULL: Final[Mapping[str, tuple[str, ...]]] = {
    **{name: ("ambient", name) for name in AIR},
    "test": ("test",),
    "smoothing": ("smoothing", "method"),
    "smoothing_width": ("smoothing", "width_rpm"),
}
"""Where a remembered word stands in the document of a pull."""


@dataclass(frozen=True)
class Mark:
    """Whether a pull counts: `accepted`; `settling` or `rejected` (with why) are kept and counted nowhere."""

    status: str
    reason: str | None = None


def number_of(work: Work, which: str) -> int:
    """The pull that a number (counted from 1 through the session) or a file's name means. Raises ValueError."""
    runs, name = work.runs, PurePath(which).name
    if which.isdecimal() and 1 <= int(which) <= len(runs):
        return int(which)
    found = [n for n, run in enumerate(runs, start=1) if run.file in (which, name)]
    if len(found) == 1:
        return found[0]
    if found:
        raise ValueError(
            f"{name} is pulls {', '.join(map(str, found))} of the session in work; give the number of one"
        )
    there = ", ".join(f"{n} ({run.file})" for n, run in enumerate(runs, start=1)) or "none yet"
    raise ValueError(f"{which} is no pull of the session in work; there are {there}")


def marked(work: Work, number: int, mark: Mark) -> Work:
    """The same with one pull marked anew; its measurement stays as it is."""

    def anew(run: Run) -> Run:
        document = {name: value for name, value in run.document.items() if name not in ("status", "reason")}
        if mark.status != "accepted":
            document["status"] = mark.status
        if mark.status == "rejected":
            document["reason"] = mark.reason
        return replace(run, document=document)

    states, before = [], 0
    for state in work.states:
        runs = tuple(anew(run) if before + n == number else run for n, run in enumerate(state.runs, start=1))
        states.append(replace(state, runs=runs))
        before += len(runs)
    return replace(work, states=tuple(states))


def with_what_goes_too(names: Collection[str]) -> list[str]:
    """The names to take back, with those that say nothing without them."""
    return list(dict.fromkeys(one for name in names for one in (name, *WITH.get(name, ()))))


def cannot_be_taken_back(names: Collection[str], said: Said) -> list[str]:
    """Why some of the names cannot, a sentence each."""
    faults = []
    for name in names:
        if name not in KEYS:
            faults.append(f"there is no {name!r} to take back; there are {', '.join(KEYS)}")
        elif name in said:
            faults.append(f"{name} is both said and taken back; do one of the two")
        elif name in NEEDED:
            faults.append(f"{name} cannot be taken back: no post can be without it; say the right one")
        elif KEYS[name].of == "pull":
            faults.append(f"{name} is said of one pull and never remembered; there is nothing to take back")
    return faults


def taken_back(work: Work, names: Sequence[str], defaults: Said) -> Work:
    """The session without these words: from the car strapped down, from the state in work, and from its pulls where
    they had them from what was remembered or from a default. Earlier states keep theirs."""
    car = {name: value for name, value in work.car.items() if name not in names}
    if not work.states:
        return replace(work, car=car)
    *before, last = work.states
    said = {name: value for name, value in last.said.items() if name not in names}
    words = [(name, told[name]) for told in (work.remembered, defaults) for name in names if name in told]
    runs = tuple(replace(run, document=without_words(run.document, words)) for run in last.runs)
    return replace(work, car=car, states=(*before, State(said, runs)))


def without_words(document: Mapping[str, Any], words: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """A pull without these words of ours; another's word in the same place stays."""
    kept = dict(document)
    for name, value in words:
        if name not in IN_PULL:
            continue
        place, *inner = IN_PULL[name]
        if not inner:
            if kept.get(place) == value:
                del kept[place]
        elif kept.get(place, {}).get(inner[0]) == value:
            rest = {key: one for key, one in kept[place].items() if key != inner[0]}
            if place == "smoothing" and "method" not in rest:
                rest = {}  # a width alone says nothing, and the ledger does not take it
            kept = {key: one for key, one in kept.items() if key != place} | ({place: rest} if rest else {})
    return kept
