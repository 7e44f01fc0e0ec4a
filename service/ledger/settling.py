"""Many sessions derived and judged anew at once, after a mend that touches them all."""

from collections.abc import Sequence
from uuid import UUID

from service.domain.closing import no_longer_so
from service.ledger import marking
from service.ledger.checked_again import look_again, stored_session
from service.store import marking as store
from service.store.db import Connection


def settle_all(
    conn: Connection,
    ids: Sequence[UUID],
    who: str,
    refused_at: str | None = None,
    left: Sequence[int] = (),
    *,
    after: str,
) -> None:
    """Summarise these sessions anew, then say anew what the checks say of each, then pair their cars anew.

    left: cars that sessions were taken from; they are paired anew first, as no pair may stand twice. after: what was
    done, so that what is no longer so says since when. The caller holds the cars. All are summarised before the first
    is judged: each is the others' company, which must not be half mended. The mend is refused at `refused_at` where it
    brings in what cannot be true (None: it cannot).
    """
    held = [marking.held(conn, id) for id in ids]
    for session in held:
        marking.summarise_again(conn, session, stored_session(conn, session.id))
    for session in held:
        marking.summarise_again(
            conn, session, look_again(conn, session, who, refused_at, no_longer_so(after))
        )
        store.bump_session(conn, session.session_id)
    moved_to = {session.vehicle_id for session in held}.difference(left)
    platforms = store.platforms_of_cars(conn, moved_to.union(left))
    marking.hold_evidence(conn, *platforms.values())
    for vehicle_id in (*left, *sorted(moved_to)):
        marking.pair_again(conn, platforms[vehicle_id], vehicle_id)
