"""Changing a kind of car: where its engine's figures change, what was corrected by them is divided out anew."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.domain.closing import no_longer_so
from service.domain.resources import Platform
from service.ledger import again, marking, resources
from service.ledger.checked_again import look_again
from service.store import platforms as store
from service.store.car_changes import note_cars_of_platform
from service.store.db import Connection


def change_platform(
    conn: Connection, platform: Platform, changes: Mapping[str, Any], *, who: str
) -> Platform:
    """Change a platform, or raise Stale where someone was faster.

    Pulls posted in a standard that depends on the engine, without their factor, follow its figures: they are divided
    out anew, and their cars' summaries and pairs made again.
    """
    was, engine = platform.as_engine(), replace(platform, **changes).as_engine()
    resting = again.hold_cars(conn, platform.platform_id) if engine != was else ()
    saved = resources.change(
        conn,
        platform,
        changes,
        store.save_platform,
        who=who,
        about=f"platforms/{platform.slug}",
        renamed=f"platforms/{changes.get('slug', platform.slug)}",
    )
    for id in resting:
        session = marking.held(conn, id)
        if again.divide_anew(conn, id, was, engine):
            marking.settle(
                conn, session, look_again(conn, session, who, why=no_longer_so("a change of its platform"))
            )
    if engine != was:
        note_cars_of_platform(conn, saved.platform_id)  # some standards' factors go by the engine
    if saved != platform:
        store.bump_platform(conn, saved.platform_id)
    return saved
