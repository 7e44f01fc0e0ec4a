"""Adding and changing cars: a mistyped tag splits a car's record in two, so a tag that looks like one is asked about."""

from collections.abc import Mapping
from typing import Any

from service.domain.errors import Conflict, Fault
from service.domain.names import is_one_series
from service.domain.resources import Vehicle
from service.ledger import resources
from service.ledger.resources import refuse, unknown
from service.store import platforms
from service.store import vehicles as store
from service.store.db import Connection
from service.store.nearest import tags_one_letter_away


def add_vehicle(conn: Connection, vehicle: Vehicle, *, confirmed: bool, who: str) -> Vehicle:
    """Add a car, or refuse naming the nearest platform or the tag it may be a slip of."""
    faults = platform_faults(conn, vehicle.platform)
    if not confirmed:
        faults += tag_faults(conn, vehicle.tag)
    refuse(faults)
    return resources.add(conn, vehicle, store.add_vehicle, who=who, about=f"vehicles/{vehicle.tag}")


def change_vehicle(
    conn: Connection, vehicle: Vehicle, changes: Mapping[str, Any], *, confirmed: bool, who: str
) -> Vehicle:
    """Change a car. Its platform can change only while nothing was measured on it."""
    tag, platform = changes.get("tag", vehicle.tag), changes.get("platform", vehicle.platform)
    faults = [] if platform == vehicle.platform else platform_faults(conn, platform)
    if tag != vehicle.tag and not confirmed:
        faults += tag_faults(conn, tag, but=vehicle.tag)
    refuse(faults)
    if platform != vehicle.platform:
        refuse_moving(store.count_sessions(conn, vehicle.vehicle_id), vehicle)
    saved = resources.change(
        conn,
        vehicle,
        changes,
        store.save_vehicle,
        who=who,
        about=f"vehicles/{vehicle.tag}",
        renamed=f"vehicles/{tag}",
    )
    if saved != vehicle:
        platforms.bump_platform(conn, store.platform_of(conn, saved.vehicle_id))
    return saved


def platform_faults(conn: Connection, platform: str) -> list[Fault]:
    """The platform must be known."""
    return (
        [] if platforms.get_platform(conn, platform) else [unknown(conn, "platform", platform, "/platform")]
    )


def tag_faults(conn: Connection, tag: str, but: str = "") -> list[Fault]:
    """A new tag one letter from another car's is a slip until somebody says it is not; a further number is none."""
    near = [
        other for other in tags_one_letter_away(conn, tag) if other != but and not is_one_series(tag, other)
    ]
    if not near or store.get_vehicle(conn, tag) is not None:
        return []
    words = f"'{tag}' is one letter from {', '.join(near)}: use that tag, or send \"confirm\": true if it is another car"
    return [Fault("/tag", words, "tag-one-letter-away")]


def refuse_moving(sessions: int, vehicle: Vehicle) -> None:
    """What was measured on a car was derived for its platform."""
    if sessions:
        words = (
            f"{vehicle.tag} has {sessions} session{'s' if sessions > 1 else ''}, paired and compared as "
            f"{vehicle.platform}; it stays there: add the car under a new tag on the right platform"
        )
        raise Conflict(words, [Fault("/platform", words)])
