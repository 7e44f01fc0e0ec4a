"""Striking, confirming and amending what was measured: marks beside the record, never over it."""

from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass
from typing import Any
from uuid import UUID

from psycopg.rows import class_row

from service.domain.correction import STANDARDS
from service.domain.derive import DerivedPull
from service.store.db import Connection
from service.store.reading import FindingRow
from service.store.sessions import known


@dataclass(frozen=True, slots=True)
class HeldSession:
    """A session held for a change, with its car."""

    session_id: int
    id: UUID
    vehicle_id: int
    platform_id: int
    bay_id: int
    version: int


def hold_session(conn: Connection, id: UUID) -> HeldSession | None:
    """Hold a session's car, then the session: the same order as a post, so that the two cannot wait for each other."""
    conn.execute(
        """
        SELECT FROM vehicle WHERE vehicle_id = (SELECT vehicle_id FROM session WHERE id = %s)
        FOR NO KEY UPDATE
        """,
        (id,),
    )
    with conn.cursor(row_factory=class_row(HeldSession)) as cursor:
        return cursor.execute(
            """
            SELECT session_id, id, vehicle_id, platform_id, bay_id, session.version
            FROM   session JOIN vehicle USING (vehicle_id)
            WHERE  id = %s
            FOR    NO KEY UPDATE OF session
            """,
            (id,),
        ).fetchone()


def bump_session(conn: Connection, session_id: int) -> None:
    """Move a session to its next version."""
    conn.execute("UPDATE session SET version = version + 1 WHERE session_id = %s", (session_id,))


def mark_session(conn: Connection, session_id: int, struck: str | None) -> None:
    """Strike a session (with the reason) or take the strike back (None)."""
    conn.execute("UPDATE session SET struck = %s WHERE session_id = %s", (struck, session_id))


def mark_setup(conn: Connection, session_id: int, n: int, struck: str | None) -> bool:
    """Strike a setup or take the strike back; False where the session has no such setup."""
    done = conn.execute(
        "UPDATE setup SET struck = %s WHERE session_id = %s AND n = %s", (struck, session_id, n)
    )
    return done.rowcount == 1


def mark_pull(conn: Connection, pull_id: int, struck: str | None) -> None:
    """Strike a pull or take the strike back."""
    conn.execute("UPDATE pull SET struck = %s WHERE pull_id = %s", (struck, pull_id))


def clear_findings(
    conn: Connection, session_id: int, setup_n: int, pull_n: int, who: str, why: str
) -> list[str]:
    """Clear the doubts that stand against a pull, its setup or its session; answer their codes."""
    rows = conn.execute(
        """
        UPDATE finding SET cleared_at = now(), cleared_by = %(who)s, cleared_why = %(why)s
        WHERE  session_id = %(session)s AND level = 'doubtful' AND cleared_at IS NULL
               AND (setup_n IS NULL OR setup_n = %(setup)s) AND (pull_n IS NULL OR pull_n = %(pull)s)
        RETURNING code
        """,
        {"session": session_id, "setup": setup_n, "pull": pull_n, "who": who, "why": why},
    ).fetchall()
    return [row[0] for row in rows]


def reopen_findings(conn: Connection, session_id: int, setup_n: int, pull_n: int, but: str) -> list[str]:
    """Let the doubts stand again that were cleared of a pull, its setup or its session, those excepted
    whose reason begins with `but`; answer their codes."""
    rows = conn.execute(
        """
        UPDATE finding SET cleared_at = NULL, cleared_by = NULL, cleared_why = NULL
        WHERE  session_id = %(session)s AND level = 'doubtful' AND cleared_at IS NOT NULL
               AND NOT starts_with(cleared_why, %(but)s)
               AND (setup_n IS NULL OR setup_n = %(setup)s) AND (pull_n IS NULL OR pull_n = %(pull)s)
        RETURNING code
        """,
        {"session": session_id, "setup": setup_n, "pull": pull_n, "but": but},
    ).fetchall()
    return [row[0] for row in rows]


def close_findings(
    conn: Connection, session_id: int, findings: Sequence[FindingRow], who: str, why: str
) -> None:
    """Close open findings of a session; they can still be read."""
    with conn.cursor() as cursor:
        cursor.executemany(
            """
            UPDATE finding SET cleared_at = now(), cleared_by = %s, cleared_why = %s
            WHERE  session_id = %s AND cleared_at IS NULL AND code = %s AND pointer = %s AND message = %s
                   AND setup_n IS NOT DISTINCT FROM %s AND pull_n IS NOT DISTINCT FROM %s
            """,
            [
                (who, why, session_id, one.code, one.pointer, one.message, one.setup_n, one.pull_n)
                for one in findings
            ],
        )


def set_aside(conn: Connection, session_id: int) -> None:
    """Let a session's summaries count nowhere until they are written anew: it is no company of its own."""
    conn.execute(
        """
        UPDATE setup_summary SET counts = false
        WHERE  counts AND setup_id IN (SELECT setup_id FROM setup WHERE session_id = %s)
        """,
        (session_id,),
    )


def open_doubts(conn: Connection, session_id: int) -> list[tuple[int | None, str]]:
    """(setup, code) of every doubt that stands, leaving out those about pulls that no longer count."""
    return conn.execute(
        """
        SELECT setup_n, code FROM finding
        WHERE  session_id = %(session)s AND level = 'doubtful' AND cleared_at IS NULL
               AND NOT EXISTS (
                   SELECT FROM pull JOIN setup USING (setup_id)
                   WHERE  setup.session_id = %(session)s AND setup.n = setup_n AND pull.n = pull_n
                          AND (pull.struck IS NOT NULL OR pull.status <> 'accepted'))
        """,
        {"session": session_id},
    ).fetchall()


def amend_session(conn: Connection, session_id: int, changes: dict[str, Any]) -> None:
    """Write changed fields of a strap-down."""
    conn.execute(
        """
        UPDATE session SET
               vehicle_id = %(vehicle_id)s, started_at = %(started_at)s, operator = %(operator)s, gear = %(gear)s,
               tyre_size = %(tyre_size)s, tyre_pressure_kpa = %(tyre_pressure_kpa)s
        WHERE  session_id = %(session_id)s
        """,
        {"session_id": session_id, **changes},
    )


def amend_setup(conn: Connection, setup_id: int, changes: dict[str, Any]) -> None:
    """Write changed fields of a setup."""
    conn.execute(
        """
        UPDATE setup SET
               label = %(label)s, parts_known = %(parts_known)s, stock_checked = %(stock_checked)s,
               ethanol = %(ethanol)s, octane = %(octane)s, octane_method = %(octane_method)s,
               spark_advance_deg = %(spark_advance_deg)s, lambda_probe = %(lambda_probe)s
        WHERE  setup_id = %(setup_id)s
        """,
        {"setup_id": setup_id, **changes},
    )


def amend_parts(conn: Connection, setup_id: int, part_ids: Sequence[int]) -> None:
    """Replace a setup's part list; `setup_part` is written by the caller."""
    conn.execute("UPDATE setup SET part_ids = %s WHERE setup_id = %s", (sorted(part_ids), setup_id))
    conn.execute("DELETE FROM setup_part WHERE setup_id = %s", (setup_id,))


def hold_measured_cars(conn: Connection) -> list[tuple[int, int]]:
    """Hold every car that was ever measured, in the order of their tags; answers (platform_id, vehicle_id)."""
    return conn.execute(
        """
        SELECT platform_id, vehicle_id FROM vehicle
        WHERE  EXISTS (SELECT FROM session WHERE session.vehicle_id = vehicle.vehicle_id)
        ORDER  BY tag FOR NO KEY UPDATE
        """
    ).fetchall()


def hold_cars_of_platform(conn: Connection, platform_id: int) -> None:
    """Hold every car of a platform, in the order of their tags as an amendment does."""
    conn.execute("SELECT FROM vehicle WHERE platform_id = %s ORDER BY tag FOR NO KEY UPDATE", (platform_id,))


def platforms_of_cars(conn: Connection, vehicle_ids: Iterable[int]) -> dict[int, int]:
    """The platform of each of some cars, by their keys."""
    rows = conn.execute(
        "SELECT vehicle_id, platform_id FROM vehicle WHERE vehicle_id = ANY (%s)", (sorted(vehicle_ids),)
    )
    return dict(rows.fetchall())


def sessions_resting_on_engine(conn: Connection, platform_id: int) -> list[UUID]:
    """A platform's sessions with pulls posted in a standard that depends on the engine, without their factor."""
    rows = conn.execute(
        """
        SELECT   session.id
        FROM     pull JOIN setup USING (setup_id) JOIN session USING (session_id) JOIN vehicle USING (vehicle_id)
        WHERE    vehicle.platform_id = %s AND basis_factor IS NULL AND basis_standard = ANY(%s)
        GROUP BY session.session_id, session.id
        ORDER BY session.session_id
        """,
        (platform_id, [slug for slug, standard in STANDARDS.items() if standard.engine_rule is not None]),
    ).fetchall()
    return [row[0] for row in rows]


def keep_observed(conn: Connection, derived: Sequence[tuple[int, DerivedPull]]) -> None:
    """Write what pulls come to, derived anew, given as (pull_id, derived)."""
    with conn.cursor() as cursor:
        cursor.executemany(
            """
            UPDATE pull SET vapour_kpa = %s, factor = %s, rpm_from = %s, rpm_to = %s, lambda_mean = %s, map_max_kpa = %s,
                   power_kw = %s, power_rpm = %s, torque_nm = %s, torque_rpm = %s
            WHERE  pull_id = %s
            """,
            [
                (
                    *(pull.vapour_kpa, pull.factor, pull.rpm_from, pull.rpm_to),
                    *(pull.lambda_mean, pull.map_max_kpa),
                    *(known(value) for value in astuple(pull.observed)),
                    pull_id,
                )
                for pull_id, pull in derived
            ],
        )


def sessions_derived_before(conn: Connection, method: int) -> list[UUID]:
    """The sessions of which a setup was summarised by an earlier method than this one."""
    rows = conn.execute(
        """
        SELECT id FROM session
        WHERE  session_id IN (SELECT session_id FROM setup JOIN setup_summary USING (setup_id) WHERE method < %s)
        ORDER  BY session_id
        """,
        (method,),
    ).fetchall()
    return [row[0] for row in rows]


def amend_pull(conn: Connection, pull_id: int, status: str, reason: str | None) -> None:
    """Change what a pull counts as."""
    conn.execute("UPDATE pull SET status = %s, reason = %s WHERE pull_id = %s", (status, reason, pull_id))
