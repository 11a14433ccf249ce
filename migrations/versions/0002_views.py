"""The views: current state and history tables."""

from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    run_sql_file("0002_views.sql")


def downgrade() -> None:
    refuse_downgrade()
