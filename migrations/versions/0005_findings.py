"""Reviews of findings, and lists of findings by station, member, severity and cause."""

from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    run_sql_file("0005_findings.sql")


def downgrade() -> None:
    refuse_downgrade()
