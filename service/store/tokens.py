"""Tokens: shown once, kept as a hash, able to expire and to be revoked."""

import hashlib
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from psycopg.errors import InsufficientPrivilege
from psycopg.rows import class_row

from service.domain.resources import Caller
from service.store.db import Connection

PREFIX = "bay_"
SECRET_BYTES = 32


@dataclass(frozen=True, slots=True)
class TokenRecord:
    """A token without its secret."""

    token_id: int
    name: str
    scope: str
    bay: str | None
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None


def hash_of(token: str) -> bytes:
    """SHA-256 of the token: it is long and random, so a slow hash would protect nothing more."""
    return hashlib.sha256(token.encode()).digest()


@contextmanager
def owners_right() -> Iterator[None]:
    """What only the schema's owner may do: PermissionError for any other role, the service's among them."""
    try:
        yield
    except InsufficientPrivilege as error:
        raise PermissionError("only the schema's owner makes and ends tokens") from error


def create_token(
    conn: Connection,
    *,
    scope: str,
    bay: str | None = None,
    name: str = "",
    expires_at: datetime | None = None,
) -> str:
    """Make a token and answer its secret, which is kept nowhere. Raises LookupError for an unknown bay, PermissionError
    where the connection is not the schema's owner's."""
    bay_id = None
    if bay is not None:
        row = conn.execute("SELECT bay_id FROM bay WHERE slug = %s", (bay,)).fetchone()
        if row is None:
            raise LookupError(f"there is no bay '{bay}'")
        bay_id = row[0]
    token = PREFIX + secrets.token_urlsafe(SECRET_BYTES)
    with owners_right():
        conn.execute(
            """
            INSERT INTO token (name, scope, bay_id, secret_hash, expires_at)
            VALUES (%s, %s, %s, %s, %s)
            """,
            (name or scope, scope, bay_id, hash_of(token), expires_at),
        )
    return token


def list_tokens(conn: Connection) -> list[TokenRecord]:
    """Every token ever made, newest first."""
    with conn.cursor(row_factory=class_row(TokenRecord)) as cursor:
        return cursor.execute(
            """
            SELECT token_id, token.name, scope, bay.slug AS bay, token.created_at, expires_at, revoked_at
            FROM   token LEFT JOIN bay USING (bay_id)
            ORDER  BY token_id DESC
            """
        ).fetchall()


def revoke_token(conn: Connection, token_id: int) -> bool:
    """End a token now. False where there is no such token or it has ended already; PermissionError as above."""
    with owners_right():
        done = conn.execute(
            "UPDATE token SET revoked_at = now() WHERE token_id = %s AND revoked_at IS NULL", (token_id,)
        )
    return done.rowcount == 1


def find_caller(
    conn: Connection, token: str, positioned: bool = False
) -> tuple[Caller | None, int, int | None]:
    """Whose token this is, or None where it is unknown, ended or revoked; and the version of the shop's settings,
    which nearly every request needs too and gets by the same round trip; and where it is `positioned`, how far the
    primary's log is kept [bytes]."""
    row = conn.execute(
        """
        SELECT token.name, scope, bay.slug, token_id, settings.version,
               CASE WHEN %s AND NOT pg_is_in_recovery() THEN (pg_current_wal_flush_lsn() - '0/0')::bigint END
        FROM   (SELECT coalesce(max(setting_id), 0) AS version FROM setting) settings
               LEFT JOIN token
                      ON secret_hash = %s AND revoked_at IS NULL AND (expires_at IS NULL OR expires_at > now())
               LEFT JOIN bay USING (bay_id)
        """,
        (positioned, hash_of(token)),
    ).fetchone()
    assert row is not None
    found = Caller(row[0], row[1], row[2], row[3]) if row[3] is not None else None
    return found, int(row[4]), row[5]
