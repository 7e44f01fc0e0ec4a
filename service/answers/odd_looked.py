"""What was looked at for odd ones: of each kind its platform, bay and time, so that any part of it can be counted."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from service.answers.bay_days import bay_named
from service.answers.model import ModelState
from service.domain.history import Bools, Floats, History, Ints, day_number
from service.stats.history.cells import CarEffects, CarGains, SetupResiduals
from service.stats.history.outliers import judged_cars, judged_gains, judged_setups

SEVERAL: Final = -1
"""Stands for the bay of what was measured in more than one, and for the platform of a bay."""
NOWHERE: Final = -2
"""Stands for a platform or bay that the model does not have."""


@dataclass(frozen=True, slots=True)
class Looked:
    """Everything of a kind that was looked at; at [days since 1970-01-01], when it was measured last."""

    platform_id: Ints
    bay_id: Ints
    at: Floats

    def count(self, platform: int | None, bay: int | None, since: float | None) -> int:
        """How many of them are of this platform, bay and time; None: any."""
        wanted = np.ones(len(self.at), dtype=bool)
        if platform is not None:
            wanted &= self.platform_id == platform
        if bay is not None:
            wanted &= self.bay_id == bay
        if since is not None:
            wanted &= self.at >= since
        return int(wanted.sum())


def counts(
    looked: Mapping[str, Looked],
    state: ModelState,
    platform: str | None,
    bay: str | None,
    since: datetime | None,
) -> dict[str, int]:
    """How many of each kind were looked at, of a platform, bay and time (slugs; None: any)."""
    platforms = {facts.slug: key for key, facts in state.system.catalogue.platforms.items()}
    of_platform = None if platform is None else platforms.get(platform, NOWHERE)
    named = bay_named(state, bay)
    in_bay = None if bay is None else NOWHERE if named is None else named
    from_day = None if since is None else day_number(since)
    return {kind: one.count(of_platform, in_bay, from_day) for kind, one in looked.items()}


def looked_at_cars(cars: CarEffects, setups: SetupResiduals) -> Looked:
    """Cars on which a verdict was possible: where and when they stand by all their setups."""
    judged = judged_cars(cars)
    last, bay = places_of(setups.vehicle_id, setups.bay_id, setups.at, cars.vehicle_id[judged])
    return Looked(cars.platform_id[judged], bay, last)


def looked_at_gains(gains: CarGains, history: History, setups: SetupResiduals) -> Looked:
    """Cars' own gains on which a verdict was possible: where and when they stand by their setups with the part."""
    judged = judged_gains(gains)
    inside = np.isin(history.setup_id, setups.setup_id)
    parts = np.diff(history.part_start)
    rows = np.repeat(np.arange(len(history)), parts)
    kept = inside[rows]
    rows, fitted = rows[kept], history.part_id[kept]
    keys = keys_of(history.vehicle_id[rows], fitted)
    wanted = keys_of(gains.vehicle_id[judged], gains.part_id[judged])
    last, bay = places_of(keys, history.bay_id[rows], history.at[rows], wanted)
    platform_of = dict(zip(history.vehicle_id.tolist(), history.platform_id.tolist(), strict=True))
    platforms = [platform_of.get(car, NOWHERE) for car in gains.vehicle_id[judged].tolist()]
    return Looked(np.array(platforms, dtype=np.int64), bay, last)


def looked_at_setups(setups: SetupResiduals) -> Looked:
    """Setups on which a verdict was possible."""
    judged = judged_setups(setups)
    return Looked(setups.platform_id[judged], setups.bay_id[judged], setups.at[judged])


def looked_at_bays(setups: SetupResiduals) -> Looked:
    """Bays that were scanned for steps, by the last that was measured in them."""
    bays = np.unique(setups.bay_id)
    last, _ = places_of(setups.bay_id, setups.bay_id, setups.at, bays)
    return Looked(np.full(len(bays), SEVERAL, dtype=np.int64), bays, last)


def looked_at_pulls(setup_of_pull: Ints, setups: SetupResiduals) -> Looked:
    """Single pulls: where and when their setups stand; those whose setup the model does not have are nowhere."""
    order = np.argsort(setups.setup_id)
    ids = setups.setup_id[order]
    at = np.minimum(np.searchsorted(ids, setup_of_pull), max(0, len(ids) - 1))
    known = ids[at] == setup_of_pull if len(ids) else np.zeros(len(setup_of_pull), dtype=bool)

    def read(column: Ints | Floats, unknown: float) -> Ints | Floats:
        found = column[order[at]] if len(ids) else np.zeros(len(setup_of_pull))
        return np.where(known, found, unknown)

    return Looked(
        np.asarray(read(setups.platform_id, NOWHERE), dtype=np.int64),
        np.asarray(read(setups.bay_id, NOWHERE), dtype=np.int64),
        np.asarray(read(setups.at, -np.inf), dtype=np.float64),
    )


def keys_of(vehicle_id: Ints, part_id: Ints) -> Ints:
    """One number for a car and a part."""
    return vehicle_id * np.int64(2**32) + part_id


def places_of(keys: Ints, bay_id: Ints, at: Floats, wanted: Ints) -> tuple[Floats, Ints]:
    """The last time and the bay (SEVERAL where there were more) of each wanted key."""
    known, place = np.unique(keys, return_inverse=True)
    last = np.full(len(known), -np.inf)
    np.maximum.at(last, place, at)
    least, most = np.full(len(known), np.iinfo(np.int64).max), np.full(len(known), -1, dtype=np.int64)
    np.minimum.at(least, place, bay_id)
    np.maximum.at(most, place, bay_id)
    bay = np.where(least == most, most, SEVERAL)
    if not len(known):
        return np.full(len(wanted), -np.inf), np.full(len(wanted), NOWHERE, dtype=np.int64)
    row = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
    found: Bools = known[row] == wanted
    return np.where(found, last[row], -np.inf), np.where(found, bay[row], NOWHERE)
