"""First answers kept under their Idempotency-Key, in the transaction of what they answer."""

from dataclasses import dataclass

from psycopg.rows import class_row

from service.store.db import Connection, Later

KEPT_DAYS = 90


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """The answer a key had first."""

    request_hash: bytes
    status: int
    location: str | None
    etag: str | None
    body: bytes


def hold_key(conn: Connection, who: str, key: str) -> Later[bool]:
    """Hold a key until the transaction ends; False where another transaction holds it."""
    cursor = conn.execute(
        "SELECT pg_try_advisory_xact_lock(hashtextextended(%s, 0))", (f"{len(who)} {who} {key}",)
    )
    return lambda: cursor.fetchone() == (True,)


def find_answer(conn: Connection, who: str, key: str) -> Later[KeptAnswer | None]:
    """The first answer under this key, if it is kept still."""
    cursor = conn.cursor(row_factory=class_row(KeptAnswer))
    return cursor.execute(
        """
        SELECT request_hash, status, location, etag, body FROM kept_answer
        WHERE  who = %s AND key = %s AND created_at > now() - %s * interval '1 day'
        """,
        (who, key, KEPT_DAYS),
    ).fetchone


def keep_answer(
    conn: Connection,
    who: str,
    key: str,
    request_hash: bytes,
    status: int,
    location: str | None,
    etag: str | None,
    body: bytes,
) -> None:
    """Keep an answer; one that had outlived its days is replaced."""
    conn.execute(
        """
        INSERT INTO kept_answer (who, key, request_hash, status, location, etag, body)
        VALUES (%s, %s, %s, %s, %s, %s, %b)
        ON CONFLICT (who, key) DO UPDATE SET request_hash = excluded.request_hash, status = excluded.status,
            location = excluded.location, etag = excluded.etag, body = excluded.body, created_at = now()
        """,
        (who, key, request_hash, status, location, etag, body),
    )


def drop_old_answers(conn: Connection) -> int:
    """Forget answers older than they are promised for."""
    return conn.execute(
        "DELETE FROM kept_answer WHERE created_at < now() - %s * interval '1 day'", (KEPT_DAYS,)
    ).rowcount
