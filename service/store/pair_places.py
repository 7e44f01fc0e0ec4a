"""Where before/after pairs stand, for showing them: car, sessions, conditions, what differed."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from service.domain.pairing import CONDITIONS
from service.store.db import Connection


class PairPlace(NamedTuple):
    """Where a pair's setups stand, for showing it."""

    setup_with: int
    setup_without: int
    vehicle: str
    differs: list[dict[str, Any]]
    with_session: str
    with_n: int
    without_session: str
    without_n: int
    again_session: str | None
    again_n: int | None
    with_conditions: list[float | None]
    without_conditions: list[float | None]


COLUMN_OF = {"ethanol": "setup", "spark_advance_deg": "setup"} | dict.fromkeys(
    ("tyre_pressure_kpa", "gear", "ratio"), "session"
)
CONDITION_COLUMNS = ", ".join(f"{COLUMN_OF.get(name, 'setup_summary')}.{name}" for name in CONDITIONS)
SETUP_PLACES = f"""
    SELECT setup_id, session.id::text, n, ARRAY[{CONDITION_COLUMNS}]::double precision[]
    FROM   unnest(%s::bigint[]) AS asked (setup_id)
           JOIN setup USING (setup_id)
           JOIN setup_summary USING (setup_id)
           JOIN session ON session.session_id = setup.session_id
"""  # noqa: S608


def places_of_pairs(conn: Connection, setups: Iterable[tuple[int, int]]) -> list[PairPlace]:
    """Where pairs stand and in what conditions, given as (setup_with, setup_without)."""
    with_, without = zip(*setups, strict=True)
    cursor = conn.cursor(binary=True)
    pairs = cursor.execute(
        """
        SELECT setup_with, setup_without, setup_again, vehicle.tag::text, differs
        FROM   unnest(%s::bigint[], %s::bigint[]) AS asked (setup_with, setup_without)
               JOIN pair USING (setup_with, setup_without)
               JOIN vehicle USING (vehicle_id)
        """,
        (list(with_), list(without)),
        prepare=True,
    ).fetchall()
    # Each setup is looked up once, however many pairs it stands in; a join of both would be planned for longer than run.
    ids = {setup for pair in pairs for setup in pair[:3] if setup is not None}
    stand = {
        setup: (session, n, conditions)
        for setup, session, n, conditions in cursor.execute(SETUP_PLACES, (list(ids),), prepare=True)
    }
    nowhere = (None, None, None)
    return [
        PairPlace(
            setup_with,
            setup_without,
            vehicle,
            differs,
            *stand[setup_with][:2],
            *stand[setup_without][:2],
            *stand.get(again, nowhere)[:2],
            stand[setup_with][2],
            stand[setup_without][2],
        )
        for setup_with, setup_without, again, vehicle, differs in pairs
        if setup_with in stand and setup_without in stand
    ]
