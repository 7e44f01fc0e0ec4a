"""Correcting a bay's figures of a period that were found wrong later, and taking that back.

What was posted stays; every pull of the bay that began in the period is derived anew as if the bay had been right, those
that are posted later too.
"""

from collections.abc import Mapping
from typing import Any

from service.domain.errors import Conflict, Fault, NotFound
from service.ledger.again import correct_pulls
from service.ledger.settling import settle_all
from service.store import bay_corrections as store
from service.store import history
from service.store.bay_corrections import BayCorrection
from service.store.db import Connection
from service.store.nearest import not_known

SAID = ("factor", "temperature_k", "pressure_kpa", "basis")
"""What a correction says of the figures."""


def add_correction(conn: Connection, slug: str, values: Mapping[str, Any], who: str) -> BayCorrection:
    """Correct a bay's figures from `starts_at` to `ends_at`; refused where another correction holds for a part of it."""
    bay_id = held_bay(conn, slug)
    starts_at, ends_at = values["starts_at"], values["ends_at"]
    overlapping = store.overlapping(conn, bay_id, starts_at, ends_at)
    if overlapping:
        named = ", ".join(f"/v1/bays/{slug}/corrections/{one}" for one in overlapping)
        words = f"{named} holds for a part of this period: undo it first, or end this one where that begins"
        raise Conflict(words, [Fault("/from", words, "periods-overlap")])
    key = store.add_correction(conn, bay_id, dict(values), who)
    correct_period(conn, slug, bay_id, key, who, values["reason"])
    return found(conn, slug, key)


def undo_correction(conn: Connection, slug: str, correction_id: int, why: str, who: str) -> BayCorrection:
    """Take a correction back: the figures rest on what was posted again."""
    bay_id = held_bay(conn, slug)
    correction = found(conn, slug, correction_id)
    if correction.undone_at is not None:
        raise Conflict(
            f"correction {correction_id} of {slug} was taken back already, by {correction.undone_by}"
        )
    store.end_correction(conn, correction_id, who, why)
    correct_period(conn, slug, bay_id, correction_id, who, why)
    return found(conn, slug, correction_id)


def found(conn: Connection, slug: str, correction_id: int) -> BayCorrection:
    """A bay's correction, or NotFound."""
    correction = store.get_correction(conn, slug, correction_id)
    if correction is None:
        raise NotFound(f"correction of {slug}", str(correction_id))
    return correction


def held_bay(conn: Connection, slug: str) -> int:
    """The key of a bay, held so that nothing is posted from it meanwhile; or NotFound."""
    bay_id = store.hold_bay(conn, slug)
    if bay_id is None:
        raise not_known(conn, "bay", slug)
    return bay_id


def correct_period(conn: Connection, slug: str, bay_id: int, key: int, who: str, why: str) -> None:
    """Derive anew what began in a correction's period, and write down that it was made or taken back."""
    correction = found(conn, slug, key)
    made = correction.undone_at is None
    said = {name: getattr(correction, name) for name in SAID if getattr(correction, name) is not None}
    period = {"from": correction.starts_at.isoformat(), "to": correction.ends_at.isoformat()}
    about = f"bays/{slug}/corrections/{key}"
    history.note(
        conn,
        who=who,
        about=about,
        action="added" if made else "undone",
        before=None if made else {**period, **said},
        after={**period, **said} if made else None,
        reason=why,
    )
    ids = store.sessions_in(conn, bay_id, correction.starts_at, correction.ends_at)
    store.hold_cars(conn, ids)
    for id in ids:
        correct_pulls(conn, id)
        sides = [{f"bay_{name}": None for name in said}, {f"bay_{name}": said[name] for name in said}]
        before, after = sides if made else sides[::-1]
        history.note(
            conn,
            who=who,
            about=f"sessions/{id}",
            action="amended",
            before={"bay_correction": None if made else key, **before},
            after={"bay_correction": key if made else None, **after},
            reason=why,
        )
    settle_all(conn, ids, who, after=f"correction {key} of {slug}{'' if made else ' was taken back'}")
