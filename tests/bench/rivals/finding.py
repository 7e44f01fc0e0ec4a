"""The before/after pairs among some cars' setups, found in whole columns.

All who read the setups from a file find the pairs so: what a file's engine can do itself is to read no more than the
setups of the cars that had the part. The same in one SQL statement, in a lazy plan and by merges of frames was tried
and took three to six times the CPU: a plan of a dozen steps costs more than a thousand rows.

Setups are given by their places in the columns. The rules are those of service/domain/pairing.py.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.correction import STANDARDS
from service.domain.derive import ANY_STANDARD, OBSERVED, UNKNOWN
from service.domain.pairing import MATCHES, NEEDED, OF_ONE_SESSION, RELATIVE, SAME_DAY_HOURS
from tests.bench.rivals.known import ANY_OTHER, Known
from tests.bench.rivals.rival import PAIRS_PER_CAR, SIDE, BestPairs, Bools, Columns, Floats, Ints

KEYS = ("car", "session", "n", "parts", "started_at", "complete", "doubted", "doubted_ratio")
TEXTS = ("parts", "level", "tyre_size")
HOUR_US = 3.6e9
NOBODY = -1
"""The place that stands for a repeat there was none of."""
ABA, SAME_SESSION, SAME_DAY, OTHER_DAY, OTHER_BAY, PEAKS_ONLY = range(len(MATCHES))


def columns_needed(known: Known) -> list[str]:
    """What must be read of each setup."""
    return sorted({*SIDE, *KEYS, *known.windows, *ANY_OTHER})


@dataclass(frozen=True, slots=True)
class Setups:
    """Counted setups of some cars: their columns, with parts and levels as numbers (-1: not known)."""

    columns: Columns
    lists: dict[str, int]
    parts: Ints
    level: Ints
    to_any: Bools
    named: Bools
    whole: Bools

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.columns[name]


def setups_of(columns: Columns) -> Setups:
    """The columns, with their texts numbered."""
    lists, parts = numbered(columns["parts"])
    levels, level = numbered(columns["level"])
    apart = [levels.get(name, NOBODY) for name in (OBSERVED, UNKNOWN)]
    return Setups(
        columns=columns,
        lists=lists,
        parts=parts,
        level=level,
        to_any=level == levels.get(ANY_STANDARD, NOBODY - 1),
        named=np.isin(level, [number for name, number in levels.items() if name in STANDARDS]),
        whole=columns["complete"].astype(bool) & (level >= 0) & ~np.isin(level, apart),
    )


def numbered(texts: NDArray[Any]) -> tuple[dict[str, int], Ints]:
    """Each text's number, and a column of them; -1 for what is no text."""
    numbers: dict[str, int] = {}
    rows = [numbers.setdefault(text, len(numbers)) if isinstance(text, str) else NOBODY for text in texts]
    return numbers, np.array(rows, np.int64)


def best_pairs(columns: Columns, part: str, known: Known) -> BestPairs:
    """The best pairs of each car: those no doubt stands against, then nearest match, held, nearest in time."""
    setups = setups_of(columns)
    with_, without = differing_by(setups, part)
    again, share, kept = repeats(setups, with_, without)
    with_, without, again, share = with_[kept], without[kept], again[kept], share[kept]
    same = setups["session"][with_] == setups["session"][without]
    gap = np.abs(setups["started_at"][with_] - setups["started_at"][without])
    usable = ~doubted(setups, with_, without, again, same)
    order = np.lexsort(
        (
            setups["setup_id"][without],
            setups["setup_id"][with_],
            gap,
            ~held(setups, with_, without, part, known, same),
            matches(setups, with_, without, gap, same, again >= 0),
            ~usable,
            setups["car"][with_],
        )
    )
    best = order[place_within(setups["car"][with_][order]) < PAIRS_PER_CAR]
    sides = np.array([with_[best], without[best], again[best]])
    return BestPairs(
        car=setups["car"][with_][best],
        usable=usable[best],
        same_session=same[best],
        share=share[best],
        again_is_with=setups.parts[again[best]] == setups.parts[with_[best]],
        sides={name: taken(setups[name], sides, name in TEXTS) for name in SIDE},
    )


def taken(column: NDArray[Any], sides: Ints, text: bool) -> NDArray[Any]:
    """A column at the places of all sides."""
    nothing = None if text else np.nan
    return np.where(sides != NOBODY, (column if text else column.astype(float))[sides], nothing)


def place_within(group: Ints) -> Ints:
    """Each row's place within its group, groups being together."""
    begins = np.flatnonzero(np.diff(group, prepend=group[0] - 1)) if len(group) else np.empty(0, np.int64)
    return np.arange(len(group)) - np.repeat(begins, np.diff(np.append(begins, len(group))))


def differing_by(setups: Setups, part: str) -> tuple[Ints, Ints]:
    """(with, without): every two setups of a car that differ by the part alone and can be compared."""
    bare = np.full(len(setups.lists) + 1, NOBODY)
    for text, number in setups.lists.items():
        slugs = text.split(" ")
        if part in slugs:
            bare[number] = setups.lists.get(" ".join(slug for slug in slugs if slug != part), NOBODY)
    fitted = np.flatnonzero(bare[setups.parts] != NOBODY)
    which, without = matching(setups["car"], setups.parts, setups["car"][fitted], bare[setups.parts[fitted]])
    with_ = fitted[which]
    inside = setups["session"][with_] == setups["session"][without]
    across = setups.whole[with_] & setups.whole[without] & (setups.level[with_] == setups.level[without])
    good = np.where(inside, one_footing(setups, with_, without), across)
    return with_[good], without[good]


def matching(group: Ints, of: Ints, wanted_group: Ints, wanted_of: Ints) -> tuple[Ints, Ints]:
    """(place among the wanted, place in the columns) wherever both numbers are the wanted ones."""
    width = max(of.max(initial=0), wanted_of.max(initial=0)) + 1
    keys, wanted = group.astype(np.int64) * width + of, wanted_group.astype(np.int64) * width + wanted_of
    order = np.argsort(keys, kind="stable")
    first, last = (np.searchsorted(keys[order], wanted, side=side) for side in ("left", "right"))
    many = last - first
    which = np.repeat(np.arange(len(wanted)), many)
    within = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
    return which, order[np.repeat(first, many) + within]


def one_footing(setups: Setups, a: Ints, b: Ints) -> Bools:
    """Whether two figures of one strap-down can be divided by each other (service/domain/levels.py)."""
    observed = ~np.isnan(setups["factor"])
    alike = (setups.level[a] == setups.level[b]) & (setups.level[a] >= 0)
    either = (setups.to_any[a] & setups.named[b]) | (setups.to_any[b] & setups.named[a])
    return (observed[a] & observed[b]) | alike | either


def repeats(setups: Setups, with_: Ints, without: Ints) -> tuple[Ints, Floats, Bools]:
    """(repeat, share, kept): the second reading of a pair's earlier state behind the later one (A-B-A), and which pairs are
    not the second half of such a one."""
    n = setups["n"].astype(np.int64)
    early, late = (np.where((n[with_] < n[without]) == first, with_, without) for first in (True, False))
    inside = setups["session"][with_] == setups["session"][without]
    before, after = extremes(setups, early, with_, n[late], inside)
    first_half = inside & (after != NOBODY) & (before == early)
    late_before, late_after = extremes(setups, late, with_, n[early], inside)
    second_half = inside & (late_before != NOBODY) & (late_after == late)
    again = np.where(first_half, after, NOBODY)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(first_half, (n[late] - n[early]) / (n[again] - n[early]), np.nan)
    return again, share, first_half | ~second_half


def extremes(setups: Setups, state: Ints, with_: Ints, n: Ints, asked: Bools) -> tuple[Ints, Ints]:
    """(nearest before, nearest after) a place `n` in the session, of the setups in the same state as `state`; NOBODY where
    none is, and where it was not asked. Only those count that can be compared with `with_`."""
    before, after = (np.full(len(state), NOBODY) for _ in range(2))
    pair = np.flatnonzero(asked)
    which, twin = matching(
        setups["session"], setups.parts, setups["session"][state[pair]], setups.parts[state[pair]]
    )
    pair = pair[which]
    good = one_footing(setups, twin, with_[pair])
    pair, twin = pair[good], twin[good]
    ahead = setups["n"][twin] - n[pair]
    rising = np.argsort(ahead, kind="stable")
    falling = rising[::-1]
    earlier, later = rising[ahead[rising] < 0], falling[ahead[falling] > 0]
    # Of several of one pair the last one written stays: the nearest.
    before[pair[earlier]] = twin[earlier]
    after[pair[later]] = twin[later]
    return before, after


def doubted(setups: Setups, with_: Ints, without: Ints, again: Ints, same: Bools) -> Bools:
    """Whether a doubt stands against the ratio; what is doubted of the level alone cancels inside one session."""
    ratio, level = setups["doubted_ratio"].astype(bool), setups["doubted"].astype(bool)
    inside = ratio[with_] | ratio[without] | ((again != NOBODY) & ratio[again])
    return np.where(same, inside, level[with_] | level[without])


def matches(setups: Setups, with_: Ints, without: Ints, gap: Ints, same: Bools, aba: Bools) -> Ints:
    """How near the two setups were."""
    best_of = ~np.isnan(setups["best_of"].astype(float))
    cases = [
        best_of[with_] | best_of[without],
        same & aba,
        same,
        setups["bay"][with_] != setups["bay"][without],
        gap <= SAME_DAY_HOURS * HOUR_US,
    ]
    return np.select(cases, [PEAKS_ONLY, ABA, SAME_SESSION, OTHER_BAY, SAME_DAY], OTHER_DAY)


def held(setups: Setups, with_: Ints, without: Ints, part: str, known: Known, same: Bools) -> Bools:
    """Whether no condition moved further than its window."""
    return np.logical_and.reduce(
        [np.ones(len(with_), bool), *conditions(setups, with_, without, part, known, same)]
    )


def conditions(
    setups: Setups, with_: Ints, without: Ints, part: str, known: Known, same: Bools
) -> Iterator[Bools]:
    """For each condition that the part does not change itself, whether it held."""
    for name in known.alike_for(part):
        values = numbered(setups[name])[1] if name in TEXTS else setups[name].astype(float)
        after, before = values[with_], values[without]
        missing = ((after < 0) | (before < 0)) if name in TEXTS else (np.isnan(after) | np.isnan(before))
        yield (after == before) | missing
    for name, window in known.windows_for(part).items():
        after, before = setups[name][with_].astype(float), setups[name][without].astype(float)
        moved = np.abs(after - before)
        allowed = window * np.abs(before) if name in RELATIVE else window
        within = np.where(np.isnan(moved), name not in NEEDED, moved <= allowed)
        yield (within | ~same) if name in OF_ONE_SESSION else within
