"""What a ledger holds of the sessions that it was sent, held against their documents."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from psycopg import Connection

from tests.faults.rebuild import Slots, damage, kept_pairs


@dataclass(frozen=True)
class Kept:
    """How many sessions and pairs a ledger holds; of what it was sent, acknowledged sessions that are not there, sessions
    beyond those that were sent, and everything else that is not as a rebuild from their documents makes it."""

    sessions: int
    pairs: int
    lost: int
    doubled: int
    damage: list[str]

    @property
    def is_whole(self) -> bool:
        """All that was acknowledged once, nothing twice, nothing in part."""
        return (self.lost, self.doubled, self.damage) == (0, 0, [])


def kept_in(
    ledger: Connection[Any], sent: Iterable[Mapping[str, Any]], acknowledged: Collection[str], slots: Slots
) -> Kept:
    """Look in the database itself. sent: whole documents; acknowledged: ids of those that the ledger said it had."""
    documents = {document["id"]: document for document in sent}
    ids = [id for (id,) in ledger.execute("SELECT id::text FROM session").fetchall()]
    return Kept(
        sessions=len(ids),
        pairs=len(kept_pairs(ledger)),
        lost=len(set(acknowledged) - set(ids)),
        doubled=len(ids) - len(set(ids) & documents.keys()),
        damage=damage(ledger, documents.values(), slots),
    )
