"""What mending mistakes long after needs: corrections of a bay's period, merged cars and parts, a car's identity erased.

Figures derived under a correction must be derived anew before going down: nothing here then says what they rest on.
"""

from migrations.sql import run_sql

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add empty tables and columns, and the one function that may forget."""
    run_sql("0004_mending.up.sql")


def downgrade() -> None:
    """Drop everything that `upgrade` made, in reverse order."""
    run_sql("0004_mending.down.sql")
