"""What measurements are read by: the engine's own figures that some correction standards need, and channels by speed.

Without the engine's figures a diesel's power cannot be corrected to those standards, and nothing is ever filled in for
them. Setups kept before have no channels along the curve until they are derived anew.
"""

from migrations.sql import run_sql

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the columns, all of them empty."""
    run_sql("0002_measurement.up.sql")


def downgrade() -> None:
    """Drop everything that `upgrade` made, in reverse order."""
    run_sql("0002_measurement.down.sql")
