"""Adding and changing what the shop knows, with its history, in the caller's transaction."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, is_dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, TypeVar

from service.domain.errors import Fault, Refused, Stale
from service.domain.resources import Bay, BayEvent, PartSheet, Platform, Vehicle
from service.store import history
from service.store.car_changes import note_cars, note_catalogue
from service.store.db import Connection
from service.store.nearest import nearest

T = TypeVar("T")

HIDDEN = ("vin_hash", "version", "merged_into", "merged_from", "erased_at")
"""Fields that the history leaves out: keys, secrets, and what has lines of its own there."""


def add(conn: Connection, record: T, insert: Callable[[Connection, T], T], *, who: str, about: str) -> T:
    """Insert a record and write down that it was added."""
    added = insert(conn, record)
    tell(conn, added)
    history.note(conn, who=who, about=about, action="added", after=plain(added))
    return added


def change(
    conn: Connection,
    record: T,
    changes: Mapping[str, Any],
    save: Callable[[Connection, T], T | None],
    *,
    who: str,
    about: str,
    renamed: str | None = None,
) -> T:
    """Save a record with changed fields and write down what they were; raises Stale where someone was faster.

    A record whose name changed has its past under `about`; a line under its new address, `renamed`, leads there.
    """
    changed = replace(record, **changes)  # type: ignore[type-var]
    if changed == record:
        return record
    saved = save(conn, changed)
    if saved is None:
        raise Stale("the record was changed at this very moment; read it again, then change it")
    tell(conn, saved)
    before, after = plain(record), plain(saved)
    moved = [name for name in after if after[name] != before.get(name)] or [
        "vin"
    ]  # a VIN for another looks the same
    history.note(
        conn,
        who=who,
        about=about,
        action="changed",
        before={name: before.get(name) for name in moved},
        after={name: after.get(name) for name in moved},
    )
    if renamed is not None and renamed != about:
        history.note(
            conn, who=who, about=renamed, action="renamed", before={"about": about}, after={"about": renamed}
        )
    return saved


def tell(conn: Connection, record: object) -> None:
    """Tell whoever follows the ledger's cars, where the record is a car or says what a setup's ids mean."""
    if isinstance(record, Vehicle):
        note_cars(conn, [record.vehicle_id])
    elif isinstance(record, Platform | PartSheet | Bay | BayEvent):
        note_catalogue(conn)


def plain(record: Any) -> dict[str, Any]:
    """A record as JSON can hold it, without keys and secrets."""
    assert is_dataclass(record)
    values = asdict(record)  # type: ignore[arg-type]
    shown = {
        name: simple(value)
        for name, value in values.items()
        if name not in HIDDEN and not name.endswith("_id")
    }
    if "vin_hash" in values:
        shown["vin"] = None if values["vin_hash"] is None else "known"
    return shown


def simple(value: Any) -> Any:
    """One value as JSON can hold it."""
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, date | datetime):
        return value.isoformat()
    return list(value) if isinstance(value, tuple) else value


def unknown(conn: Connection, kind: str, name: str, pointer: str) -> Fault:
    """A name the ledger does not know, with the nearest it does and how to add it."""
    near = nearest(conn, kind, name)
    hint = f"the nearest are {', '.join(near)}" if near else f"no {kind} here has a name like it"
    return Fault(
        pointer, f"there is no {kind} '{name}'; {hint}; or add it first (POST /v1/{kind}s)", f"unknown-{kind}"
    )


def refuse(faults: list[Fault]) -> None:
    """Refuse with every fault at once, if there is any."""
    if faults:
        raise Refused(
            f"{len(faults)} fault{'s' if len(faults) > 1 else ''} in the request; nothing was kept", faults
        )
