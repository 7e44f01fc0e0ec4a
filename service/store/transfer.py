"""What moving whole histories asks of the database: many sessions known at once, all that a chunk of them writes to held in
order, and tables read and written as they are."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import sql
from psycopg.rows import class_row, dict_row

from service.store.db import Connection, as_json, records
from service.store.fits import CLUSTER


def kept_of(conn: Connection, ids: Collection[UUID]) -> dict[UUID, str | None]:
    """Those of some sessions that are in the ledger, each with why it was struck, None where it was not."""
    rows = conn.execute("SELECT id, struck FROM session WHERE id = ANY(%s)", (list(ids),))
    return dict(rows.fetchall())


def hold_for_posts(conn: Connection, bays: Collection[str], tags: Collection[str]) -> list[int]:
    """Hold the bays, then the cars in the order of their tags, of several posts in one transaction: nobody who holds one of
    them can then wait for another. Answers the cars' platforms in order."""
    conn.execute("SELECT FROM bay WHERE slug = ANY(%s) ORDER BY slug FOR KEY SHARE", (sorted(bays),))
    rows = conn.execute(
        """
        SELECT platform_id FROM vehicle
        WHERE  vehicle_id = ANY(ARRAY(SELECT unnest(ARRAY[vehicle_id, merged_into]) FROM vehicle WHERE tag = ANY(%s)))
        ORDER  BY tag FOR NO KEY UPDATE
        """,
        (sorted(tags),),
    )
    return sorted({row[0] for row in rows.fetchall()})


@dataclass(frozen=True, slots=True)
class ImportedPeaks:
    """A record without a curve that an import kept: power [kW] and torque [N.m] as they were posted."""

    session: UUID
    posted_by: str
    bay: str
    vehicle: str
    started_at: datetime
    power_kw: float | None
    torque_nm: float | None


def imported_on(conn: Connection, wanted: Sequence[tuple[str, str, datetime]]) -> list[ImportedPeaks]:
    """What imports kept of some cars at some bays and times, given as (bay, car, start); without what was struck."""
    with conn.cursor(row_factory=class_row(ImportedPeaks)) as cursor:
        return cursor.execute(
            """
            SELECT id AS session, posted_by, bay.slug::text AS bay, wanted.vehicle, session.started_at,
                   posted_power_kw AS power_kw, posted_torque_nm AS torque_nm
            FROM   unnest(%s::text[], %s::text[], %s::timestamptz[]) AS wanted (bay, vehicle, began)
                   JOIN vehicle ON tag = wanted.vehicle
                   JOIN session ON session.vehicle_id = coalesce(vehicle.merged_into, vehicle.vehicle_id)
                                   AND session.started_at = wanted.began
                   JOIN bay ON bay.bay_id = session.bay_id AND bay.slug = wanted.bay
                   JOIN setup USING (session_id)
                   JOIN pull USING (setup_id)
            WHERE  starts_with(posted_by, 'import ') AND session.struck IS NULL AND setup.struck IS NULL
                   AND pull.struck IS NULL AND (posted_power_kw IS NOT NULL OR posted_torque_nm IS NOT NULL)
            """,
            ([bay for bay, _, _ in wanted], [car for _, car, _ in wanted], [at for _, _, at in wanted]),
        ).fetchall()


NOTE_VALUES = ("who", "about", "action", "after")
ADD_NOTES = "INSERT INTO history " + records("history", NOTE_VALUES)


def note_all(conn: Connection, notes: Iterable[Mapping[str, Any]]) -> None:
    """Write several changes down in one statement; each has `who`, `about`, `action` and `after`."""
    conn.execute(ADD_NOTES, (as_json(notes),))


def sessions_of(conn: Connection, who: str) -> list[tuple[UUID, str | None]]:
    """(id, struck) of the sessions that somebody posted, oldest first."""
    rows = conn.execute(
        "SELECT id, struck FROM session WHERE posted_by = %s ORDER BY started_at, session_id", (who,)
    )
    return rows.fetchall()


def plan_anew(conn: Connection) -> None:
    """Let the database plan its statements anew. A plan made while tables were all but empty reads them whole, and is kept
    for as long as a connection lasts while they grow under it."""
    conn.execute("DISCARD PLANS")


NEWEST_FITS = f"""
    newest AS (
        SELECT DISTINCT ON (measure, standard, method) * FROM model_fit
        WHERE  cluster = {CLUSTER}
        ORDER  BY measure, standard, method, fit_id DESC
    ),
    since AS (SELECT * FROM car_change WHERE xid >= (SELECT min(seen_xid) FROM newest))
"""  # noqa: S608
QUERIES = {
    "car_change": f"WITH {NEWEST_FITS} SELECT change_id, vehicle_id FROM since ORDER BY change_id",  # noqa: S608
    "model_fit": f"""
        WITH {NEWEST_FITS}
        SELECT fit_id, as_of, made_at, measure, standard, method, cars, setups,
               ARRAY(SELECT change_id FROM since
                     WHERE  since.xid < newest.seen_xid OR change_id = ANY (newest.seen_changes)
                     ORDER  BY change_id) AS seen_changes,
               packed, notes::text AS notes
        FROM   newest ORDER BY fit_id
    """,  # noqa: S608
}
"""Tables of which not every row and column means something elsewhere."""

Chunks = Iterator[list[dict[str, Any]]]


def rows_of_query(conn: Connection, table: str, at_once: int) -> Chunks:
    """The rows of one of QUERIES, some at a time."""
    yield from chunks(conn, sql.SQL(QUERIES[table]), at_once)


def rows_of_table(
    conn: Connection,
    table: str,
    columns: Sequence[str],
    order: Sequence[str],
    at_once: int,
    as_text: Collection[str] = (),
) -> Chunks:
    """The rows of a table in an order, some at a time; columns named in `as_text` as Postgres spells them.

    The caller holds a transaction for as long as he reads.
    """
    wanted = [
        sql.SQL("{0}::text AS {0}").format(sql.Identifier(one)) if one in as_text else sql.Identifier(one)
        for one in columns
    ]
    query = sql.SQL("SELECT {} FROM {} ORDER BY {}").format(
        sql.SQL(", ").join(wanted), sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, order))
    )
    yield from chunks(conn, query, at_once)


def chunks(conn: Connection, query: sql.SQL | sql.Composed, at_once: int) -> Chunks:
    """The rows of a query, some at a time, through a cursor of the server's."""
    with conn.cursor(name="exported", row_factory=dict_row) as cursor:
        cursor.execute(query)
        while found := cursor.fetchmany(at_once):
            yield found


def exported_fits(conn: Connection) -> list[dict[str, Any]]:
    """The fits in use without their numbers."""
    with conn.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(
            f"""
            WITH {NEWEST_FITS}
            SELECT fit_id, as_of::text, measure, standard, method, cars, setups FROM newest ORDER BY fit_id
            """  # noqa: S608
        ).fetchall()


HELD_TABLES = "slot, platform, bay, part, vehicle, session, setting, history"


def filled_tables(conn: Connection, tables: Iterable[str]) -> list[str]:
    """Which of some tables hold anything; nobody writes to the ledger from here to the end of the transaction."""
    conn.execute(f"LOCK TABLE {HELD_TABLES} IN EXCLUSIVE MODE")
    filled = []
    for table in tables:
        query = sql.SQL("SELECT EXISTS (SELECT FROM {})").format(sql.Identifier(table))
        row = conn.execute(query).fetchone()
        if row == (True,):
            filled.append(table)
    return filled


def write_rows(conn: Connection, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    """Write rows into a table as they are, with their own numbers; answers how many."""
    query = sql.SQL("COPY {} ({}) FROM STDIN").format(
        sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, columns))
    )
    count = 0
    with conn.cursor() as cursor, cursor.copy(query) as copy:
        for row in rows:
            copy.write_row(row)
            count += 1
    return count


def forget_slots(conn: Connection) -> None:
    """Take away the slots a new ledger begins with: those of the export take their place."""
    conn.execute("DELETE FROM slot")


FIT_COLUMNS = (
    "fit_id", "as_of", "made_at", "measure", "standard", "method", "cars", "setups", "seen_changes", "packed", "notes",
)  # fmt: skip


def write_fits(conn: Connection, rows: Iterable[Mapping[str, Any]]) -> int:
    """Write fits as made in this database: all that was before this transaction they know, of what it writes itself only
    what they knew where they came from."""
    count = 0
    for row in rows:
        conn.execute(
            f"""
            INSERT INTO model_fit (cluster, seen_xid, {", ".join(FIT_COLUMNS)}) OVERRIDING SYSTEM VALUE
            VALUES ({CLUSTER}, pg_current_xact_id(), {", ".join(f"%({name})s" for name in FIT_COLUMNS)})
            """,  # noqa: S608
            dict(row),
        )
        count += 1
    return count


def number_on(conn: Connection, table: str, column: str) -> None:
    """Let a table's own numbers go on after the highest there is."""
    query = sql.SQL(
        "SELECT setval(pg_get_serial_sequence({}, {}), coalesce(max({}), 1), max({}) IS NOT NULL) FROM {}"
    ).format(
        sql.Literal(table),
        sql.Literal(column),
        sql.Identifier(column),
        sql.Identifier(column),
        sql.Identifier(table),
    )
    conn.execute(query)


def analyse(conn: Connection) -> None:
    """Let the database count what its tables hold, to plan by."""
    conn.execute("ANALYZE")


def posters(conn: Connection, beginning: str) -> list[str]:
    """Who posted sessions, of those whose name begins so."""
    rows = conn.execute(
        "SELECT DISTINCT posted_by FROM session WHERE starts_with(posted_by, %s) ORDER BY 1", (beginning,)
    )
    return [row[0] for row in rows.fetchall()]
