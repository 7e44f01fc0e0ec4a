"""Who changed what, when, from what to what; append-only."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.conditions import only_given
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One change."""

    history_id: int
    at: datetime
    who: str
    about: str
    action: str
    before: Any
    after: Any
    reason: str | None


def note(
    conn: Connection,
    *,
    who: str,
    about: str,
    action: str,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    reason: str | None = None,
) -> None:
    """Write one change down, in the transaction that makes it."""
    conn.execute(
        """
        INSERT INTO history (who, about, action, before, after, reason)
        VALUES (%s, %s, %s, %s, %s, %s)
        """,
        (
            who,
            about,
            action,
            None if before is None else Jsonb(before),
            None if after is None else Jsonb(after),
            reason,
        ),
    )


def history_about(
    conn: Connection, about: str | None, *, before_id: int | None, limit: int
) -> list[HistoryRow]:
    """The changes of one resource (`sessions/<id>`, `parts/<slug>`) and of what lies below it, or all; newest first."""
    narrowed = only_given(
        {
            "(about = %(about)s OR starts_with(about, %(about)s || '/'))": about,
            "history_id < %(before_id)s": before_id,
        }
    )
    with conn.cursor(row_factory=class_row(HistoryRow)) as cursor:
        return cursor.execute(
            f"""
            SELECT history_id, at, who, about, action, before, after, reason
            FROM   history
            WHERE  {narrowed}
            ORDER  BY history_id DESC
            LIMIT  %(limit)s
            """,  # noqa: S608
            {"about": about, "before_id": before_id, "limit": limit},
        ).fetchall()
