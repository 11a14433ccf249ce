"""The rulebook as dated events of the county ledger."""

from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    run_sql_file("0004_rulebook.sql")


def downgrade() -> None:
    refuse_downgrade()
