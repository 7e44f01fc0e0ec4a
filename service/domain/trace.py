"""Which samples of a recorded trace are the pull: the trace rule, numbered `RULE`, stated here and tried in its tests.

A file often holds more than the pull: the roll-on before it, the coast-down after it, a second pull. In this order:

1. Rows stand in the order of time: by the time channel where it never goes back, else as they were sent.
2. A *rise* is a stretch over which engine speed climbs, dips up to `DIP_RPM` allowed; single samples of speed that are
   out of line do not end it. Rows without time that turn at one row in ten are a table in no order and are sorted;
   where more rows at load stand in falls than in rises, they were written from the top down and are read backwards.
3. The pull is the longest rise, by its span of speed, among those at full load: where throttle was recorded, from the
   first row at `FULL_THROTTLE` of the rise; else by torque.
4. A *cut* at the top (power falls by `CUT_SHARE` within `CUT_RPM` and does not come back higher up) ends the pull.
5. A *spike*, one sample alone out of line, is left out, never replaced; two neighbours are a dip and stay.
6. *Tip-in*: where torque climbs faster than an engine's does, rows before it stands at the level that it then follows
   are left out. Told by speed alone: a pedal that takes more than about 300 rpm looks like a turbocharger and stays.

What remains is gone through again until nothing more is left out, so that the choice made again changes nothing.
A step test (`steps`) keeps its held stretches only, each at its middle speed. Nothing here looks at units but rpm.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.spikes import median_of_three, spikes, suspects_of

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Span = tuple[int, int, int]  # first row of a rise, first row at full load, past-last row

RULE: Final = 1
"""Number of this rule; it is said with every answer."""

# Each is our choice unless it says otherwise.
DIP_RPM: Final = 150.0  # above the waver of a held speed and a limiter's hunting, far below a pull's span
DIP_STEPS: Final = 3.0  # of a coarse table's median step; one row out of place is no coast-down
TABLE_SWINGS: Final = 0.1  # turns a row; a log of any rate has a handful in hundreds of rows
AT_LOAD: Final = 0.5  # share of the highest torque; a coast-down's is nought or negative
FULL_THROTTLE: Final = 0.95  # common practice, no source: below it a pull is not at full load
THROTTLE_SPAN: Final = 0.5  # share of the rise; opened for less, the channel is a plate that control holds
FULL_LOAD: Final = 0.75  # of the heaviest rise's median torque; below it a rise was at part load
COMPARABLE_SPAN: Final = 0.5  # of the longest rise; shorter ones are no pulls
CUT_SHARE: Final = 0.3  # common practice, no source: power falls by over 30 % ...
CUT_RPM: Final = 100.0  # ... within 100 rpm
CUT_ROWS: Final = 3  # a cut that is over sooner is a spike
CUT_EDGE: Final = 0.05  # rows on the way down into a cut, further than this under its level, go too
RECOVERY_RPM: Final = 200.0  # power back this far above was a dip; a limiter's hunting stays below it
SPIKE_FLOOR: Final = 0.05  # of torque; less is noise (a hairy trace has 2 %)
SPIKE_FLOOR_RPM: Final = 100.0  # of speed
TIP_IN_RPM: Final = 75.0  # 0.17 s at 450 rpm/s; by speed, to be the same with and without time
TIP_IN_REACH: Final = 1.5  # of coarse rows the next one counts up to this many such stretches away
TIP_IN_RISE: Final = 0.75  # torque a third higher one stretch on is a pedal; a turbocharger's is an eighth
TIP_IN_SLOWS: Final = 0.85  # once a pedal was seen, torque climbing faster than a turbocharger's still is it
TIP_IN_BAND: Final = 0.95  # of the level ahead, drawn back straight
HELD_RPM: Final = 25.0  # a held speed wavers less
HELD_ROWS: Final = 3  # fewer rows at one speed are on the way to the next
MOST_PASSES: Final = 20  # a bound only, against files made to be slow

REASONS: Final = (
    "not finite",
    "before the pull",
    "after the pull",
    "tip-in",
    "spike",
    "cut",
    "between steps",
)


@dataclass(frozen=True, slots=True)
class Trace:
    """The samples of a pull that count, in their order; `rpm` [rpm], `torque_nm` [N.m], `used` their rows as sent.

    first, last: lowest and highest row used, -1 where none is; falling_share: share of the used rows at a lower speed
    than the one before; rises: pulls like this one that the file holds (nought where speed does not rise at all);
    left_out: rows by reason, one of `REASONS`.
    """

    rpm: Floats
    torque_nm: Floats
    used: Ints
    first: int
    last: int
    samples_sent: int
    samples_used: int
    falling_share: float
    rises: int
    left_out: Mapping[str, int] = field(default_factory=dict)


def choose(
    rpm: Floats,
    torque_nm: Floats,
    time_s: Floats | None = None,
    throttle: Floats | None = None,
    test: str | None = None,
) -> Trace:
    """The pull's part of a trace by the rule above.

    Parameters: rpm, torque_nm, samples as they were sent [rpm], [N.m]; time_s, throttle, of equal length where
    recorded [s], [0..1]; test, `steps` where speeds were held. Columns of unequal length: ValueError.
    """
    shapes = {one.shape for one in (rpm, torque_nm, time_s, throttle) if one is not None}
    if len(shapes) != 1 or len(next(iter(shapes))) != 1:
        raise ValueError(f"trace: columns of shapes {sorted(shapes)}; give lists of one equal length")
    if test != "steps" and _is_plain(rpm, torque_nm, time_s, throttle):
        return Trace(rpm, torque_nm, np.arange(rpm.size), 0, rpm.size - 1, rpm.size, rpm.size, 0.0, 1)
    rows, timed = _in_time(np.flatnonzero(np.isfinite(rpm) & np.isfinite(torque_nm)), time_s)
    left_out = {"not finite": rpm.size - rows.size}
    if test == "steps":
        return _steps(rpm, torque_nm, rows, left_out)
    rises = None
    for _ in range(MOST_PASSES):
        kept, lost, count = _one_pass(rpm, torque_nm, rows, throttle, timed)
        rises = count if rises is None else rises
        for reason, number in lost.items():
            left_out[reason] = left_out.get(reason, 0) + number
        if np.array_equal(kept, rows):
            break
        rows = kept
    return _trace(rpm[kept], torque_nm[kept], kept, rpm.size, rises or 0, left_out)


def _is_plain(rpm: Floats, torque: Floats, time: Floats | None, throttle: Floats | None) -> bool:
    """Sufficient, and quick to see, for the whole rule to leave nothing out: speed rises, torque is smooth."""
    if rpm.size < 2 or not (rpm[1:] > rpm[:-1]).all():
        return False
    if not (torque > 0.0).all() or suspects_of(torque, least=0.0, share=SPIKE_FLOOR, ends=True).size:
        return False
    if throttle is not None and not (throttle >= FULL_THROTTLE).all():
        return False
    if time is not None and not (time[1:] >= time[:-1]).all():
        return False
    power = rpm * torque
    if not np.isfinite(power[-1]) or not (power >= (1.0 - CUT_SHARE) * np.maximum.accumulate(power)).all():
        return False
    return not _low_rows(rpm, torque).size


def _in_time(rows: Ints, time: Floats | None) -> tuple[Ints, bool]:
    """Rows in the order of time, and whether time gave it; as they are where it is unknown or goes to and fro."""
    if time is None or rows.size < 2:
        return rows, False
    passed = np.diff(time[rows])
    if (passed <= 0.0).all() and (passed < 0.0).any():
        return rows[::-1], True
    return rows, bool((passed >= 0.0).all() and (passed > 0.0).any())


def _trace(
    rpm: Floats, torque: Floats, used: Ints, sent: int, rises: int, left_out: Mapping[str, int]
) -> Trace:
    falling = float(np.count_nonzero(np.diff(rpm) < 0.0)) / max(used.size - 1, 1)
    first, last = (int(used.min()), int(used.max())) if used.size else (-1, -1)
    lost = {reason: left_out[reason] for reason in REASONS if left_out.get(reason)}
    return Trace(rpm, torque, used, first, last, sent, used.size, falling, rises, lost)


def _one_pass(
    rpm: Floats, torque: Floats, rows: Ints, throttle: Floats | None, timed: bool
) -> tuple[Ints, dict[str, int], int]:
    """(rows kept, rows lost by reason, comparable rises) of one going-through of rules 2 to 6."""
    rows, rises, lost = _rises(rpm, torque, rows, timed)
    if not rises:
        return rows, lost, 0
    spans, loads = _loads(rpm[rows], torque[rows], None if throttle is None else throttle[rows], rises)
    (start, opened, high), count = _longest(rpm[rows], spans, loads)
    end = opened + _cut_at(rpm[rows[opened:]], torque[rows[opened:]], high - opened)
    lost |= {"before the pull": opened, "after the pull": rows.size - high, "cut": high - end}
    # tip-in is seen from the part load before it, which throttle has already ruled out
    stretch = rows[start:end]
    wrong = spikes(torque[stretch], least=0.0, share=SPIKE_FLOOR, ends=True)
    lost["spike"] += int(np.count_nonzero(wrong[opened - start :]))
    outside = int(np.count_nonzero(~wrong[: opened - start]))
    stretch = stretch[~wrong]
    begin = max(outside, _tip_in_ends(rpm[stretch], torque[stretch]))
    lost["tip-in"] = begin - outside
    return stretch[begin:], lost, count


def _rises(
    rpm: Floats, torque: Floats, rows: Ints, timed: bool
) -> tuple[Ints, list[tuple[int, int]], dict[str, int]]:
    """Rows in the order in which speed rises, the rises in them as first <= i < last, and the spikes of speed."""
    wrong = spikes(rpm[rows], least=SPIKE_FLOOR_RPM, share=0.0)
    kept = rows[~wrong]
    rises = _climbs(rpm[kept])
    if not timed and 2 * len(rises) - 1 > max(TABLE_SWINGS * kept.size, 1.0):
        rows = rows[np.lexsort((torque[rows], rpm[rows]))]
        return rows, _climbs(rpm[rows]), {"spike": 0}
    loaded = torque[kept] > AT_LOAD * float(median_of_three(torque[kept]).max(initial=0.0))
    rising = _rows_in(rises, loaded)
    if 2 * rising < np.count_nonzero(loaded):
        falls = _climbs(rpm[kept[::-1]])
        if _rows_in(falls, loaded[::-1]) > rising:
            kept, rises = kept[::-1], falls
    return kept, rises, {"spike": rows.size - kept.size}


def _rows_in(rises: list[tuple[int, int]], loaded: NDArray[np.bool_]) -> int:
    return sum(int(np.count_nonzero(loaded[low:high])) for low, high in rises)


def _climbs(speed: Floats) -> list[tuple[int, int]]:
    """Stretches first <= i < last over which speed climbs without falling back by more than the dip allowed."""
    if speed.size < 2:
        return []
    dip = max(DIP_RPM, DIP_STEPS * float(np.median(np.abs(np.diff(speed)))))
    dip = min(dip, 0.5 * float(np.ptp(speed)))
    found, climbing, low, high = [], False, 0, 0
    values = speed.tolist()
    for i, now in enumerate(values):
        if climbing and now >= values[high]:
            high = i
        elif climbing and values[high] - now > dip:
            found.append((low, high + 1))
            climbing, low = False, i
        elif not climbing and now < values[low]:
            low = i
        elif not climbing and now - values[low] > dip:
            climbing, high = True, i
    return [*found, (low, high + 1)] if climbing else found


def _loads(
    speed: Floats, torque: Floats, throttle: Floats | None, rises: list[tuple[int, int]]
) -> tuple[list[Span], list[float]]:
    """The rises, each from full throttle on where it was opened, and how much load each carries."""
    if throttle is not None:
        spans = list(_opened(speed, throttle, rises))
        if spans:
            return spans, [1.0] * len(spans)
    return [(low, low, high) for low, high in rises], [
        float(np.median(torque[low:high])) for low, high in rises
    ]


def _opened(speed: Floats, throttle: Floats, rises: list[tuple[int, int]]) -> Iterator[Span]:
    """Each rise over most of which the throttle was open, and its first row at full throttle."""
    for low, high in rises:
        full = low + np.flatnonzero(throttle[low:high] >= FULL_THROTTLE)
        if full.size and speed[full[-1]] - speed[full[0]] >= THROTTLE_SPAN * (speed[high - 1] - speed[low]):
            yield low, int(full[0]), high  # a throttle that control closes later on is still the pull


def _longest(speed: Floats, spans: list[Span], loads: list[float]) -> tuple[Span, int]:
    """The longest rise at full load, the first among equals; and how many are like it."""
    widths = [float(speed[high - 1] - speed[opened]) for _, opened, high in spans]
    long = [i for i, width in enumerate(widths) if width >= COMPARABLE_SPAN * max(widths)]
    heaviest = max(loads[i] for i in long)
    loaded = [i for i in long if loads[i] >= FULL_LOAD * heaviest] or long
    chosen = max(loaded, key=lambda i: (widths[i], -i))
    return spans[chosen], len(loaded)


def _cut_at(speed: Floats, torque: Floats, end: int) -> int:
    """Past-last row before power is cut; `end` where it is not. Rows after `end` are looked at, never used."""
    beyond = end + int(np.argmax(np.append(speed[end:] < speed[end - 1] - CUT_RPM, True)))
    top = np.maximum.accumulate(speed[:beyond])
    power = speed[:beyond] * torque[:beyond]
    before = np.searchsorted(top, top - CUT_RPM, side="left")
    level = median_of_three(power)[before]
    left = (1.0 - CUT_SHARE) * level
    for row in np.flatnonzero((power < left) & (level > 0.0)):
        at = int(row)
        after = power[at + 1 : at + 1 + CUT_ROWS]
        if before[at] == at or (after.size and (after >= left[at]).all()):
            continue
        if (power[at + 1 : end][top[at + 1 : end] > top[at] + RECOVERY_RPM] >= left[at]).any():
            continue
        while at > 1 and power[at - 1] < (1.0 - CUT_EDGE) * level[row]:
            at -= 1
        return min(at, end)
    return end


def _ahead(top: Floats) -> Ints:
    """The row about `TIP_IN_RPM` ahead of each, or the last before it where that is far; `top` never falls [rpm]."""
    ahead = np.minimum(np.searchsorted(top, top + TIP_IN_RPM, side="left"), top.size - 1)
    far = top[ahead] - top > TIP_IN_REACH * TIP_IN_RPM
    result: Ints = ahead - far
    return result


def _low_rows(speed: Floats, torque: Floats) -> Ints:
    """Rows from which torque climbs faster than an engine's does, before it has once stood at its level."""
    if not torque.size or torque.min() >= TIP_IN_RISE * torque.max():  # quick to see
        return np.empty(0, dtype=np.intp)
    level = torque[_ahead(np.maximum.accumulate(speed))]
    low = torque < TIP_IN_RISE * level
    if not low.any():
        return np.empty(0, dtype=np.intp)
    return np.flatnonzero(low & (np.maximum.accumulate(torque) < TIP_IN_BAND * level))


def _tip_in_ends(speed: Floats, torque: Floats) -> int:
    """The first row at the level that torque then follows; nought where there is no tip-in."""
    low = _low_rows(speed, torque)
    if not low.size:
        return 0
    top = np.maximum.accumulate(speed)
    ahead = _ahead(top)
    further = ahead[ahead]
    run, next_run = top[ahead] - top, top[further] - top[ahead]
    slope = np.where(
        next_run > 0.0, (torque[further] - torque[ahead]) / np.where(next_run > 0.0, next_run, 1.0), 0.0
    )
    level = torque[ahead] - slope * run
    reached = (torque >= TIP_IN_BAND * level) & (torque >= TIP_IN_SLOWS * torque[ahead])
    after = int(low[-1]) + 1
    return int(ahead[after + int(np.argmax(reached[after:]))]) if reached[after:].any() else 0


def _steps(rpm: Floats, torque: Floats, rows: Ints, left_out: dict[str, int]) -> Trace:
    """A step test: held stretches at their middle speed; all rows where none was held (one row a step)."""
    speed = rpm[rows].copy()
    held = np.zeros(rows.size, dtype=np.bool_)
    starts = _holds(speed)
    for first, last in zip(starts, [*starts[1:], rows.size], strict=True):
        if last - first >= HELD_ROWS:
            held[first:last] = True
            speed[first:last] = np.median(speed[first:last])
    if not held.any():
        held[:] = True
    left_out["between steps"] = int(np.count_nonzero(~held))
    return _trace(speed[held], torque[rows[held]], rows[held], rpm.size, 1, left_out)


def _holds(speed: Floats) -> list[int]:
    """The first row of each stretch within `HELD_RPM` of that row."""
    starts: list[int] = []
    at = np.inf
    for i, now in enumerate(speed.tolist()):
        if abs(now - at) > HELD_RPM:
            starts.append(i)
            at = now
    return starts
