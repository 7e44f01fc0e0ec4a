"""One figure of each of a car's setups: at the asked standard where that can be known, and at the bays' common level."""

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.answers.figures import stored_figure
from service.answers.model import ModelState
from service.domain.engine import Engine
from service.domain.history import day_number
from service.domain.levels import level_ratio
from service.domain.measures import Measure
from service.domain.review_standing import standard_of, standing
from service.stats.history.cells import BayLevel
from service.store.car_states import StateRow
from service.store.curves import curves_of_setups
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class StateFigures:
    """A setup with its figure in SI [kW or N.m].

    `standard`: what it stands in, None where nobody knows; `brought`: whether that is the asked one; `standing` says it
    in words. `best`, `spread` [relative] and `rpm` are of peaks only. `levelled`: at the common level of the bays, None
    where the model does not give it; `offset` of its bay [ln] with its variance.
    """

    row: StateRow
    standard: str | None
    standing: str | None
    brought: bool
    mean: float | None
    best: float | None
    spread: float | None
    rpm: float | None
    levelled: float | None
    offset: float | None
    offset_variance: float


def figures_of_states(
    conn: Connection,
    rows: Sequence[StateRow],
    measure: Measure,
    standard: str,
    engine: Engine,
    state: ModelState | None,
) -> list[StateFigures]:
    """Each setup's figure; curves are read together, and only for a measure that is no peak."""
    curves = {} if measure.is_peak else curves_of_setups(conn, [row.setup_id for row in rows])
    # Of a bay that shares no car with another the level is guessed, and no level here.
    compared = () if state is None else (level for level in state.system.bays if level.identifiable)
    bays = stretches_of(compared)
    return [
        figures_of_state(
            row,
            measure,
            standard,
            engine,
            stored_figure(row, measure, curves),
            level_at(bays.get(row.bay_id, ()), day_number(row.at)),
        )
        for row in rows
    ]


def figures_of_state(
    row: StateRow,
    measure: Measure,
    standard: str,
    engine: Engine,
    stored: float | None,
    level: BayLevel | None,
) -> StateFigures:
    """One setup's figure from what is stored of it; level: of its bay on that day."""
    ratio = level_ratio(row, standard, engine)
    factor = 1.0 if ratio is None else ratio
    mean = None if stored is None else stored * factor
    best, spread, rpm = peak_figures(row, measure)
    can_level = level is not None and mean is not None and ratio is not None
    return StateFigures(
        row=row,
        standard=standard if ratio is not None else standard_of(row.level_standard),
        standing=None
        if row.level_standard is None
        else standing(standard, row.level_standard, ratio is not None, engine, [row]),
        brought=ratio is not None,
        mean=mean,
        best=None if best is None else best * factor,
        spread=spread,
        rpm=rpm,
        levelled=mean * math.exp(-level.mean) if can_level and mean and level else None,
        offset=None if level is None else level.mean,
        offset_variance=0.0 if level is None else level.variance,
    )


def peak_figures(row: StateRow, measure: Measure) -> tuple[float | None, float | None, float | None]:
    """(best, spread, rpm) of a peak; a figure read from the mean curve has none."""
    if not measure.is_peak:
        return None, None, None
    if measure.quantity == "power":
        return row.power_best_kw, row.power_spread, row.power_rpm
    return row.torque_best_nm, row.torque_spread, row.torque_rpm


def stretches_of(levels: Iterable[BayLevel]) -> Mapping[int, Sequence[BayLevel]]:
    """The stretches of each bay, in their order."""
    found: dict[int, list[BayLevel]] = {}
    for level in sorted(levels, key=lambda one: one.since):
        found.setdefault(level.bay_id, []).append(level)
    return found


def level_at(stretches: Sequence[BayLevel], day: float) -> BayLevel | None:
    """A bay's stretch at a time [days since 1970-01-01]."""
    place = bisect_right([one.since for one in stretches], day) - 1
    return stretches[max(0, place)] if stretches else None
