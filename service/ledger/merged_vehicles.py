"""One car recorded under two tags: merged into one, and taken apart again exactly as it was."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from uuid import UUID

from service.domain.errors import Conflict, Fault
from service.domain.resources import Vehicle
from service.ledger import marking
from service.ledger.resources import refuse, unknown
from service.ledger.settling import settle_all
from service.store import history
from service.store import merging as store
from service.store.car_changes import note_cars
from service.store.db import Connection
from service.store.nearest import not_known
from service.store.vehicles import get_vehicle


@dataclass(frozen=True, slots=True)
class Moved:
    """What a merge or its end moved; `stayed`: what it would have moved back, but was moved on since."""

    vehicle: Vehicle
    sessions: Sequence[UUID]
    modifications: int
    stayed: int = 0


def merge_vehicle(conn: Connection, tag: str, into: str, why: str, who: str) -> Moved:
    """Put all that was measured and fitted under one tag under another, of which it is an alias from then on.

    Raises Conflict with every reason at once why the two cannot be one car; Refused at `/into` where a pull would then be
    on the car twice.
    """
    marking.lock_in_order(conn, tag, into)
    alias = known(conn, tag)
    own = get_vehicle(conn, into)
    if own is None:
        refuse([unknown(conn, "vehicle", into, "/into")])
    assert own is not None
    faults = [Fault("/into", words) for words in reasons_against(alias, own)]
    if faults:
        raise Conflict(f"{tag} cannot be merged into {into}: " + "; ".join(f.detail for f in faults), faults)
    sessions = store.move_sessions(conn, alias.vehicle_id, own.vehicle_id, None)
    modifications = store.move_modifications(conn, alias.vehicle_id, own.vehicle_id, None)
    store.keep_vehicle_merge(conn, alias.vehicle_id, own.vehicle_id, list(sessions), modifications)
    note_moved(conn, sessions.values(), tag, into, why, who)
    said = {"sessions": len(sessions), "modifications": len(modifications)}
    for about, after in ((tag, {"merged_into": into, **said}), (into, {"merged": tag, **said})):
        history.note(conn, who=who, about=f"vehicles/{about}", action="merged", after=after, reason=why)
    settle_all(conn, list(sessions.values()), who, "/into", left=[alias.vehicle_id], after="a merge of cars")
    note_cars(conn, [alias.vehicle_id, own.vehicle_id])
    return Moved(known(conn, tag), list(sessions.values()), len(modifications))


def unmerge_vehicle(conn: Connection, tag: str, why: str, who: str) -> Moved:
    """Put back what a merge moved, and nothing else: what was posted since stays with the car it was merged into."""
    alias = known(conn, tag)
    into = alias.merged_into
    marking.lock_in_order(conn, tag, *([] if into is None else [into]))
    merge = store.vehicle_merge_of(conn, alias.vehicle_id)
    if merge is None or into is None:
        raise Conflict(f"{tag} is not merged into another car; there is nothing to take apart")
    if alias.erased_at is not None:
        raise Conflict(f"{tag} was erased for good; it cannot be taken apart")
    sessions = store.move_sessions(conn, merge.into_id, merge.from_id, merge.sessions)
    modifications = store.move_modifications(conn, merge.into_id, merge.from_id, merge.modifications)
    store.end_vehicle_merge(conn, merge)
    note_moved(conn, sessions.values(), into, tag, why, who)
    said = {"sessions": len(sessions), "modifications": len(modifications)}
    for about, before in ((tag, {"merged_into": into, **said}), (into, {"merged": tag, **said})):
        history.note(conn, who=who, about=f"vehicles/{about}", action="unmerged", before=before, reason=why)
    settle_all(
        conn, list(sessions.values()), who, left=[merge.into_id], after="a merge of cars was taken back"
    )
    note_cars(conn, [merge.from_id, merge.into_id])
    stayed = len(merge.sessions) - len(sessions)
    return Moved(known(conn, tag), list(sessions.values()), len(modifications), stayed)


def known(conn: Connection, tag: str) -> Vehicle:
    """The vehicle, or NotFound."""
    vehicle = get_vehicle(conn, tag)
    if vehicle is None:
        raise not_known(conn, "vehicle", tag)
    return vehicle


def reasons_against(alias: Vehicle, own: Vehicle) -> Iterator[str]:
    """Why two records cannot be of one car as they stand."""
    if alias.tag == own.tag:
        yield f"{own.tag} is itself; name another tag"
        return
    if alias.platform != own.platform:
        yield f"{alias.tag} is a {alias.platform}, {own.tag} a {own.platform}: mend the platform of the wrong one first"
    for one in (alias, own):
        if one.merged_into is not None:
            yield f"{one.tag} was merged into {one.merged_into} already: unmerge it first, or name {one.merged_into}"
        if one.erased_at is not None:
            yield f"the identity of {one.tag} was erased: nobody can know that it is this car"
    if alias.merged_from:
        names = ", ".join(alias.merged_from)
        yield f"{names} was merged into {alias.tag}: unmerge it first, then merge it into {own.tag}"
    if alias.vin_hash is not None and own.vin_hash is not None:
        yield 'each has a VIN of its own, so they are two cars: take away the wrong VIN first (PATCH with "vin": null)'
    if alias.check_car != own.check_car:
        yield "one of the two is a check car, the other is not: mend that first"


def note_moved(conn: Connection, ids: Iterable[UUID], before: str, after: str, why: str, who: str) -> None:
    """Write down of each session that it stands under another tag."""
    for id in ids:
        history.note(
            conn,
            who=who,
            about=f"sessions/{id}",
            action="amended",
            before={"vehicle": before},
            after={"vehicle": after},
            reason=why,
        )
