"""Alembic's environment: one transaction for all pending revisions, under an advisory lock.

Several services starting at once on an empty database all succeed, and one of them migrates. The address is
taken from the `url` attribute of the configuration, else from BAYLEDGER_OWNER_DATABASE_URL, else from
BAYLEDGER_DATABASE_URL.
"""

import os

import psycopg
from alembic import context
from sqlalchemy import create_engine, pool, text

ADVISORY_LOCK = 8321_0001
LOCK_TIMEOUT = "20s"


def database_url() -> str:
    """The owner's address, as libpq takes it."""
    url = (
        context.config.attributes.get("url")
        or os.environ.get("BAYLEDGER_OWNER_DATABASE_URL")
        or os.environ.get("BAYLEDGER_DATABASE_URL")
    )
    if not url:
        raise SystemExit("no database: set BAYLEDGER_OWNER_DATABASE_URL, or use `bayledger migrate`")
    return str(url)


def migrate_online() -> None:
    """Run the pending revisions, all of them or none."""
    url = database_url()
    engine = create_engine(
        "postgresql+psycopg://", creator=lambda: psycopg.connect(url), poolclass=pool.NullPool
    )
    with engine.connect() as connection:
        context.configure(connection=connection, transaction_per_migration=False)
        with context.begin_transaction():
            connection.execute(text(f"SET LOCAL lock_timeout = '{LOCK_TIMEOUT}'"))
            connection.execute(text(f"SELECT pg_advisory_xact_lock({ADVISORY_LOCK})"))
            context.run_migrations()


def migrate_offline() -> None:
    """Print the SQL instead of running it (`alembic upgrade head --sql`)."""
    context.configure(dialect_name="postgresql", literal_binds=True)
    with context.begin_transaction():
        context.run_migrations()


if context.is_offline_mode():
    migrate_offline()
else:
    migrate_online()
