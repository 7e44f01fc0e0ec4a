"""A file that grew after it was taken: its pulls are taken anew in the place of those before. Pure.

A machine that writes slowly, or pulls below each other into one file, leaves what was there as the beginning of what is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from service.bay.known import Said, of, told_first
from service.bay.work import MOST_PULLS, Run, State, Work, pull_document, written

IN_LAYERS = ("ambient", "engine")


def is_beginning(size: int | None, digest: str, content: bytes) -> bool:
    """Whether a shorter content of this size [bytes] and hash is how this one begins."""
    return (
        size is not None
        and size < len(content)
        and hashlib.sha256(memoryview(content)[:size]).hexdigest() == digest
    )


def before_it_grew(work: Work | None, file: str, content: bytes) -> str | None:
    """The hash of what was taken of this file while it was shorter; None where nothing was."""
    runs = [] if work is None else work.runs
    return next(
        (one.sha256 for one in runs if one.file == file and is_beginning(one.size, one.sha256, content)), None
    )


def stays(work: Work, old: str, said: Said) -> bool:
    """Whether what is said now leaves the pulls of that content with their car, in their state."""
    car, states = (
        of(said, "car"),
        [state for state in work.states if any(run.sha256 == old for run in state.runs)],
    )
    return all(work.car.get(name, value) == value for name, value in car.items()) and all(
        state.said.get(name) == value for state in states for name, value in of(said, "state").items()
    )


def in_place(work: Work, old: str, runs: Sequence[Run], said: Said, now: datetime) -> Work:
    """The same with the pulls of the longer content where those of the shorter stood; later ones follow them.

    Words and marks of then stay with each, what is said now counts before them.
    """
    left, states = list(runs), []
    for state in work.states:
        kept: list[Run] = []
        for run in state.runs:
            if run.sha256 != old:
                kept.append(run)
            elif left:
                kept.append(_anew(run, left.pop(0), said))
        states.append(replace(state, runs=tuple(kept)))
    place = max(n for n, state in enumerate(work.states) if any(run.sha256 == old for run in state.runs))
    if left:
        states[place] = _with_more(states[place], left)
    grown = replace(work, touched_at=now.isoformat(), states=tuple(states))
    return replace(grown, outgrown={**work.outgrown, old: work.files[old]})


def without(work: Work, old: str) -> Work:
    """The same without the pulls of that content, which stays known as taken."""
    return replace(without_content(work, old), outgrown={**work.outgrown, old: work.files[old]})


def without_content(work: Work, digest: str) -> Work:
    """The same without the pulls of a file; a state of which nothing is left goes too."""
    kept = (
        replace(state, runs=tuple(run for run in state.runs if run.sha256 != digest)) for state in work.states
    )
    return replace(work, states=tuple(state for state in kept if state.runs))


def is_too_large(work: Work, most_bytes: int) -> bool:
    """Whether it is more than one post takes."""
    return any(len(state.runs) > MOST_PULLS for state in work.states) or len(written(work)) > most_bytes


def _with_more(state: State, more: Sequence[Run]) -> State:
    """Behind the last pull of the same file."""
    end = 1 + max(n for n, run in enumerate(state.runs) if run.sha256 == more[0].sha256)
    return replace(state, runs=(*state.runs[:end], *more, *state.runs[end:]))


def _anew(before: Run, after: Run, said: Said) -> Run:
    """The later measurement under the words of then."""
    spoken, words = pull_document({}, said), {k: v for k, v in before.document.items() if k != "curve"}
    if "status" in said:
        words = {name: value for name, value in words.items() if name not in ("status", "reason")}
    layers: Sequence[Mapping[str, Any]] = (spoken, words, after.document)
    document = {**after.document, **words, **spoken}
    for place in IN_LAYERS:
        if merged := told_first(*(layer.get(place, {}) for layer in layers)):
            document[place] = merged
    began = said.get("started_at", before.began)
    return replace(after, document=document, began=str(began))
