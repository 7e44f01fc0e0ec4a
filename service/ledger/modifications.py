"""The invoice side of a car: recorded as it is told, with a note where two entries cannot both be right."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.domain.records import Finding
from service.domain.resources import Modification
from service.ledger import resources
from service.ledger.resources import refuse, unknown
from service.store import modifications as store
from service.store import parts
from service.store.db import Connection
from service.store.parts import own_slug


def about(modification: Modification) -> str:
    """Where a modification stands in the history."""
    return f"vehicles/{modification.vehicle}/modifications/{modification.modification_id}"


def add_modification(conn: Connection, modification: Modification, *, who: str) -> Modification:
    """Add a modification, or refuse naming the nearest part. Its address in the history is known once it is added."""
    refuse_unknown_part(conn, modification.part)
    own = replace(modification, part=own_slug(conn, modification.part))
    added = store.add_modification(conn, own)
    return resources.add(conn, added, lambda _, record: record, who=who, about=about(added))


def change_modification(
    conn: Connection, modification: Modification, changes: Mapping[str, Any], *, who: str
) -> Modification:
    """Change a modification."""
    part = changes.get("part", modification.part)
    refuse_unknown_part(conn, part)
    changes = {**changes, "part": own_slug(conn, part)}
    return resources.change(
        conn, modification, changes, store.save_modification, who=who, about=about(modification)
    )


def refuse_unknown_part(conn: Connection, slug: str) -> None:
    """The part must be known."""
    if parts.get_part(conn, slug) is None:
        refuse([unknown(conn, "part", slug, "/part")])


def checks(conn: Connection, modification: Modification) -> list[Finding]:
    """A note for every other part recorded in the same slot at the same time."""
    return [
        Finding(
            "slot-taken-twice",
            "note",
            f"{part} is recorded in the slot {slot} from {fitted} until {removed or 'today'}: "
            f"if {modification.part} took its place, give {part} its removed_on",
            "/fitted_on",
        )
        for part, slot, fitted, removed in store.overlapping(conn, modification)
    ]
