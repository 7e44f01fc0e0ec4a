"""Adding and changing parts. Pairs rest on which slots a part fills, so new slots mean new pairs."""

from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any

from service.domain.errors import Fault
from service.domain.resources import PartSheet
from service.ledger import resources
from service.ledger.marking import pair_again
from service.ledger.resources import refuse, unknown
from service.store import parts as store
from service.store import slots
from service.store.db import Connection


def add_part(conn: Connection, part: PartSheet, *, who: str) -> PartSheet:
    """Add a part, or refuse naming the nearest slots and parts."""
    refuse([*slot_faults(conn, part.slots), *origin_faults(conn, part.slug, part.variant_of)])
    return resources.add(conn, part, store.add_part, who=who, about=f"parts/{part.slug}")


def change_part(conn: Connection, part: PartSheet, changes: Mapping[str, Any], *, who: str) -> PartSheet:
    """Change a part; every answer it stands in may read differently afterwards."""
    faults = slot_faults(conn, changes.get("slots", ()))
    if changes.get("variant_of") != part.variant_of:
        faults += origin_faults(conn, part.slug, changes.get("variant_of"))
    refuse(faults)
    new_slots = set(changes.get("slots", part.slots)) != set(part.slots)
    cars = hold_cars(conn, part.part_id) if new_slots else []
    saved = resources.change(
        conn,
        part,
        changes,
        store.save_part,
        who=who,
        about=f"parts/{part.slug}",
        renamed=f"parts/{changes.get('slug', part.slug)}",
    )
    for vehicle_id, platform_id in cars:
        pair_again(conn, platform_id, vehicle_id)
    if saved != part:
        store.bump_part(conn, part.part_id)
    return saved


def slot_faults(conn: Connection, named: Sequence[str]) -> list[Fault]:
    """Every slot must be known."""
    missing = slots.unknown_slots(conn, named)
    return [unknown(conn, "slot", slug, f"/slots/{i}") for i, slug in enumerate(named) if slug in missing]


def origin_faults(conn: Connection, slug: str, origin: str | None) -> list[Fault]:
    """What a part was made from must be known, and not be made from it."""
    if origin is None or origin == slug:
        return []  # a part made from itself is the database's to refuse
    origins = store.origins_of(conn, origin)
    if not origins:
        return [unknown(conn, "part", origin, "/variant_of")]
    if slug in origins:
        words = f"'{origin}' is itself made from '{slug}'; say which of the two came first"
        return [Fault("/variant_of", words, "variant-of-its-variant")]
    return []


def hold_cars(conn: Connection, part_id: int) -> list[tuple[int, int]]:
    """(vehicle, platform) of the cars measured with a part, each held as a post would hold it, by platform.

    Looked up a second time under a lock on the part, because a post may have been under way.
    """
    store.hold_cars_with(conn, part_id)
    store.hold_part(conn, part_id)
    return sorted(store.hold_cars_with(conn, part_id), key=itemgetter(1, 0))
