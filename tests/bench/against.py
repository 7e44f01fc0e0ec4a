"""The same question asked of files (tests/bench/rivals): answers first held against each other, then timed in the same rounds.

The ledger answers over HTTP, its evidence read anew (the fairer comparison: a file is read for every question), and from
what it keeps in memory (what a counter usually meets). A rival is asked in this process, with its files in the page cache.
"""

import math
import statistics
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench import names
from tests.bench.cases import Case, gain
from tests.bench.clients import Took, one_client
from tests.bench.lives import ASKED_HATCH, ASKED_HUNDREDS
from tests.bench.promises import TEN_THOUSAND
from tests.bench.results import Figure, Times, median_with_error, times_of
from tests.bench.rivals import all_rivals
from tests.bench.rivals.rival import Curve, Rival, Scalars
from tests.bench.served import Served

ROUNDS = 5
QUESTIONS = {
    "scalars": (names.PAIRS_SCALARS_WIDE_ANEW, names.PAIRS_SCALARS_WIDE),
    "curve": (names.PAIRS_CURVE_WIDE_ANEW, names.PAIRS_CURVE_WIDE),
}
"""What is asked, and by which requests: read anew, and with the evidence in memory."""
ANSWER_DIGITS = 1e-4
"""A served figure is rounded to five digits [relative]."""
CURVE_PERCENT = 1e-3
"""A served curve is rounded to four decimals, and made of float32 [%]."""


class UnlikeError(RuntimeError):
    """A rival and the ledger do not answer the same."""


def measure_rivals(history: Served, rounds: int, times_each: int) -> tuple[list[Figure], list[Times]]:
    """Every rival on one history: how much slower it is, what its file takes on disk."""
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        csv = history.pulls <= TEN_THOUSAND
        with all_rivals(history.server.service_url, Path(folder), csv) as rivals:
            for rival in rivals:
                hold_against(rival, history)
            took = rounds_with(rivals, history, rounds, times_each)
            return list(figures(rivals, history, took)), list(times(rivals, history, took))


def hold_against(rival: Rival, history: Served) -> None:
    """Raise where a rival's answer is not the ledger's."""
    plain = history.line.json("GET", gain(ASKED_HUNDREDS, curve=False, model=False) + "&level=0.9")
    drawn = history.line.json("GET", gain(ASKED_HUNDREDS, curve=True, model=False) + "&level=0.9")
    faults = [
        *unlike_scalars(rival.scalars(ASKED_HATCH, ASKED_HUNDREDS), plain),
        *unlike_curve(rival.curve(ASKED_HATCH, ASKED_HUNDREDS), drawn),
    ]
    if faults:
        raise UnlikeError(
            f"{rival.name} on {history.of} answers otherwise than the ledger: {'; '.join(faults)}"
        )


def unlike_scalars(found: Scalars | None, answer: Mapping[str, Any]) -> Iterator[str]:
    """How scalars differ, in words."""
    if found is None:
        yield "no scalars"
        return
    told = answer["pairs_only"]
    unknown = (math.nan, math.nan)
    both = [("typical", found.typical_percent, told["typical_percent"])]
    for name, theirs, ours in (
        ("interval", found.interval_percent, told["interval_percent"]),
        ("next car", found.next_car_percent, told["next_car_percent"]),
    ):
        both += [(name, *ends) for ends in zip(theirs or unknown, ours or unknown, strict=True)]
    for name, their, our in both:
        if not math.isclose(their, our, rel_tol=ANSWER_DIGITS):
            yield f"{name} {their}, not {our}"
    if found.cars != answer["evidence"]["cars"]:
        yield f"{found.cars} cars, not {answer['evidence']['cars']}"


def unlike_curve(found: Curve | None, answer: Mapping[str, Any]) -> Iterator[str]:
    """How curves differ, in words."""
    told = answer["curve"]
    if found is None or told is None:
        yield "no curve"
        return
    if not np.array_equal(found.rpm, told["rpm"]):
        yield "other speeds"
        return
    for name in ("typical", "low", "high", "next_low", "next_high"):
        theirs, ours = getattr(found, f"{name}_percent"), np.array(told[f"{name}_percent"], dtype=float)
        if not np.allclose(theirs, ours, rtol=0.0, atol=CURVE_PERCENT, equal_nan=True):
            yield f"{name} is {np.nanmax(np.abs(theirs - ours)):.2g} % off"


Rounds = Mapping[str, Sequence[Took]]


def rounds_with(rivals: Sequence[Rival], history: Served, rounds: int, times_each: int) -> Rounds:
    """Ledger and rivals in turn."""
    found: dict[str, list[Took]] = defaultdict(list)
    cases = {case.name: case for case in history.cases}
    for _ in range(rounds):
        for question, requests in QUESTIONS.items():
            for name in requests:
                found[name].append(by_ledger(cases[name], history, times_each))
            for rival in rivals:
                found[asked_of(rival, question)].append(by_rival(rival, question, times_each))
    return found


def asked_of(rival: Rival, question: str) -> str:
    """What is timed, by name."""
    return f"{rival.name}: {question}, {names.WIDE} cars"


def by_ledger(case: Case, history: Served, times_each: int) -> Took:
    """The ledger over HTTP."""
    return one_client(history.line, case.request, times_each, case.status, case.name, history.meter)


def by_rival(rival: Rival, question: str, times_each: int) -> Took:
    """A rival in process."""
    ask = rival.scalars if question == "scalars" else rival.curve
    each, used = [], time.process_time()
    for _ in range(times_each):
        began = time.perf_counter()
        ask(ASKED_HATCH, ASKED_HUNDREDS)
        each.append(1000.0 * (time.perf_counter() - began))
    cpu_ms = 1000.0 * (time.process_time() - used) / times_each
    return Took(tuple(each), sum(each) / 1000.0, cpu_ms)


def figures(rivals: Sequence[Rival], history: Served, took: Rounds) -> Iterator[Figure]:
    """How many times faster the ledger is, or slower than who keeps what it keeps; what files take."""
    for rival in rivals:
        for question, (anew, kept) in QUESTIONS.items():
            name = (names.slower if rival.name == names.SQLITE else names.rival)(rival.name, question)
            theirs = took[asked_of(rival, question)]
            yield compared(name, took[anew], theirs, history, slower=rival.name == names.SQLITE)
            yield compared(
                names.in_memory(name), took[kept], theirs, history, slower=rival.name == names.SQLITE
            )
        disk_kb = rival.disk_bytes / history.pulls / 1000.0
        yield Figure(f"disk of {rival.name}", disk_kb, "kB a pull", history.of, history.pulls)


def compared(
    name: str, ours: Sequence[Took], theirs: Sequence[Took], history: Served, *, slower: bool
) -> Figure:
    """One comparison, round by round."""
    above, below = (ours, theirs) if slower else (theirs, ours)
    pairs = list(zip(above, below, strict=True))
    value, error = median_with_error([a.median_ms / b.median_ms for a, b in pairs])
    by_cpu = [a.cpu_ms / b.cpu_ms for a, b in pairs if a.cpu_ms and b.cpu_ms]
    cpu = statistics.median(by_cpu) if by_cpu else None
    unit = "times slower" if slower else "times faster"
    return Figure(name, value, unit, history.of, history.pulls, error, by_cpu=cpu)


def times(rivals: Sequence[Rival], history: Served, took: Rounds) -> Iterator[Times]:
    """What the rivals took; the ledger's own times stand among the others."""
    for rival in rivals:
        for question in QUESTIONS:
            name = asked_of(rival, question)
            yield times_of(name, history.of, history.pulls, 0, took[name])
