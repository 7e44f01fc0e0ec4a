"""The shop's settings: append-only, newest row wins, so their history is the table itself."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.domain.shop import Shop, shop_of
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One value a setting was given, for the shop or for one bay."""

    name: str
    bay: str | None
    value: Any
    changed_at: datetime
    changed_by: str
    setting_id: int = 0


def hold_settings(conn: Connection) -> None:
    """Let nobody else change settings until the transaction ends, so that their version only ever grows."""
    conn.execute("SELECT pg_advisory_xact_lock(hashtext('setting'))")


def settings_version(conn: Connection) -> int:
    """A number that changes whenever any setting does."""
    row = conn.execute("SELECT coalesce(max(setting_id), 0) FROM setting").fetchone()
    return int(row[0]) if row else 0


def version_and_position(conn: Connection, positioned: bool) -> tuple[int, int | None]:
    """The same number; and where it is `positioned`, how far the primary's log is kept [bytes]."""
    row = conn.execute(
        """
        SELECT coalesce(max(setting_id), 0),
               CASE WHEN %s AND NOT pg_is_in_recovery() THEN (pg_current_wal_flush_lsn() - '0/0')::bigint END
        FROM   setting
        """,
        (positioned,),
    ).fetchone()
    assert row is not None
    return int(row[0]), row[1]


def current_settings(conn: Connection) -> list[SettingRow]:
    """The newest value of every setting that was ever set."""
    with conn.cursor(row_factory=class_row(SettingRow)) as cursor:
        return cursor.execute(
            """
            SELECT DISTINCT ON (setting.name, setting.bay_id)
                   setting.name, bay.slug::text AS bay, value, changed_at, changed_by, setting_id
            FROM   setting LEFT JOIN bay USING (bay_id)
            ORDER  BY setting.name, setting.bay_id, setting_id DESC
            """
        ).fetchall()


def shop_in_force(conn: Connection, version: int | None = None) -> Shop:
    """The settings as they hold at this moment, under a version of them that was read before they are."""
    known = settings_version(conn) if version is None else version
    return shop_of(known, [(row.name, row.bay, row.value) for row in current_settings(conn)])


def setting_history(conn: Connection, name: str, *, before_id: int | None, limit: int) -> list[SettingRow]:
    """The values one setting was given, newest first."""
    with conn.cursor(row_factory=class_row(SettingRow)) as cursor:
        return cursor.execute(
            """
            SELECT setting.name, bay.slug::text AS bay, value, changed_at, changed_by, setting_id
            FROM   setting LEFT JOIN bay USING (bay_id)
            WHERE  setting.name = %(name)s AND (%(before_id)s::bigint IS NULL OR setting_id < %(before_id)s)
            ORDER  BY setting_id DESC
            LIMIT  %(limit)s
            """,
            {"name": name, "before_id": before_id, "limit": limit},
        ).fetchall()


def set_setting(conn: Connection, name: str, value: Any, who: str, bay_id: int | None = None) -> None:
    """Give a setting a new value; the older ones stay readable."""
    conn.execute(
        "INSERT INTO setting (name, bay_id, value, changed_by) VALUES (%s, %s, %s, %s)",
        (name, bay_id, Jsonb(value), who),
    )
