"""Which cars changed since one looked last.

Every transaction that changes a car leaves a row with its own number. Numbers are given at the beginning and rows become
visible at the end, so a later number can be seen before an earlier one. Whoever follows therefore keeps the oldest number
that was still running when he looked (all below it were over) and which rows from there on he has seen: nothing that is
committed late is missed, nothing is told twice, and nobody waits for anybody.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.store.db import Connection, Later


@dataclass(frozen=True, slots=True)
class Mark:
    """How far the changes were followed: all of transactions below `xid`, and of later ones those in `seen`.

    count: how many changes were followed since the mark that one began with. Snapshots of one database see ever more
    changes, so two readers that began with the same mark and have the same count have seen the same.
    """

    xid: int
    seen: frozenset[int]
    count: int = 0


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed: these cars, and whether what the ids mean did (`catalogue`); `mark` is where to go on from.

    lost: the mark was older than every fit that is kept, so changes after it may have been forgotten: begin anew.
    """

    vehicle_ids: frozenset[int]
    catalogue: bool
    mark: Mark
    lost: bool = False


def note_cars(conn: Connection, vehicle_ids: Iterable[int]) -> None:
    """Tell that these cars changed, in the transaction that changes them.

    Whoever writes a setup's summary need not: `sessions.keep_summaries` tells.
    """
    conn.execute("INSERT INTO car_change (vehicle_id) SELECT unnest(%s::integer[])", (list(vehicle_ids),))


def note_cars_of_platform(conn: Connection, platform_id: int) -> None:
    """Tell that every car of a platform changed."""
    conn.execute(
        "INSERT INTO car_change (vehicle_id) SELECT vehicle_id FROM vehicle WHERE platform_id = %s",
        (platform_id,),
    )


def note_catalogue(conn: Connection) -> None:
    """Tell that what the ids mean changed: a platform, a part, a bay or what was done to one."""
    conn.execute("INSERT INTO car_change (vehicle_id) VALUES (NULL)")


# The horizon is of the very snapshot in which the changes are read; a row always comes, to tell it.
CHANGES_SINCE = """
    SELECT horizon.xid::text::bigint, change.xid::text::bigint, change_id, vehicle_id,
           coalesce(%(mark)s::xid8 < (SELECT min(seen_xid) FROM model_fit), false)
    FROM   (SELECT pg_snapshot_xmin(pg_current_snapshot()) AS xid) horizon
           LEFT JOIN car_change change ON change.xid >= coalesce(%(mark)s::xid8, horizon.xid)
"""


def ask_changes(conn: Connection, mark: Mark) -> Later[Changes]:
    """What was committed since a mark was made."""
    cursor = conn.execute(CHANGES_SINCE, {"mark": str(mark.xid)})

    def changes() -> Changes:
        rows = cursor.fetchall()
        new = [car for _, _, change, car, _ in rows if change is not None and change not in mark.seen]
        return Changes(
            vehicle_ids=frozenset(car for car in new if car is not None),
            catalogue=None in new,
            mark=Mark(*horizon_of(rows, mark), count=mark.count + len(new)),
            lost=rows[0][-1],
        )

    return changes


def changes_since(conn: Connection, mark: Mark) -> Changes:
    """The same, now."""
    return ask_changes(conn, mark)()


def mark_now(conn: Connection) -> Mark:
    """A mark that has seen all that is committed, to begin with."""
    return Mark(*horizon_of(conn.execute(CHANGES_SINCE, {"mark": None}).fetchall()))


def horizon_of(
    rows: Sequence[tuple[Any, ...]], before: Mark = Mark(0, frozenset())
) -> tuple[int, frozenset[int]]:
    """(xid, seen) of a mark that knows these rows and all that the one before knew: a standby may be asked after the
    primary was, and see less."""
    horizon = max(rows[0][0], before.xid)
    later = {change for _, xid, change, _, _ in rows if xid is not None and xid >= horizon}
    return horizon, frozenset(later | (before.seen - {change for _, _, change, _, _ in rows}))
