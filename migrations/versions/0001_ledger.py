"""The whole ledger: what the shop knows, what was measured, what is derived, who changed what.

Raw samples stand apart from scalars and everything an answer reads is derived in the post's own transaction,
because both were measured to decide the cost of a question.
"""

from migrations.sql import run_sql

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create every table, with the service's least rights."""
    run_sql("0001_ledger.up.sql")


def downgrade() -> None:
    """Drop everything that `upgrade` made, in reverse order."""
    run_sql("0001_ledger.down.sql")
