"""Whether the database can be reached and has the shape this service was written for."""

from contextlib import suppress

import psycopg
from psycopg_pool import PoolTimeout

from service.domain.errors import Unavailable
from service.store.db import Connect

REVISION = "0007"
"""The newest migration. A test holds it to what the migrations say."""


def not_ready(connect: Connect) -> str | None:
    """Why the ledger cannot be used at this moment, with the way out; None where it can."""
    try:
        with connect() as conn:
            row = conn.execute("SELECT to_regclass('alembic_version') IS NOT NULL").fetchone()
            if not (row and row[0]):
                return "the database is empty; run `bayledger migrate`"
            row = conn.execute("SELECT version_num FROM alembic_version").fetchone()
    except (psycopg.OperationalError, PoolTimeout):
        return "the database cannot be reached; see that it runs and that BAYLEDGER_DATABASE_URL names it"
    found = row[0] if row else "none"
    if found == REVISION:
        return None
    return f"the database is at revision {found}, this service needs {REVISION}; run `bayledger migrate`"


def other_schema(error: Exception, connect: Connect) -> Unavailable | None:
    """What a statement failed of where the schema is another one than ours, as while it is being migrated; None where that
    is not so, and the fault is the statement's."""
    if not isinstance(error, psycopg.ProgrammingError | psycopg.NotSupportedError):
        return None
    with suppress(psycopg.Error):
        reason = not_ready(connect)
        return None if reason is None else Unavailable(reason)
    return None
