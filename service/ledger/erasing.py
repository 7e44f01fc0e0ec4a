"""Erasing a car's identity on request: what was measured stays pooled, and nothing tells any more whose it was.

Gone for good: its tags, VIN, odometer, operators, labels, notes and prices, and whatever else people wrote about it. Kept:
its platform and model year, which many cars share, and what the answers rest on, times included.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from secrets import token_hex

from service.domain.errors import Conflict, Fault, Refused
from service.ledger.merged_vehicles import known
from service.store import erasing as store
from service.store import history, pairs, sessions
from service.store.car_changes import note_cars
from service.store.db import Connection
from service.store.vehicles import platform_of


@dataclass(frozen=True, slots=True)
class Erased:
    """That a car was erased, and how many sessions of it stay."""

    at: datetime
    sessions: int


def erase_vehicle(conn: Connection, tag: str, why: str, who: str) -> Erased:
    """Erase who a car is, for good; raises Conflict where it is an alias or was erased already."""
    sessions.lock_car(conn, tag)
    vehicle = known(conn, tag)
    if vehicle.merged_into is not None:
        raise Conflict(
            f"{tag} was merged into {vehicle.merged_into}: erase that car, which takes this tag with it, or unmerge it first"
        )
    if vehicle.erased_at is not None:
        raise Conflict(f"the identity of {tag} was erased already; there is nothing left to erase")
    refuse_naming(store.tags_of(conn, vehicle.vehicle_id), why)
    neutral = f"erased-{token_hex(6)}"
    addresses = store.sessions_of(conn, vehicle.vehicle_id)
    store.erase_vehicle(conn, vehicle.vehicle_id, neutral)
    for about in (f"vehicles/{neutral}", *addresses):
        history.note(conn, who=who, about=about, action="erased", reason=why)
    platform_id = platform_of(conn, vehicle.vehicle_id)
    pairs.bump_evidence(conn, platform_id, store.parts_of_pairs(conn, vehicle.vehicle_id))
    note_cars(conn, [vehicle.vehicle_id])
    erased = known(conn, neutral)
    assert erased.erased_at is not None
    return Erased(erased.erased_at, len(addresses))


def refuse_naming(tags: Sequence[str], why: str) -> None:
    """The reason stays on record, so it must not name what is erased."""
    named = next((tag for tag in tags if re.search(rf"(?<![a-z0-9-]){tag}(?![a-z0-9-])", why.lower())), None)
    if named is not None:
        words = f"names {named}, and stays on record: say why without any name"
        raise Refused("nothing was erased", [Fault("/reason", words)])
