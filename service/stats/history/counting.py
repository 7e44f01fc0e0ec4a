"""How many cars stand behind an answer.

A car speaks directly for a sum of gains where its own setups tell it apart from everything else that changed on it:
where it is a combination of differences between them. Setups whose parts or level are not known are compared inside
their own strap-down only.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.stats.history.design import PlatformDesign
from service.stats.history.fitted import part_of_key

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SEPARATED: Final = 1e-9  # below it a square that should be 0 is


def rows_with(design: PlatformDesign, part: int) -> Ints:
    """The platform's rows measured with a part."""
    fitted = design.fitted
    at = int(np.searchsorted(fitted.parts, part))
    if at == len(fitted.parts) or fitted.parts[at] != part:
        return np.empty(0, dtype=np.int64)
    rows: Ints = fitted.row[fitted.part == at]
    return rows


def cars_with(design: PlatformDesign, part: int) -> int:
    """How many of the platform's cars were measured with a part."""
    at = int(np.searchsorted(design.parts, part))
    found = at < len(design.parts) and design.parts[at] == part
    return int(design.part_cars[at]) if found else 0


def cars_with_all(design: PlatformDesign, parts: Sequence[int]) -> int:
    """How many of the platform's cars were measured with all these parts fitted at once."""
    has = np.ones(len(design.car), dtype=bool)
    for part in parts:
        having = np.zeros(len(design.car), dtype=bool)
        having[rows_with(design, part)] = True
        has &= having
    return len(np.unique(design.car[has]))


def cars_that_tell(design: PlatformDesign, wanted: Mapping[int, float]) -> int:
    """Cars of the platform whose own setups give this combination of parts' gains."""
    asked = frozenset(wanted.items())
    if asked not in design.told:
        vary = _vary(design, wanted)
        target = np.zeros(len(design.parts))
        if vary.any():
            target[np.searchsorted(design.parts, list(wanted))] = list(wanted.values())
        has = _parts_of(design, vary)
        batches = [rows[vary[design.car[rows[:, 0]]]] for rows, _ in design.block.packing.batches]
        design.told[asked] = sum(_telling(design, rows, has, target) for rows in batches if len(rows))
    return design.told[asked]


def _vary(design: PlatformDesign, wanted: Mapping[int, float]) -> Bools:
    """Whether a car was measured with each of the parts in some setups and without it in others."""
    setups = np.bincount(design.car)
    vary = np.ones(len(setups), dtype=bool)
    for part in wanted:
        having = np.bincount(design.car[rows_with(design, part)], minlength=len(setups))
        vary &= (having > 0) & (having < setups)
    return vary


def _parts_of(design: PlatformDesign, cars: Bools) -> Floats:
    """1 where a row has a part [n, parts], of these cars' rows."""
    row, part = design.fitted.row, design.fitted.part
    entries = np.flatnonzero(cars[design.car[row]])
    has = np.zeros((len(design.car), len(design.parts)))
    has[row[entries], part[entries]] = 1.0
    return has


def _telling(design: PlatformDesign, rows: Ints, has: Floats, target: Floats) -> int:
    """How many of g cars of k rows [g, k] have the target among the combinations of their rows, each taken against the
    mean of those that its level can be compared with."""
    history = design.history
    known = history.complete[rows] & history.levelled[rows]
    footing = np.where(known, -1, history.session_id[rows])
    alike = (footing[:, :, np.newaxis] == footing[:, np.newaxis, :]).astype(np.float64)
    fitted = has[rows]
    fitted -= (alike @ fitted) / alike.sum(axis=2, keepdims=True)
    values, vectors = np.linalg.eigh(fitted @ fitted.transpose(0, 2, 1))
    along = ((fitted @ target)[:, np.newaxis, :] @ vectors)[:, 0]
    shown = np.divide(along**2, values, out=np.zeros_like(values), where=values > SEPARATED).sum(axis=1)
    return int((target @ target - shown < SEPARATED).sum())


def companions(design: PlatformDesign, part: int) -> dict[int, int]:
    """In how many of the platform's cars with a part each other part was fitted beside it, in one setup at least."""
    fitted = design.fitted
    has = np.zeros(len(design.car), dtype=bool)
    has[rows_with(design, part)] = True
    own = np.zeros(len(design.own_key), dtype=bool)
    own[design.own[has[fitted.row]]] = True
    which, cars = np.unique(part_of_key(design.own_key[own]), return_counts=True)
    return {other: count for other, count in zip(which.tolist(), cars.tolist(), strict=True) if other != part}


def cars_showing(design: PlatformDesign, slot_a: str, slot_b: str) -> int:
    """Cars measured in at least three of: neither slot's part fitted, the one, the other, both."""
    has_a, has_b = _has_slot(design, slot_a), _has_slot(design, slot_b)
    if not (has_a & has_b).any():
        return 0
    kind = design.car * 4 + has_a + 2 * has_b
    seen = np.unique(kind)
    kinds = np.bincount(seen // 4)
    both = np.zeros(len(kinds), dtype=bool)
    both[seen[seen % 4 == 3] // 4] = True
    return int(((kinds >= 3) & both).sum())


def _has_slot(design: PlatformDesign, slot: str) -> Bools:
    """Which rows have a part in a slot."""
    parts = np.array([gain.slot == slot for gain in design.fitted.gains], dtype=bool)
    has = np.zeros(len(design.car), dtype=bool)
    has[design.fitted.row[parts[design.fitted.part]]] = True
    return has
