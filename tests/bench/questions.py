"""The questions and posts of served histories, all measured in interleaved rounds of one run.

Each round takes every kind of request once over: in every history one after the other, by one client and by eight, and the
bare statements beside it. A figure is the median over rounds of its round's median over its base's in the same round; so
what else a machine does stands on both sides.
"""

import statistics
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

import psycopg

from tests.bench import names
from tests.bench.against import ROUNDS as RIVAL_ROUNDS
from tests.bench.against import measure_rivals
from tests.bench.cases import Case
from tests.bench.clients import Took, one_client
from tests.bench.direct import Direct
from tests.bench.kept import history_of
from tests.bench.posting import BAYS, CARS, kept_of
from tests.bench.results import Figure, Results, Times, median_with_error, times_of
from tests.bench.served import Served, served, unstepped_kb, wait_until_taken_in
from tests.bench.serving import workers_of
from tests.bench.standby import measure_standby

Key = tuple[int, str, int]
"""(pulls of the history, what, clients); no client at all for the bare statements."""
Rounds = Mapping[Key, Sequence[Took]]
ROUNDS, WARM = 10, 2


@dataclass(frozen=True)
class Pace:
    """How much is measured: rounds that count, rounds before them, at most so many requests of a kind in a round and of
    each of several clients, fewer where they would take longer than so long [ms] by the round before, how many posts are
    looked for on a standby, how often a rival is asked in a round, whether the model is estimated once more, on how
    many cars is posted, and by how many processes each history is served."""

    rounds: int = ROUNDS
    warm: int = WARM
    times: int = 100
    each_of_crowd: int = 5
    longest_ms: float = 300.0
    seen_on_standby: int = 100
    of_rivals: int = 3
    estimate_anew: bool = True
    cars: int = CARS
    processes: int = 1


SMOKE = Pace(
    rounds=1, warm=0, times=1, each_of_crowd=1, seen_on_standby=3, of_rivals=1, estimate_anew=False, cars=11
)


def tell(words: str) -> None:
    """Say how far it is, beside the report."""
    print(words, file=sys.stderr, flush=True)


def measure_questions(sizes: Sequence[int], keep: Path | None, pace: Pace, results: Results) -> str:
    """Measure these histories; answer which Postgres served them."""
    run = uuid4().hex[:8]
    with ExitStack() as stack:
        histories = []
        for pulls in sorted(sizes):
            tell(f"a history of {pulls:,} pulls: loading")
            folder = stack.enter_context(history_of(pulls, keep))
            tell(f"a history of {pulls:,} pulls: estimating and serving")
            histories.append(
                stack.enter_context(
                    served(
                        folder,
                        run,
                        cars=pace.cars,
                        estimate_anew=pace.estimate_anew,
                        processes=pace.processes,
                    )
                )
            )
        for history in histories:
            history.posting.post_twice(history.crowd, history.meter)
        took = rounds_of(histories, pace)
        results.add(figures_of(histories, took), all_times(histories, took), said_of(histories))
        for history in histories:
            tell(f"what files would do instead, {history.of}")
            results.add(*measure_rivals(history, min(pace.rounds, RIVAL_ROUNDS), pace.of_rivals))
        tell("a standby")
        results.add(measure_standby(histories[0], pace.seen_on_standby))
        return histories[0].server.version


def rounds_of(histories: Sequence[Served], pace: Pace) -> Rounds:
    """Every kind of request in every round, those of all histories next to each other."""
    found: dict[Key, list[Took]] = defaultdict(list)
    before: dict[Key, Took] = {}
    for number in range(pace.warm + pace.rounds):
        tell(f"round {number + 1} of {pace.warm + pace.rounds}")
        before = dict(one_round(histories, pace, before))
        for key, took in before.items():
            if number >= pace.warm:
                found[key].append(took)
    return found


def one_round(
    histories: Sequence[Served], pace: Pace, before: Mapping[Key, Took]
) -> Iterator[tuple[Key, Took]]:
    """What each took once over, after a round in which they took what they took `before`."""
    for cases in zip(*(history.cases for history in histories), strict=True):
        for history, case in zip(histories, cases, strict=True):
            key = (history.pulls, case.name, 1)
            yield key, by_one(history, case, how_many(before.get(key), min(case.times, pace.times), pace))
        if cases[0].crowd:
            for history, case in zip(histories, cases, strict=True):
                key = (history.pulls, case.name, BAYS)
                yield key, by_crowd(history, case, how_many(before.get(key), pace.each_of_crowd, pace))
    for directs in zip(*(history.directs for history in histories), strict=True):
        for history, direct in zip(histories, directs, strict=True):
            yield (history.pulls, direct.name, 0), bare(direct, pace)


def how_many(before: Took | None, most: int, pace: Pace) -> int:
    """Requests of one kind that fit into the time of one kind, for each client; at least one."""
    longest = pace.longest_ms / before.median_ms if before else 1.0
    return max(1, min(most, int(longest)))


def by_one(history: Served, case: Case, times: int) -> Took:
    """One client. What another case changed or posted before is not this one's to take in: that is waited for, and it asks
    once beforehand, where it is not about a change itself."""
    if case.crowd:
        wait_until_taken_in(history.line)
        history.line.send(case.request())
    return one_client(history.line, case.request, times, case.status, case.name, history.meter)


def by_crowd(history: Served, case: Case, each: int) -> Took:
    """Eight clients at once, so many requests each, made beforehand."""
    wait_until_taken_in(history.line)
    requests = [case.request() for _ in range(BAYS * each)]
    return history.crowd.took(requests, case.status, case.name, history.meter)


def bare(direct: Direct, pace: Pace) -> Took:
    """Statements without HTTP."""
    each = tuple(direct.took_ms(min(direct.times, pace.times)))
    return Took(each, sum(each) / 1000.0)


def all_times(histories: Sequence[Served], took: Rounds) -> Iterator[Times]:
    """Absolute figures of all requests."""
    of = {history.pulls: history.of for history in histories}
    for (pulls, name, clients), rounds in took.items():
        yield times_of(name, of[pulls], pulls, clients, rounds)


def said_of(histories: Sequence[Served]) -> Iterator[str]:
    """By how many processes each was served, and what the clients themselves took."""
    yield ""
    for history in histories:
        share, serving = 100.0 * history.crowd.cpu_share, len(workers_of(history.service.pid))
        yield f"{history.of}: served by {serving}; {BAYS} clients at once took {share:.0f} % of a core themselves"


def figures_of(histories: Sequence[Served], took: Rounds) -> Iterator[Figure]:
    """Every figure of every history."""
    for history in histories:
        yield from case_figures(history, took)
        yield from direct_figures(history, took)
        yield from post_figures(history, took)
        yield from standing_figures(history)
    if len(histories) > 1:
        yield from growth_figures(histories[0], histories[-1], took)


def case_figures(history: Served, took: Rounds) -> Iterator[Figure]:
    """Each kind of request over its base."""
    for case in history.cases:
        if case.name != case.base:
            name = names.ROW_OVER_PING if case.name == names.ROW else case.name
            yield over(
                history,
                name,
                took[history.pulls, case.name, 1],
                took[history.pulls, case.base, 1],
                short(case.base),
            )


def over(history: Served, name: str, above: Sequence[Took], base: Sequence[Took], unit: str) -> Figure:
    """A ratio of times, round by round."""
    ratios = [a.median_ms / b.median_ms for a, b in zip(above, base, strict=True)]
    value, error = median_with_error(ratios)
    base_ms = statistics.median(one.median_ms for one in base)
    by_cpu = [a.cpu_ms / b.cpu_ms for a, b in zip(above, base, strict=True) if a.cpu_ms and b.cpu_ms]
    cpu = statistics.median(by_cpu) if by_cpu else None
    return Figure(name, value, f"x {unit}", history.of, history.pulls, error, base_ms, by_cpu=cpu)


def short(base: str) -> str:
    """A base as a unit."""
    return base.partition(" (")[0]


OVER_SQL = (
    (names.ROW, names.SQL_ROW),
    (names.PAIRS_SCALARS_ANEW, names.SQL_PAIRS),
    (names.PAIRS_CURVE_ANEW, names.SQL_CURVES),
    (names.STOCK_SPREAD, names.SQL_STOCK),
    (names.FIRST_PAGE, names.SQL_PAGE),
)
"""Requests, and the statements that fetch the same rows."""


def direct_figures(history: Served, took: Rounds) -> Iterator[Figure]:
    """Requests over the same rows by SQL alone."""
    for request, statement in OVER_SQL:
        above, base = took[history.pulls, request, 1], took[history.pulls, statement, 0]
        yield over(history, names.over_sql(request), above, base, "SQL alone")


def post_figures(history: Served, took: Rounds) -> Iterator[Figure]:
    """Posting over storing the raw alone; eight bays over one; what was kept wrongly."""
    raw = took[history.pulls, names.RAW_POST, 0]
    yield over(history, names.POST_OVER_RAW, took[history.pulls, names.POST, 1], raw, "raw alone")
    yield over(history, names.KEPT_OVER_RAW, took[history.pulls, names.LEDGER_POST, 0], raw, "raw alone")
    one, eight = took[history.pulls, names.POST, 1], took[history.pulls, names.POST, BAYS]
    rates = [b.per_second / a.per_second for a, b in zip(one, eight, strict=True)]
    value, error = median_with_error(rates)
    yield Figure(names.BAYS_AT_ONCE, value, "x one bay", history.of, history.pulls, error)
    with psycopg.connect(history.server.owner_url) as conn:
        found = kept_of(history.posting, conn)
    of_all = f"of {len(history.posting.made)} sessions, {found.pairs} pairs"
    for name, wrong in (
        (names.POSTS_LOST, found.lost),
        (names.POSTS_DOUBLED, found.doubled),
        (names.PAIRS_APART, len(found.damage)),
    ):
        yield Figure(name, wrong, of_all, history.of, history.pulls)


def standing_figures(history: Served) -> Iterator[Figure]:
    """Disk, the estimate of the model, memory."""
    unstepped = unstepped_kb(history.server.owner_url, history.stepped_kb)
    for name, value, unit in (
        (names.DISK_STEPPED, history.stepped_kb, "kB"),
        (names.DISK_UNSTEPPED, unstepped, "kB"),
        (names.REFIT_MIN, history.estimate.cpu_min, "min"),
        (names.REFIT_GB, history.estimate.peak_gb, "GB"),
        (names.PSS_LOADED, history.loaded_mb, "MB"),
        (names.PSS_AFTER, history.service.pss_mb(), "MB"),
    ):
        yield Figure(name, value, unit, history.of, history.pulls)


def growth_figures(small: Served, large: Served, took: Rounds) -> Iterator[Figure]:
    """The largest history over the smallest."""
    for name in names.GROWING:
        above, base = took[large.pulls, name, 1], took[small.pulls, name, 1]
        yield over(large, names.growth(name), above, base, small.of)
