"""What a backup asks of a database: what it is, how many rows it holds, who may read them, and a moment to read it at; and
what putting one back asks of the server: databases made, closed, renamed."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from psycopg import sql
from psycopg.rows import class_row

from service.store.db import Connection
from service.store.past import reading_once

OURS = "bayledger: a backup is being put back into this database"
"""Stands as the comment of a database half put back, so that it may be dropped."""
PROVED = "bayledger: its last backup that was put back and compared is of "
"""So begins the comment of a database that has one; at its end, in brackets, stands the moment [s since 1970]."""
PROVED_AT = f"""
    (SELECT to_timestamp(substring(shobj_description(oid, 'pg_database') FROM '^{PROVED}.* [(](\\d{{1,12}})[)]$')::float8)
     FROM   pg_database WHERE datname = current_database())
"""  # noqa: S608
FIRST_KEPT_AT = "(SELECT received_at FROM session ORDER BY session_id LIMIT 1)"
MADE_BY_MIGRATING = ("alembic_version", "slot")
"""Tables that hold rows before anything was kept."""


@dataclass(frozen=True, slots=True)
class DatabaseFacts:
    """Which database this is, in which Postgres, and how large [bytes]."""

    database: str
    role: str
    system_identifier: str
    server_version: str
    size: int


def database_facts(conn: Connection) -> DatabaseFacts:
    """What the database at the other end is."""
    with conn.cursor(row_factory=class_row(DatabaseFacts)) as cursor:
        found = cursor.execute(
            """
            SELECT current_database()::text AS database, current_user::text AS role,
                   (SELECT system_identifier::text FROM pg_control_system()) AS system_identifier,
                   split_part(current_setting('server_version'), ' ', 1) AS server_version,
                   pg_database_size(current_database()) AS size
            """
        ).fetchone()
    assert found is not None
    return found


def revision_of(conn: Connection) -> str | None:
    """The schema's revision, None where there is no schema."""
    if conn.execute("SELECT to_regclass('public.alembic_version')").fetchone() == (None,):
        return None
    row = conn.execute("SELECT version_num FROM alembic_version").fetchone()
    return row[0] if row else None


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of a database, and the name by which others read it at the same."""

    snapshot: str
    at: datetime


@contextmanager
def one_moment(conn: Connection) -> Iterator[Moment]:
    """All that is read within this is of one moment."""
    with reading_once(conn):
        with conn.cursor(row_factory=class_row(Moment)) as cursor:
            found = cursor.execute("SELECT pg_export_snapshot() AS snapshot, now() AS at").fetchone()
        assert found is not None
        yield found


def tables_of(conn: Connection) -> list[str]:
    """The ledger's tables, in the order of their names."""
    rows = conn.execute(
        """
        SELECT relname::text FROM pg_class
        WHERE  relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
               AND NOT EXISTS (SELECT FROM pg_depend
                               WHERE  classid = 'pg_class'::regclass AND objid = pg_class.oid AND deptype = 'e')
        ORDER  BY relname::text COLLATE "C"
        """
    )
    return [row[0] for row in rows.fetchall()]


def rows_of_tables(conn: Connection) -> dict[str, int]:
    """How many rows each table holds."""
    counts = {}
    for table in tables_of(conn):
        row = conn.execute(sql.SQL("SELECT count(*) FROM {}").format(sql.Identifier(table))).fetchone()
        assert row is not None
        counts[table] = int(row[0])
    return counts


def holds_rows(conn: Connection) -> list[str]:
    """Which tables hold anything that somebody put there."""
    filled = []
    for table in (one for one in tables_of(conn) if one not in MADE_BY_MIGRATING):
        row = conn.execute(sql.SQL("SELECT EXISTS (SELECT FROM {})").format(sql.Identifier(table))).fetchone()
        if row == (True,):
            filled.append(table)
    return filled


def closed_tables(conn: Connection, role: str) -> list[str]:
    """The tables that a role may not read."""
    rows = conn.execute(
        "SELECT name FROM unnest(%s::text[]) AS name WHERE NOT has_table_privilege(%s, quote_ident(name), 'select')",
        (tables_of(conn), role),
    )
    return [row[0] for row in rows.fetchall()]


def most_measured_platform(conn: Connection) -> str | None:
    """The platform with the most stock cars."""
    row = conn.execute(
        """
        SELECT   slug::text
        FROM     setup_summary JOIN platform USING (platform_id)
        WHERE    stock AND counts
        GROUP BY slug ORDER BY count(DISTINCT vehicle_id) DESC, slug::text COLLATE "C" LIMIT 1
        """
    ).fetchone()
    return row[0] if row else None


def most_measured_car(conn: Connection) -> tuple[int, str] | None:
    """(number, platform) of the car with the most setups."""
    return conn.execute(
        """
        SELECT   vehicle_id, platform.slug::text
        FROM     setup_summary JOIN platform USING (platform_id)
        GROUP BY vehicle_id, platform.slug ORDER BY count(*) DESC, vehicle_id LIMIT 1
        """
    ).fetchone()


def has_role(conn: Connection, role: str) -> bool:
    """Whether the server knows a role."""
    return conn.execute("SELECT FROM pg_roles WHERE rolname = %s", (role,)).fetchone() is not None


def may_make_databases(conn: Connection) -> bool:
    """Whether the role here may make databases, and rename them."""
    row = conn.execute("SELECT rolsuper OR rolcreatedb FROM pg_roles WHERE rolname = current_user").fetchone()
    return row == (True,)


def has_database(conn: Connection, name: str) -> bool:
    """Whether the server has a database of that name."""
    return conn.execute("SELECT FROM pg_database WHERE datname = %s", (name,)).fetchone() is not None


def is_half_put_back(conn: Connection, name: str) -> bool:
    """Whether a database is one that `make_database` made and nobody finished."""
    row = conn.execute(
        "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = %s", (name,)
    ).fetchone()
    return row == (OURS,)


def users_of_database(conn: Connection, name: str) -> int:
    """How many connections others hold to a database; what tidies it up by itself gives way."""
    row = conn.execute(
        """
        SELECT count(*) FROM pg_stat_activity
        WHERE  datname = %s AND pid <> pg_backend_pid() AND backend_type = 'client backend'
        """,
        (name,),
    ).fetchone()
    assert row is not None
    return int(row[0])


def make_database(conn: Connection, name: str, owner: str) -> None:
    """A new, empty database, marked as one that is being filled."""
    made, its_owner = sql.Identifier(name), sql.Identifier(owner)
    conn.execute(
        sql.SQL("CREATE DATABASE {} OWNER {} TEMPLATE template0 ENCODING 'UTF8'").format(made, its_owner)
    )
    conn.execute(sql.SQL("COMMENT ON DATABASE {} IS {}").format(made, sql.Literal(OURS)))


def unmark_database(conn: Connection, name: str) -> None:
    """Take the mark off: it is whole now."""
    conn.execute(sql.SQL("COMMENT ON DATABASE {} IS NULL").format(sql.Identifier(name)))


def drop_database(conn: Connection, name: str) -> None:
    """Take a database away."""
    conn.execute(sql.SQL("DROP DATABASE {}").format(sql.Identifier(name)))


def rename_databases(conn: Connection, names: Sequence[tuple[str, str]]) -> None:
    """Give databases other names, in this order: all of them, or none."""
    with conn.transaction():
        for old, new in names:
            rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
            conn.execute(rename.format(sql.Identifier(old), sql.Identifier(new)))


def close_database(conn: Connection, service: str) -> None:
    """Let nobody but its owner and the service's role into the database at the other end; as `roles.sql` does."""
    facts = database_facts(conn)
    name, role = sql.Identifier(facts.database), sql.Identifier(service)
    with conn.transaction():
        conn.execute("REVOKE CREATE ON SCHEMA public FROM public")
        conn.execute(sql.SQL("REVOKE ALL ON DATABASE {} FROM public").format(name))
        conn.execute(sql.SQL("GRANT CONNECT, TEMPORARY ON DATABASE {} TO {}").format(name, role))


def note_proved(conn: Connection, at: datetime) -> bool:
    """Note in the database, as its owner, of which moment its last proved backup is; False where somebody else's comment
    stands there. Not in a table: it is of this one database, and no part of what a backup holds."""
    row = conn.execute(
        "SELECT shobj_description(oid, 'pg_database') FROM pg_database WHERE datname = current_database()"
    ).fetchone()
    assert row is not None
    if row[0] is not None and not row[0].startswith(PROVED):
        return False
    words = f"{PROVED}{at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC ({at.timestamp():.0f})"
    name = sql.Identifier(database_facts(conn).database)
    conn.execute(sql.SQL("COMMENT ON DATABASE {} IS {}").format(name, sql.Literal(words)))
    return True
