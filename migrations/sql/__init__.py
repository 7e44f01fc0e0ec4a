"""Migrations are plain SQL files beside this one; this is how a revision runs one."""

from pathlib import Path

from alembic import op


def run_sql(name: str) -> None:
    """Run one file whole: through the driver when connected, as printed text when alembic runs with `--sql`."""
    text = (Path(__file__).parent / name).read_text(encoding="utf-8")
    if op.get_context().as_sql:
        op.get_context().impl.static_output(text)
        return
    # The driver itself, not SQLAlchemy: colons, percent signs and dollar quotes pass untouched.
    op.get_bind().connection.driver_connection.execute(text)
