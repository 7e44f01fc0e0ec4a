"""A curve in plain characters: power and torque over engine speed, readable in a terminal and in a pipe."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

Floats = Sequence[float]

POWER_MARK: Final = "*"
TORQUE_MARK: Final = "o"
BOTH_MARK: Final = "@"
AXIS_WIDTH: Final = 7
TICKS: Final = 5


def drawn(
    rpm: Floats, power: Floats, torque: Floats, units: tuple[str, str], width: int = 72, height: int = 17
) -> list[str]:
    """The lines of a drawing: power `*` on the left scale, torque `o` on the right one, both from nought.

    Parameters: rpm [rpm], power and torque in the units named, as samples in any order; width and height of the field
    [characters]. Where several samples fall into one column the highest counts: that is the pull, not its coast-down.
    """
    low, high = min(rpm), max(rpm)
    column = [round((speed - low) / max(high - low, 1e-9) * (width - 1)) for speed in rpm]
    tops = (_top(power), _top(torque))
    field = [[" "] * width for _ in range(height)]
    for values, top, mark in ((torque, tops[1], TORQUE_MARK), (power, tops[0], POWER_MARK)):
        for x, value in _highest(column, values):
            y = height - 1 - round(value / top * (height - 1))
            field[y][x] = mark if field[y][x] in (" ", mark) else BOTH_MARK
    return [
        _title(units, width),
        *(_row(y, height, tops, "".join(line)) for y, line in enumerate(field)),
        " " * AXIS_WIDTH + " +" + "-" * width + "+",
        _speeds(low, high, width),
    ]


def _top(values: Floats) -> float:
    """The top of a scale: the next round figure at or above the highest value."""
    highest = max(*values, 1e-9)
    ten = 10.0 ** math.floor(math.log10(highest))
    return next(
        step * ten for step in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * ten >= highest
    )


def _highest(column: Sequence[int], values: Floats) -> Sequence[tuple[int, float]]:
    """The highest sample of each column, where it is above nought."""
    best: dict[int, float] = {}
    for x, value in zip(column, values, strict=True):
        if value >= 0.0:
            best[x] = max(value, best.get(x, 0.0))
    return list(best.items())


def _title(units: tuple[str, str], width: int) -> str:
    left, right = f"power {POWER_MARK} [{units[0]}]", f"torque {TORQUE_MARK} [{units[1]}]"
    return left + right.rjust(AXIS_WIDTH * 2 + width + 4 - len(left))


def _row(y: int, height: int, tops: tuple[float, float], line: str) -> str:
    every = max(1, (height - 1) // (TICKS - 1))
    if (height - 1 - y) % every:
        return f"{'':{AXIS_WIDTH}} |{line}|"
    share = (height - 1 - y) / (height - 1)
    return f"{tops[0] * share:{AXIS_WIDTH}.4g} +{line}+ {tops[1] * share:<{AXIS_WIDTH}.4g}".rstrip()


def _speeds(low: float, high: float, width: int) -> str:
    """Engine speeds under the axis."""
    line = [" "] * (AXIS_WIDTH + width + 12)
    for tick in range(TICKS):
        share = tick / (TICKS - 1)
        text = f"{low + share * (high - low):.0f}"
        start = AXIS_WIDTH + 2 + round(share * (width - 1)) - len(text) // 2
        line[start : start + len(text)] = text
    return "".join(line).rstrip() + " rpm"
