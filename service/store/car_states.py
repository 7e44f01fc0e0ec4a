"""A car's setups over time, each with its summary and with what was fitted or removed against the one before."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from psycopg.rows import class_row

from service.domain.derive import SetupFigures
from service.store.db import Connection

StateKey = tuple[datetime, int, int]
"""Where a page begins: (started_at, session_id, n) of the last state of the page before."""


@dataclass(frozen=True, slots=True)
class StateRow(SetupFigures):
    """One setup of a car with its summary in SI; `fitted` and `removed` are None where no earlier setup counts."""

    setup_id: int
    session_id: int
    session: UUID
    n: int
    at: datetime
    bay_id: int
    bay: str
    label: str | None
    parts: list[str]
    parts_known: str
    stock_checked: str
    session_struck: str | None
    setup_struck: str | None
    doubts: list[str]
    pulls_posted: int
    fitted: list[str] | None
    removed: list[str] | None
    before_session: UUID | None
    before_n: int | None

    @property
    def struck(self) -> str | None:
        """Why it counts nowhere; None where it counts."""
        return self.session_struck or self.setup_struck

    @property
    def key(self) -> StateKey:
        """Its place in the list."""
        return self.at, self.session_id, self.n


def states_of_car(
    conn: Connection, vehicle_id: int, *, before: StateKey | None, limit: int, bay: str | None = None
) -> list[StateRow]:
    """A car's setups newest first, from before a key; `bay`: only this bay's and the car's newest session.

    The state before is the newest earlier setup that is not struck and may be seen.
    """
    at, session_id, n = before or (None, None, None)
    with conn.cursor(row_factory=class_row(StateRow)) as cursor:
        return cursor.execute(
            """
            WITH page AS (
                SELECT setup_id, session_id, session.id AS session, n, started_at AS at, bay_id,
                       bay.slug::text AS bay, label, part_ids, parts_known, setup.stock_checked,
                       session.struck AS session_struck, setup.struck AS setup_struck
                FROM   session JOIN setup USING (session_id) JOIN bay USING (bay_id)
                WHERE  vehicle_id = %(vehicle)s
                       AND (%(at)s::timestamptz IS NULL OR (started_at, session_id, n) < (%(at)s, %(session)s, %(n)s))
                       AND (%(bay)s::text IS NULL OR bay.slug = %(bay)s OR session_id = (
                           SELECT session_id FROM session WHERE vehicle_id = %(vehicle)s
                           ORDER  BY started_at DESC, session_id DESC LIMIT 1))
                ORDER  BY started_at DESC, session_id DESC, n DESC
                LIMIT  %(limit)s
            )
            SELECT page.setup_id, page.session_id, page.session, page.n, page.at, page.bay_id, page.bay, page.label,
                   ARRAY(SELECT slug::text FROM part WHERE part_id = ANY(page.part_ids)
                         ORDER  BY slug COLLATE "C") AS parts,
                   parts_known, page.stock_checked, session_struck, setup_struck, doubts, pulls,
                   (SELECT count(*) FROM pull WHERE pull.setup_id = page.setup_id) AS pulls_posted,
                   best_of, level_standard, factor, temperature_c, pressure_kpa, vapour_kpa, power_kw, power_rpm,
                   power_best_kw, power_spread, torque_nm, torque_rpm, torque_best_nm, torque_spread,
                   CASE WHEN earlier.part_ids IS NOT NULL THEN
                       ARRAY(SELECT slug::text FROM part WHERE part_id = ANY(page.part_ids - earlier.part_ids)
                             ORDER  BY slug COLLATE "C") END AS fitted,
                   CASE WHEN earlier.part_ids IS NOT NULL THEN
                       ARRAY(SELECT slug::text FROM part WHERE part_id = ANY(earlier.part_ids - page.part_ids)
                             ORDER  BY slug COLLATE "C") END AS removed,
                   earlier.session AS before_session, earlier.n AS before_n
            FROM   page JOIN setup_summary USING (setup_id)
                   LEFT JOIN LATERAL (
                       SELECT session.id AS session, setup.n, setup.part_ids
                       FROM   session JOIN setup USING (session_id) JOIN bay USING (bay_id)
                       WHERE  session.vehicle_id = %(vehicle)s
                              AND (%(bay)s::text IS NULL OR bay.slug = %(bay)s
                                   OR session.session_id = page.session_id)
                              AND (started_at, session_id, setup.n) < (page.at, page.session_id, page.n)
                              AND session.struck IS NULL AND setup.struck IS NULL
                       ORDER  BY started_at DESC, session_id DESC, setup.n DESC
                       LIMIT  1) AS earlier ON true
            ORDER  BY page.at DESC, page.session_id DESC, page.n DESC
            """,
            {
                "vehicle": vehicle_id,
                "at": at,
                "session": session_id,
                "n": n,
                "bay": bay,
                "limit": limit,
            },
        ).fetchall()
