"""The ledger: append-only events, digest chain, roles and row-level security."""

from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = "0001"
down_revision = None


def upgrade() -> None:
    run_sql_file("0001_ledger.sql")


def downgrade() -> None:
    refuse_downgrade()
