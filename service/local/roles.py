"""The database and its two roles: one owns the schema and migrates, one serves with least rights."""

from __future__ import annotations

import time

import psycopg
from psycopg import sql

from service.local.errors import LocalServerError

DATABASE = "bayledger"
OWNER = "bayledger_owner"
SERVICE = "bayledger_service"
SERVICE_SETTINGS = {"statement_timeout": "30s", "idle_in_transaction_session_timeout": "60s", "jit": "off"}
"""A statement ends after so long, and a transaction in which nothing was asked for so long (our choice)."""
CONNECT_PATIENCE_S = 5  # our choice: it said it is ready before we ask
POLL_S = 0.05


def prepare_database(superuser_url: str, postgres_url: str) -> None:
    """Make what is missing of roles and database; harmless to repeat.

    Parameters
    ----------
    superuser_url: the superuser in the ledger's database
    postgres_url: the superuser in the database `postgres`, which every server has
    """
    try:
        with _connect(postgres_url) as connection:
            if not _make_roles_and_database(connection):
                return
        with _connect(superuser_url) as connection:
            _close_to_the_public(connection)
    except psycopg.Error as error:
        raise LocalServerError(
            f"the database could not be prepared: {str(error).strip().splitlines()[0]}"
        ) from error


def _connect(url: str) -> psycopg.Connection:
    """Connect, patient with a server that is still opening its doors."""
    deadline = time.monotonic() + CONNECT_PATIENCE_S
    while True:
        try:
            return psycopg.connect(url, autocommit=True, connect_timeout=CONNECT_PATIENCE_S)
        except psycopg.OperationalError:
            if time.monotonic() > deadline:
                raise
            time.sleep(POLL_S)


def _make_roles_and_database(connection: psycopg.Connection) -> bool:
    """Make what is missing; answers whether the database still has to be closed to the public."""
    roles = {name for (name,) in connection.execute("select rolname from pg_roles")}
    if OWNER not in roles:
        connection.execute(sql.SQL("create role {} login").format(sql.Identifier(OWNER)))
    if SERVICE not in roles:
        connection.execute(sql.SQL("create role {} login").format(sql.Identifier(SERVICE)))
    _limit_the_service(connection)
    if connection.execute("select 1 from pg_database where datname = %s", [DATABASE]).fetchone() is None:
        create = sql.SQL("create database {} owner {} template template0")
        connection.execute(create.format(sql.Identifier(DATABASE), sql.Identifier(OWNER)))
    return not _is_closed(connection)


def _limit_the_service(connection: psycopg.Connection) -> None:
    kept = connection.execute(
        "select coalesce(setconfig, '{}') from pg_db_role_setting join pg_roles r on r.oid = setrole "
        "where rolname = %s and setdatabase = 0",
        [SERVICE],
    ).fetchone()
    have = set(kept[0]) if kept else set()
    for name, value in SERVICE_SETTINGS.items():
        if f"{name}={value}" not in have:
            statement = sql.SQL("alter role {} set {} = {}")
            connection.execute(
                statement.format(sql.Identifier(SERVICE), sql.Identifier(name), sql.Literal(value))
            )


def _is_closed(connection: psycopg.Connection) -> bool:
    """Closed is done last, so a preparation cut in the middle is finished the next time."""
    row = connection.execute(
        "select has_database_privilege('public', %(name)s, 'connect'), has_database_privilege(%(service)s, %(name)s, 'connect')",
        {"name": DATABASE, "service": SERVICE},
    ).fetchone()
    return row == (False, True)


def _close_to_the_public(connection: psycopg.Connection) -> None:
    database, service = sql.Identifier(DATABASE), sql.Identifier(SERVICE)
    connection.execute("revoke create on schema public from public")
    connection.execute(sql.SQL("grant connect, temporary on database {} to {}").format(database, service))
    connection.execute(sql.SQL("revoke all on database {} from public").format(database))
