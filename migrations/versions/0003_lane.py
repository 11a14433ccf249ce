"""The writer lane and the look-up functions."""

from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    run_sql_file("0003_lane.sql")


def downgrade() -> None:
    refuse_downgrade()
