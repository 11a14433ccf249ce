"""${message}."""

from fill_ledger.schema import refuse_downgrade, run_sql_file

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    run_sql_file("${up_revision}_${message.lower().replace(" ", "_")}.sql")


def downgrade() -> None:
    refuse_downgrade()
