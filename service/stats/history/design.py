"""From a platform's setups to the block of the mixed model that stands for it.

    y = platform + bay (+ stretch) + covariates + sum over the fitted parts of G + interactions of their slots
        + car + the car's own gains + strap-down + setup + pulls

G = tilt (M + scale a) + main eta + delta (layout.Gain). Setups that are not complete or not levelled share an unknown
of their own strap-down, so that they speak through ratios only. Inlet air and ethanol that were not recorded stand at
what is usual, and the setups of a strap-down share what that may cost.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from service.domain.history import Catalogue, History
from service.stats.history.covariance import PATTERN_THETA, Pairs, diagonal, shared_by
from service.stats.history.fitted import SPREAD_NAMES, Fit, gain_key, part_of_key
from service.stats.history.layout import (
    ARRIVED_KEY,
    ETHANOL_KEY,
    LEVEL_KEY,
    Border,
    Gain,
    Key,
    Linear,
    bay_key,
    inlet_key,
    pair_key,
    part_key,
    part_on_key,
    slot_key,
    slot_on_key,
    stretch_key,
)
from service.stats.history.values import OTHER, SetupValues
from service.stats.mixed.block import FLAT, Block, Prior

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ADRIFT_SD: Final = 0.15  # our choice: how far off a setup may be whose parts or level are not known [ln]
INLET_UNIT_C: Final = 10.0
ETHANOL_UNIT: Final = 0.1
INLET_ZERO_C: Final = 25.0  # the reference air of the base standard

_THETA: Final = {name: i for i, name in enumerate(SPREAD_NAMES)}


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """Which parts each row has, one entry for each, by row; `part` [e] points into `parts` and `gains`."""

    row: Ints
    part: Ints
    parts: Ints
    gains: tuple[Gain, ...]

    def each(self, name: str) -> Floats:
        """A figure of the gains, by entry."""
        return np.array([getattr(gain, name) for gain in self.gains], dtype=float)[self.part]


@dataclass(frozen=True, slots=True, eq=False)
class PlatformDesign:
    """A platform's setups, its block, and what the block's columns and terms stand for.

    local_place: its own columns: typical level, slots on it, parts on it. centre: taken off all values. rows have
    `car` [n], the place of their car in `vehicles` [c]; entries of `fitted` belong to `own` [e], the place of (car,
    part) in `own_key`, with prior sizes `own_size`, weights `own_weight` and their parts' `own_alike`; part_cars: how many
    cars have each part. told: answers of counting.cars_that_tell that were asked for already (they never change, and
    cost most where a platform has many cars).
    """

    platform: int
    aspiration: str
    history: History
    values: SetupValues
    block: Block
    fitted: Fitted
    local_place: Mapping[Key, int]
    centre: float
    vehicles: Ints
    car: Ints
    own: Ints
    own_key: Ints
    own_size: Floats
    own_weight: Floats
    own_alike: Floats
    part_cars: Ints
    setup_weight: Floats
    car_weight: Floats
    offset: Floats
    told: dict[frozenset[tuple[int, float]], int] = field(default_factory=dict)

    @property
    def parts(self) -> Ints:
        """The parts of the platform, ascending."""
        return self.fitted.parts


class Columns:
    """Entries of a sparse matrix, gathered by column."""

    def __init__(self, rows: int) -> None:
        self.rows = rows
        self._row: list[Ints] = []
        self._column: list[Ints] = []
        self._value: list[Floats] = []

    def add(self, row: Ints, column: Ints | int, value: Floats | float) -> None:
        """Entries of these rows; several of one place add up."""
        self._row.append(row)
        self._column.append(np.full(row.shape, column, dtype=np.int64))
        self._value.append(np.full(row.shape, value, dtype=np.float64))

    def matrix(self, columns: int, place: Ints | None = None) -> csr_array:
        """All entries as a matrix, column i at place[i] where places are given."""
        if not self._row:
            return csr_array((self.rows, columns))
        column = np.concatenate(self._column)
        at = (np.concatenate(self._row), column if place is None else place[column])
        return csr_array((np.concatenate(self._value), at), shape=(self.rows, columns))


def platform_design(
    history: History, values: SetupValues, catalogue: Catalogue, fit: Fit, linear: Linear, border: Border
) -> tuple[PlatformDesign, Border]:
    """The design of one platform's setups (one platform, sorted as History says, at least one).

    Returns it and the border, extended by the columns that it did not have.
    """
    platform = int(history.platform_id[0])
    aspiration = aspiration_of(platform, catalogue)
    fitted = _fitted(history, platform, aspiration, linear)
    vehicles, car = np.unique(history.vehicle_id, return_inverse=True)
    keys, shared = _border_columns(history, catalogue, fit, aspiration, fitted, car)
    border = border.extended(keys)
    used, local_place = np.unique([border.place[key] for key in keys], return_inverse=True)
    slots = tuple(sorted({gain.slot for gain in fitted.gains}))
    own_key, own = np.unique(
        gain_key(history.vehicle_id[fitted.row], fitted.parts[fitted.part]), return_inverse=True
    )
    own_size = np.zeros(len(own_key))
    own_size[own] = fitted.each("size")
    weights = fit.weights
    own_weight, setup_weight = weights.gain.of(own_key), weights.setup.of(history.setup_id)
    own_alike = weights.alike.of(part_of_key(own_key))
    car_weight = weights.car.of(vehicles)
    on_weight = weights.part_on.of(
        gain_key(np.full(len(fitted.parts), platform, dtype=np.int64), fitted.parts)
    )
    offset = np.zeros(len(history))
    np.add.at(offset, fitted.row, fitted.each("offset"))
    centre, pairs = float(values.value.mean()), Pairs.of(car)
    block = Block(
        x_local=_local_columns(len(history), fitted, slots),
        x_border=shared.matrix(len(used), local_place),
        border=used.astype(np.int64),
        group_start=np.concatenate(([0], np.flatnonzero(np.diff(car)) + 1, [len(car)])).astype(np.int64),
        noise=values.noise,
        patterns=(
            diagonal(1.0 / setup_weight),
            pairs.pattern(pairs.same(history.session_id)),
            pairs.pattern(1.0 / car_weight[car[pairs.row]]),
            shared_by(fitted.row, own, own_size**2 / own_weight / own_alike, len(history)),
            shared_by(fitted.row, own, 1.0 / own_weight / own_alike, len(history)),
            pairs.pattern(_unknown_levels(history, catalogue, fit, aspiration, pairs)),
        ),
        pattern_theta=PATTERN_THETA,
        y=(values.value - offset - centre)[:, np.newaxis],
        prior_local=_local_prior(fitted, slots, on_weight),
    )
    design = PlatformDesign(
        platform=platform,
        aspiration=aspiration,
        history=history,
        values=values,
        block=block,
        fitted=fitted,
        local_place=_local_place(fitted, slots),
        centre=centre,
        vehicles=vehicles,
        car=car,
        own=own,
        own_key=own_key,
        own_size=own_size,
        own_weight=own_weight,
        own_alike=own_alike,
        part_cars=np.bincount(
            np.searchsorted(fitted.parts, part_of_key(own_key)), minlength=len(fitted.parts)
        ),
        setup_weight=setup_weight,
        car_weight=car_weight,
        offset=offset,
    )
    return design, border


def aspiration_of(platform: int, catalogue: Catalogue) -> str:
    """A platform's aspiration; one of its own where the catalogue does not know it."""
    facts = catalogue.platforms.get(platform)
    return facts.aspiration if facts is not None else OTHER


def row_parts(history: History) -> Ints:
    """The row of each entry of `part_id`."""
    return np.repeat(np.arange(len(history)), np.diff(history.part_start))


def usual_conditions(history: History, catalogue: Catalogue) -> tuple[float, float]:
    """Mean inlet air [degC] and median ethanol with a calibration [0..1]: what stands in where it was not recorded.

    A calibration's gain is meant at the ordinary fuel, which a few cars on strong fuel would pull a mean away from.
    """
    inlet = history.inlet_c[np.isfinite(history.inlet_c)]
    ethanol = history.ethanol[has_tune(history, catalogue) & np.isfinite(history.ethanol)]
    return (
        float(inlet.mean()) if len(inlet) else INLET_ZERO_C,
        float(np.median(ethanol)) if len(ethanol) else 0.0,
    )


def has_tune(history: History, catalogue: Catalogue) -> Bools:
    """Which rows have a calibration fitted."""
    parts, at = np.unique(history.part_id, return_inverse=True)
    known = catalogue.parts
    tune = np.array([p in known and known[p].is_tune for p in parts.tolist()], dtype=bool)
    found = np.zeros(len(history), dtype=bool)
    if len(parts):
        found[row_parts(history)[tune[at]]] = True
    return found


def _fitted(history: History, platform: int, aspiration: str, linear: Linear) -> Fitted:
    parts, at = np.unique(history.part_id, return_inverse=True)
    gains = tuple(linear.of(part, platform, aspiration) for part in parts.tolist())
    return Fitted(row_parts(history), at.astype(np.int64), parts.astype(np.int64), gains)


def _local_columns(rows: int, fitted: Fitted, slots: tuple[str, ...]) -> csr_array:
    columns = Columns(rows)
    columns.add(np.arange(rows), 0, 1.0)
    place = {slot: 1 + i for i, slot in enumerate(slots)}
    of_slot = np.array([place[gain.slot] for gain in fitted.gains], dtype=np.int64)
    if len(fitted.row):
        columns.add(fitted.row, of_slot[fitted.part], fitted.each("main"))
        columns.add(fitted.row, 1 + len(slots) + fitted.part, 1.0)
    return columns.matrix(1 + len(slots) + len(fitted.parts))


def _local_place(fitted: Fitted, slots: tuple[str, ...]) -> Mapping[Key, int]:
    parts = map(part_on_key, fitted.parts.tolist())
    return {key: i for i, key in enumerate((LEVEL_KEY, *map(slot_on_key, slots), *parts))}


def _local_prior(fitted: Fitted, slots: tuple[str, ...], on_weight: Floats) -> Prior:
    theta = [FLAT] + [_THETA["slot_on"]] * len(slots) + [_THETA["part_on"]] * len(fitted.parts)
    sizes = np.array([gain.spread_size for gain in fitted.gains])
    scale = np.concatenate((np.ones(1 + len(slots)), sizes**2 / on_weight))
    return Prior(np.array(theta, dtype=np.int64), scale)


def _border_columns(
    history: History, catalogue: Catalogue, fit: Fit, aspiration: str, fitted: Fitted, car: Ints
) -> tuple[list[Key], Columns]:
    """The border's columns that these rows use: keys (one may come twice) and entries by their places."""
    keys: list[Key] = []
    columns = Columns(len(history))

    def several(names: Sequence[Key], row: Ints, which: Ints, value: Floats) -> None:
        columns.add(row, len(keys) + which, value)
        keys.extend(names)

    def column(key: Key, row: Ints, value: Floats | float) -> None:
        columns.add(row, len(keys), value)
        keys.append(key)

    tilt = fitted.each("tilt")
    several([slot_key(gain.slot, aspiration) for gain in fitted.gains], fitted.row, fitted.part, tilt)
    of_parts = [part_key(part) for part in fitted.parts.tolist()]
    several(of_parts, fitted.row, fitted.part, tilt * fitted.each("scale"))
    several(*_pairs(fitted))
    for key, row in _bays(history, catalogue):
        column(key, row, 1.0)
    every = np.arange(len(history))
    inlet = np.where(np.isfinite(history.inlet_c), history.inlet_c, fit.inlet_c)
    column(inlet_key(aspiration), every, (inlet - INLET_ZERO_C) / INLET_UNIT_C)
    tuned = np.flatnonzero(has_tune(history, catalogue) & np.isfinite(history.ethanol))
    column(ETHANOL_KEY, tuned, (history.ethanol[tuned] - fit.ethanol) / ETHANOL_UNIT)
    first = np.concatenate(([0], np.flatnonzero(np.diff(car)) + 1))
    arrived = (np.diff(history.part_start) > 0)[first]
    column(ARRIVED_KEY, every[arrived[car]], 1.0)
    return keys, columns


def _pairs(fitted: Fitted) -> tuple[list[Key], Ints, Ints, Floats]:
    """Interactions: keys of the pairs of slots that are fitted together, and the rows, which pair, and the root of the
    product of the two gains."""
    slots = sorted({gain.slot for gain in fitted.gains})
    place = {slot: i for i, slot in enumerate(slots)}
    slot = np.array([place[gain.slot] for gain in fitted.gains], dtype=np.int64)[fitted.part]
    size = fitted.each("size")
    first, second = _together(fitted.row)
    differ = slot[first] != slot[second]
    first, second = first[differ], second[differ]
    low, high = np.minimum(slot[first], slot[second]), np.maximum(slot[first], slot[second])
    codes, which = np.unique(low * len(slots) + high, return_inverse=True)
    keys = [pair_key(slots[code // len(slots)], slots[code % len(slots)]) for code in codes.tolist()]
    return keys, fitted.row[first], which, np.sqrt(size[first] * size[second])


def _together(row: Ints) -> tuple[Ints, Ints]:
    """Every two entries of one row (rows ascending)."""
    most = int(np.bincount(row).max(initial=0)) if len(row) else 0
    pairs = [np.flatnonzero(row[:-lag] == row[lag:]) for lag in range(1, most)]
    first = np.concatenate([np.empty(0, np.int64), *pairs])
    second = np.concatenate([np.empty(0, np.int64), *(at + lag for lag, at in enumerate(pairs, 1))])
    return first, second


def _bays(history: History, catalogue: Catalogue) -> list[tuple[Key, Ints]]:
    """The bay of each row, and the stretch of it where an event came before."""
    found: list[tuple[Key, Ints]] = []
    for bay in np.unique(history.bay_id).tolist():
        rows = np.flatnonzero(history.bay_id == bay)
        found.append((bay_key(bay), rows))
        events = bay_events(bay, catalogue)
        stretch = np.searchsorted(events, history.at[rows], side="right")
        for i, event in enumerate(events, 1):
            if (stretch == i).any():
                found.append((stretch_key(bay, event), rows[stretch == i]))
    return found


def bay_events(bay: int, catalogue: Catalogue) -> Sequence[float]:
    """When a bay's level may have stepped."""
    facts = catalogue.bays.get(bay)
    return facts.events if facts is not None else ()


def _unknown_levels(
    history: History, catalogue: Catalogue, fit: Fit, aspiration: str, pairs: Pairs
) -> Floats:
    """Variance that two rows of one strap-down share where neither's parts or level are known, or its inlet air, or its
    ethanol [pairs]."""
    unknown = (
        (ADRIFT_SD**2, ~(history.complete & history.levelled)),
        (fit.inlet_unrecorded.get(aspiration, 0.0), ~np.isfinite(history.inlet_c)),
        (fit.ethanol_unrecorded, has_tune(history, catalogue) & ~np.isfinite(history.ethanol)),
    )
    shared = sum((variance * pairs.both(rows) for variance, rows in unknown), np.zeros(len(pairs.row)))
    return np.where(pairs.same(history.session_id), shared, 0.0)
