"""What the history model rests on and is kept in: heat in a setup's pulls, which cars changed, and its estimates.

Setups kept before know nothing of the heat in them until they are derived anew.
"""

from migrations.sql import run_sql

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add two empty columns and three empty tables."""
    run_sql("0003_history_model.up.sql")


def downgrade() -> None:
    """Drop everything that `upgrade` made, in reverse order."""
    run_sql("0003_history_model.down.sql")
