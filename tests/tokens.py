"""Tokens for tests: the service's role makes and ends none, so it is done as the schema's owner."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg

from service.local.roles import OWNER, SERVICE, SERVICE_SETTINGS
from service.store import tokens
from service.store.db import Connection


def as_the_service(url: str) -> Connection:
    """A connection with the service's rights and limits, that `as_the_owner` may give others for a moment."""
    limits = {"role": SERVICE, **SERVICE_SETTINGS}
    told = " ".join(f"-c {name}={value}" for name, value in limits.items())
    return psycopg.connect(url, user="postgres", options=told, autocommit=True)


@contextmanager
def as_the_owner(connection: Connection) -> Iterator[None]:
    """Within this, a connection of `as_the_service`, in its transaction, has the rights of the schema's owner."""
    with connection.transaction():
        connection.execute(f"SET LOCAL ROLE {OWNER}")
        yield
        connection.execute(f"SET LOCAL ROLE {SERVICE}")


def admin_token(owner_url: str, name: str = "admin") -> str:
    """An admin's, in a database whose changes are committed."""
    with psycopg.connect(owner_url, autocommit=True) as owner:
        return tokens.create_token(owner, scope="admin", name=name)


def new_token(connection: Connection, **what: Any) -> str:
    """As `tokens.create_token`, over the lent connection."""
    with as_the_owner(connection):
        return tokens.create_token(connection, **what)


def end_token(connection: Connection, token_id: int) -> bool:
    """As `tokens.revoke_token`, likewise."""
    with as_the_owner(connection):
        return tokens.revoke_token(connection, token_id)
