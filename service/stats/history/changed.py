"""A solved history with some cars' setups exchanged: their platforms made anew, all else shared."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from service.domain.history import Catalogue, History, Ints
from service.stats.history.assembly import Assembly, assembled, by_platform, designs_of, usable
from service.stats.mixed.solve import reduce


def with_cars(solved: Assembly, vehicle_ids: Ints, history: History, catalogue: Catalogue) -> Assembly:
    """The assembly with these cars' setups as they are in `history`, at the same fit."""
    anew = {int(piece.platform_id[0]): piece for piece in by_platform(usable(history))}
    kept, pieces = [], []
    for i, design in enumerate(solved.designs):
        gone = np.isin(design.history.vehicle_id, vehicle_ids)
        here = anew.pop(design.platform, None)
        if here is None and not gone.any():
            kept.append(i)
            continue
        left = design.history.take(np.flatnonzero(~gone))
        pieces.append(left if here is None else merged(left, here))
    pieces = [piece for piece in (*pieces, *anew.values()) if len(piece)]
    designs, border = designs_of(pieces, catalogue, solved.fit, solved.border)
    return assembled(
        [*(solved.designs[i] for i in kept), *designs],
        [*(solved.reduced[i] for i in kept), *(reduce(design.block, solved.theta) for design in designs)],
        border,
        catalogue,
        solved.fit,
    )


def merged(one: History, other: History) -> History:
    """Two histories of different cars as one, sorted by car."""
    both = _joined((one, other))
    return both.take(np.argsort(both.vehicle_id, kind="stable"))


def _joined(pieces: Sequence[History]) -> History:
    plain = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in History.__slots__
        if name != "part_start"
    }
    counts = np.concatenate([np.diff(piece.part_start) for piece in pieces])
    return replace(pieces[0], part_start=np.concatenate(([0], np.cumsum(counts))), **plain)
