"""Who speaks through the service must not make itself tokens, and a token that posts belongs to a bay.

Going down gives the service's role the right back; what ended going up stays ended.
"""

from migrations.sql import run_sql

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Leave the service to look tokens up."""
    run_sql("0006_token_rights.up.sql")


def downgrade() -> None:
    """The rights as they were."""
    run_sql("0006_token_rights.down.sql")
